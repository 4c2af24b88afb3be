"""The catalog as a reader sees it: Delta tables under one gate, asked in SQL, with every value escaped.

Knows where the tables lie, how a value becomes a literal and how rows come back. Rows of a handover that the gate
table ``handovers`` does not hold do not exist for readers: the gate is opened first, and written last by
``catalog_write``. Refuses to know what is asked. Loads no table library beyond the query engine, so that a look-up
starts quickly.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date, datetime
from pathlib import Path
from typing import Any, Final

from deltalake import DeltaTable, QueryBuilder
from deltalake.exceptions import DeltaError, TableNotFoundError

from beadroll.errors import ArchiveError

CATALOG: Final = "catalog"
REPLACED: Final = "catalog.replaced"
"""The old catalog's name for the moment in which a rebuilt one takes its place."""
GATE: Final = "handovers"
CURRENT: Final = "SELECT job, handover, max(revision) AS revision FROM handovers GROUP BY job, handover"
"""The newest revision of every handover, as a query."""

Row = dict[str, Any]
_REMEDY: Final = "Rebuild the catalog from the packages; they hold everything it says."


class Catalog:
    """The tables of an archive at one moment, open for questions."""

    def __init__(self, archive: Path) -> None:
        """Open an archive's catalog. Raises ``ArchiveError`` where there is none."""
        self.folder = archive / CATALOG
        if not self.folder.exists() and (archive / REPLACED).exists():
            self.folder = archive / REPLACED  # a rebuild is just putting the new one in place, or was killed doing so
        self._open: dict[str, DeltaTable] = {}
        self._table(GATE)

    def _table(self, name: str) -> DeltaTable:
        if name not in self._open:
            try:
                self._open[name] = DeltaTable(str(self.folder / name))
            except (TableNotFoundError, DeltaError, OSError) as error:
                raise ArchiveError(
                    f"{self.folder}: the table {name} cannot be opened: {first_line(error)}", remedy=_REMEDY
                ) from error
        return self._open[name]

    def rows(self, sql: str, tables: Iterable[str]) -> list[Row]:
        """Return the rows of a query over the tables it names. Raises ``ArchiveError``."""
        wanted = [GATE, *(name for name in tables if name != GATE)]
        builder = QueryBuilder()
        for name in wanted:
            builder.register(name, self._table(name))
        try:
            found = builder.execute(sql).read_all()
            rows: list[Row] = list(found.to_struct_array().to_pylist()) if found.num_rows else []
        # The engine raises a plain Exception for what it cannot plan or read; this is the catalog's wall.
        except Exception as error:
            raise ArchiveError(
                f"{self.folder}: the catalog cannot answer: {first_line(error)}", remedy=_REMEDY
            ) from error
        return rows

    def received(self) -> list[Row]:
        """Return the gate's rows, oldest first: every handover and revision that the archive shows."""
        return self.rows("SELECT * FROM handovers ORDER BY received_at, job, handover, revision", ())


def first_line(error: Exception) -> str:
    """Return the first line of a foreign error's text, short enough for a message."""
    return (str(error).splitlines() or [type(error).__name__])[0][:200]


def literal(value: str | float | date | datetime) -> str:
    """Return a value as an SQL literal that can never be read as anything else.

    Raises ``ValueError`` for a text with a NUL character, which no record holds, a number that is not finite, and a
    moment without a time zone.
    """
    if isinstance(value, int | float):
        if value != value or value in (float("inf"), float("-inf")):  # noqa: PLR0124 - that is how NaN is told
            raise ValueError(f"{value} is not a number to search for")
        return repr(value + 0)
    if isinstance(value, datetime):
        if value.tzinfo is None:
            raise ValueError(f"{value} has no time zone")
        return f"TIMESTAMP '{value.isoformat()}'"
    if isinstance(value, date):
        return f"DATE '{value.isoformat()}'"
    if "\0" in value:
        raise ValueError("a text to search for has a NUL character in it")
    return "'" + value.replace("'", "''") + "'"


def any_of(column: str, values: Iterable[str]) -> str:
    """Return the condition that a column is one of the values; none of them is never true."""
    listed = ", ".join(literal(value) for value in values)
    return f"{column} IN ({listed})" if listed else "FALSE"


def same_weld(left: str, right: str) -> str:
    """Return the condition that two rows are of one weld."""
    return " AND ".join(f"{left}.{column} = {right}.{column}" for column in ("job", "line", "number"))


def texts(row: Mapping[str, Any], column: str) -> tuple[str, ...]:
    """Return a list column's texts; a row without any has none."""
    return tuple(row[column] or ())
