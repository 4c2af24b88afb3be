"""The command line: thin over the same functions the pages and the tests call."""

from __future__ import annotations


def main() -> None:
    """Run the command line."""
    from beadroll.cli.commands import run

    run()
