"""What every command gets: the screen, the clock, and the options all commands share."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import Any

import click

from beadroll.cli.screen import Screen


@dataclass(slots=True, kw_only=True)
class Session:
    """One run of the command line. ``at`` replaces the clock in rehearsals, the demo among them."""

    screen: Screen = field(default_factory=Screen)
    at: datetime | None = None

    def now(self) -> datetime:
        """Return the moment that counts as now."""
        return self.at or datetime.now(UTC)


def shared(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command ``--json`` and ``--quiet``, and the session as its first argument."""
    command = click.option(
        "--quiet", is_flag=True, expose_value=False, callback=_quiet, help="No progress on standard error."
    )(command)
    command = click.option(
        "--json", is_flag=True, expose_value=False, is_eager=True, callback=_json, help="Print the result as JSON."
    )(command)
    return click.pass_obj(command)


def _json(context: click.Context, _: click.Parameter, value: bool) -> None:  # noqa: FBT001 - click's signature
    if value:
        context.obj.screen.as_json = True


def _quiet(context: click.Context, _: click.Parameter, value: bool) -> None:  # noqa: FBT001 - click's signature
    if value:
        context.obj.screen.quiet = True


def moment(text: str) -> datetime:
    """Return a moment from ISO 8601 text; without a zone it is UTC. Raises ``click.BadParameter``."""
    try:
        found = datetime.fromisoformat(text)
    except ValueError as wrong:
        raise click.BadParameter(f"{text!r} is not a moment such as 2031-04-07T09:00+02:00") from wrong
    return found if found.tzinfo else found.replace(tzinfo=UTC)


class Day(click.ParamType[date]):
    """A day such as ``2031-04-02``."""

    name = "DAY"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> date:
        """Return the day."""
        if isinstance(value, date):
            return value
        try:
            return date.fromisoformat(str(value))
        except ValueError:
            self.fail(f"{value!r} is not a day such as 2031-04-02", param, ctx)
