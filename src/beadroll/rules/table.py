"""The tables of standards as data: each with its standard, edition, clause and the strength of its source.

Knows the files beside it and nothing of records.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """One table: where it comes from, how sure we are of it, and its rows as column -> value."""

    name: str
    title: str
    standard: str
    edition: str
    clause: str
    evidence: str
    note: str
    columns: tuple[str, ...]
    rows: tuple[Mapping[str, Any], ...]

    @property
    def citation(self) -> str:
        """Standard, edition and clause in one phrase, as findings cite it."""
        return ", ".join(part for part in (self.standard, self.edition, self.clause) if part)

    def up_to(self, column: str, value: float, **equal: Any) -> Mapping[str, Any] | None:
        """Return the first row that matches ``equal`` and whose ``column`` is not below ``value``; None is 'and above'.

        Values within a nanometre of a bound belong to the row they bound, so that 0.25 in and 6.35 mm agree.
        """
        for row in self.rows:
            if all(row[key] == wanted for key, wanted in equal.items()) and (
                row[column] is None or value <= row[column] + 1e-6
            ):
                return row
        return None


@cache
def table(name: str) -> Table:
    """Return a table by file name. Raises ``FileNotFoundError`` for an unknown one: a fault of the caller."""
    data = json.loads((resources.files("beadroll.rules") / "tables" / f"{name}.json").read_text(encoding="utf-8"))
    columns = tuple(data.pop("columns"))
    rows = tuple(dict(zip(columns, row, strict=True)) for row in data.pop("rows"))
    return Table(name=name, columns=columns, rows=rows, **data)
