"""``demo``: the whole job on an invented week."""

from __future__ import annotations

from pathlib import Path

import click

from beadroll.cli.session import Session, shared
from beadroll.cli.visible import count, size


class Pixels(click.ParamType[tuple[int, int]]):
    """Width and height such as ``1250x500``, kept as (rows, columns)."""

    name = "WxH"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> tuple[int, int]:
        """Return (rows, columns)."""
        if isinstance(value, tuple):
            return value
        width, _, height = str(value).lower().partition("x")
        if not (width.isdecimal() and height.isdecimal()):
            self.fail(f"{value!r} is not width x height such as 1250x500", param, ctx)
        return int(height), int(width)


@click.command()
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path), default="beadroll-demo")
@click.option("--welds", type=int, default=12, show_default=True, help="Welds in the week.")
@click.option(
    "--pixels", type=Pixels(), default="1250x500", show_default=True, help="Size of each film, width x height."
)
@shared
def demo(session: Session, folder: Path, welds: int, pixels: tuple[int, int]) -> int:
    """Run the whole job on an invented week in FOLDER (a new one; default ./beadroll-demo)."""
    from beadroll.demo import write_week

    screen = session.screen
    with screen.progress("Computing radiographs") as tell:
        week = write_week(
            folder / "job", welds=welds, pixels=pixels, progress=lambda done, total, found: tell(done, total, found, 0)
        )
    screen.say(
        f"Wrote the week {week.week} into {week.folder}: {count(week.welds, 'weld')}, "
        f"{count(week.radiographs, 'radiograph')}, {size(week.size_bytes)}."
    )
    screen.result({"ok": True, "folder": week.folder, "week": week.week})
    return 0
