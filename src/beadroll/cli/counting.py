"""``counts``: welds made, examined, rejected, and what became of each reject."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from beadroll.cli.office import JOB, WEEK
from beadroll.cli.session import Session, shared

if TYPE_CHECKING:
    from beadroll.record.handover import Period
    from beadroll.rules.counts import Count


@click.command()
@click.argument("job", type=JOB)
@WEEK
@click.option("--by", default="line", show_default=True, help="line, location, month, welder or technique.")
@shared
def counts(session: Session, job: Path, week: Period, by: str) -> None:
    """Count the welds of a week of JOB: made, examined, rejected, repaired, cut out, open.

    These are the counts that 49 CFR 192.243(f) and 195.266(a) ask for. The interval is the 95 % Wilson interval of
    the share rejected.
    """
    from beadroll.handover.build import prepare
    from beadroll.rules.counts import GROUPS, count, counted_week

    if by not in GROUPS:
        raise click.BadParameter(f"{by!r} is none of {', '.join(GROUPS)}", param_hint="--by")
    with session.screen.progress("Counting"):
        record = prepare(job, week).reconciled.record
    groups, total = count(counted_week(record), by)
    screen = session.screen
    screen.table(
        (by, "made", "examined", "rejected", "repaired", "cut out", "concession", "open", "share rejected"),
        [_row(each) for each in (*groups, total)],
    )
    screen.result({"ok": True, "by": by, "groups": groups, "total": total})


def _row(each: Count) -> tuple[object, ...]:
    rate = each.reject_rate
    share = f"{rate[0]:.0%} ({rate[1]:.0%} to {rate[2]:.0%})" if rate else ""
    return (
        each.group,
        each.made,
        each.examined,
        each.rejected,
        each.repaired,
        each.cut_out,
        each.concession,
        each.open,
        share,
    )
