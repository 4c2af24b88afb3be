"""Look-ups in a catalog of many welds, beside SQLite with indexes on the same rows. Run by hand.

    python -m tests.benchmarks.catalog --welds 1000000 --weeks 100

Synthetic and seeded: per weld three exposures, three readings, one and a half indications. Old years lie in large
batches, then come weekly appends as ``receive`` makes them. Medians of ``--repeat`` runs, in milliseconds.
"""

from __future__ import annotations

import argparse
import resource
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pyarrow as pa

from beadroll.archive.catalog import CATALOG, Catalog
from beadroll.archive.catalog_write import COLUMNS, append, create_catalog, tidy
from beadroll.archive.find import Query, find
from beadroll.archive.history import history
from beadroll.archive.home import create_archive
from beadroll.record.search import search_key

JOB = "VTH-2031-07"
START = date(2021, 1, 4)
PER_BATCH = 50_000
PER_WEEK = 200
LINES = 400
WELDERS = [f"{n}{letter}" for n in range(10, 60) for letter in "ABCDEF"]
READERS = [f"R{n:02}" for n in range(40)]
CODES = ["100", "2011", "2013", "301", "401", "4011", "402", "5011", "504"]
WORDS = ["tight access", "shadow near the root", "film scratch", "cold morning", "second film used", "grinding mark"]


def filled(name: str, rows: int, **columns: object) -> pa.Table:
    """Make a table of the catalog: what is not given is an empty text, an empty list or unknown."""
    made = []
    for field in COLUMNS[name]:
        if field.name in columns:
            made.append(pa.array(columns[field.name], type=field.type))
        elif field.type == pa.string():
            made.append(pa.array(np.full(rows, ""), type=field.type))
        elif pa.types.is_list(field.type):
            made.append(pa.array([[]] * rows, type=field.type))
        else:
            made.append(pa.nulls(rows, type=field.type))
    return pa.Table.from_arrays(made, schema=COLUMNS[name])


def batch(first: int, count: int, handover: str, days: tuple[date, date], seed: int) -> dict[str, pa.Table]:
    """Make the rows of one handover: welds ``first`` to ``first + count``, spread over its days."""
    chance = np.random.default_rng(seed)
    span = (days[1] - days[0]).days
    numbers = np.arange(first, first + count)
    line_of = numbers % LINES
    lines = np.array([f"LN-{n:03}" for n in range(LINES)])[line_of]
    names = np.array([f"W-{n:07}" for n in numbers])
    line_keys = np.array([search_key(f"LN-{n:03}") for n in range(LINES)])[line_of]
    keys = np.array([f"W{n:08}" for n in numbers])
    order = np.lexsort((keys, line_keys))
    lines, names, line_keys, keys = lines[order], names[order], line_keys[order], keys[order]
    welded = np.array([days[0]], dtype="datetime64[D]")[0] + chance.integers(0, span + 1, count)
    rejected = chance.random(count) < 0.04

    def of(times: int) -> dict[str, object]:
        return {
            "job": np.full(count * times, JOB),
            "handover": np.full(count * times, handover),
            "revision": np.zeros(count * times, dtype=np.int64),
            "line": np.repeat(lines, times),
            "number": np.repeat(names, times),
            "line_key": np.repeat(line_keys, times),
            "weld_key": np.repeat(keys, times),
        }

    three = count * 3
    readings = np.array([f"{n}-{at}" for n in names for at in range(3)])
    stencils = [[WELDERS[at]] for at in chance.integers(0, len(WELDERS), count)]
    results = np.full(three, "ACC")
    results[np.arange(count)[rejected] * 3] = "REJ"
    read = np.repeat(welded + 2, 3)
    seen = np.sort(chance.choice(three, count * 3 // 2, replace=False))
    own = of(3)
    return {
        "welds": filled(
            "welds",
            count,
            **of(1),
            standing=np.where(rejected, "rejected", "accepted"),
            kind=np.full(count, "butt"),
            spool=np.array([f"SP-{n // 12:06}" for n in numbers])[order],
            welded_on=welded,
            last_read_on=welded + 2,
            stencils=stencils,
            repairs=np.zeros(count, dtype=np.int64),
            rejections=rejected.astype(np.int64),
            radiographs=np.full(count, 3),
            remark=np.where(chance.random(count) < 0.05, np.array(WORDS)[chance.integers(0, len(WORDS), count)], ""),
        ),
        "events": filled(
            "events",
            count,
            **of(1),
            sequence=np.zeros(count, dtype=np.int64),
            kind=np.full(count, "welded"),
            happened_on=welded,
            stencils=stencils,
        ),
        "exposures": filled(
            "exposures",
            three,
            **own,
            exposure=np.char.add(readings, "E"),
            technique=np.full(three, "TS-03"),
            source=np.array([f"S-{n}" for n in range(30)])[chance.integers(0, 30, three)],
            exposed_at=np.repeat(welded + 1, 3).astype("datetime64[us]"),
        ),
        "interpretations": filled(
            "interpretations",
            three,
            **own,
            interpretation=readings,
            segment=np.tile(np.array(["0-1", "1-2", "2-0"]), count),
            interpreter=np.array(READERS)[chance.integers(0, len(READERS), three)],
            read_on=read,
            result=results,
        ),
        "indications": filled(
            "indications",
            len(seen),
            **{name: np.asarray(values)[seen] for name, values in own.items()},
            interpretation=readings[seen],
            result=results[seen],
            read_on=read[seen],
            iso6520=np.array(CODES)[chance.integers(0, len(CODES), len(seen))],
            length_mm=np.round(chance.gamma(2, 3, len(seen)), 1),
        ),
        "handovers": filled(
            "handovers",
            1,
            job=[JOB],
            handover=[handover],
            revision=[0],
            period_first=[days[0]],
            period_last=[days[1]],
            dated=[days[1]],
            contractor=["Pellin & Oake Radiography"],
            time_zone=["Europe/Vienna"],
            object_id=[f"urn:beadroll:{JOB}:{handover}"],
            store_version=[1],
            tagmanifest_sha512=["0" * 128],
            received_at=[datetime(days[1].year, days[1].month, days[1].day, 18, tzinfo=UTC)],
        ),
    }


def batches(welds: int, weeks: int) -> Iterator[tuple[str, dict[str, pa.Table]]]:
    """Give the large batches of old years, then the weekly ones."""
    old, day, first, seed = max(welds - weeks * PER_WEEK, PER_BATCH), START, 1, 0
    while first <= old:
        count = min(PER_BATCH, old - first + 1)
        name = f"HO-{seed:04}"
        yield name, batch(first, count, name, (day, day + timedelta(days=179)), seed)
        first, day, seed = first + count, day + timedelta(days=180), seed + 1
    for _ in range(weeks):
        name = f"HO-{seed:04}"
        yield name, batch(first, PER_WEEK, name, (day, day + timedelta(days=6)), seed)
        first, day, seed = first + PER_WEEK, day + timedelta(days=7), seed + 1


SQL_TABLES = {
    "welds": ("job", "handover", "line", "number", "line_key", "weld_key", "standing", "spool", "welded_on", "remark"),
    "events": ("job", "handover", "line", "number", "kind", "happened_on", "stencil"),
    "exposures": ("job", "handover", "line", "number", "exposure", "technique", "source", "exposed_at"),
    "interpretations": ("job", "handover", "line", "number", "interpretation", "interpreter", "read_on", "result"),
    "indications": ("job", "handover", "line", "number", "interpretation", "read_on", "result", "iso6520", "length_mm"),
}
SQL_INDEXES = (
    "welds(weld_key, line_key)",
    "events(number, line)",
    "events(stencil, happened_on)",
    "exposures(number, line)",
    "interpretations(number, line)",
    "interpretations(result, read_on)",
    "indications(number, line)",
)


def fill_sqlite(database: sqlite3.Connection, tables: dict[str, pa.Table]) -> None:
    """Put the same rows into SQLite, dates as texts."""
    for name, columns in SQL_TABLES.items():
        rows = tables[name]
        taken = []
        for column in columns:
            if column == "stencil":
                taken.append([each[0] for each in rows.column("stencils").to_pylist()])
            elif pa.types.is_temporal(rows.schema.field(column).type):
                taken.append(rows.column(column).cast(pa.string()).to_pylist())
            else:
                taken.append(rows.column(column).to_pylist())
        marks = ", ".join("?" * len(columns))
        database.executemany(f"INSERT INTO {name} VALUES ({marks})", zip(*taken, strict=True))  # noqa: S608 - our names
    database.commit()


def timed(work: Callable[[], object], repeat: int) -> float:
    """Return the median time of some work in milliseconds."""
    times = []
    for _ in range(repeat):
        began = time.perf_counter()
        work()
        times.append((time.perf_counter() - began) * 1000)
    return statistics.median(times)


def cold(code: str, repeat: int) -> float:
    """Return what a fresh process takes for some code, over one that does nothing."""

    def run(text: str) -> float:
        return timed(lambda: subprocess.run([sys.executable, "-c", text], check=True), repeat)

    return run(code) - run("pass")


def show(name: str, ours: float, theirs: float | None = None, note: str = "") -> None:
    """Print one row of the result."""
    beside = "" if theirs is None else f"{theirs:12.1f}"
    sys.stdout.write(f"{name:<44}{ours:12.1f}{beside:>12}  {note}\n")
    sys.stdout.flush()


def size_of(folder: Path) -> float:
    """Return what a folder takes on disk, in MB."""
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file()) / 1e6


def build(archive: Path, database: sqlite3.Connection, welds: int, weeks: int) -> list[float]:
    """Fill both, and return the time of each weekly append in ms."""
    appends = []
    for number, (name, tables) in enumerate(batches(welds, weeks)):
        began = time.perf_counter()
        append(archive, f"handover-{name}", tables)
        weekly = tables["welds"].num_rows == PER_WEEK
        if weekly:
            appends.append((time.perf_counter() - began) * 1000)
        fill_sqlite(database, tables)
        if not weekly and number % 5 == 0:
            sys.stderr.write(f"{name}\n")
    for number, index in enumerate(SQL_INDEXES):
        database.execute(f"CREATE INDEX i{number} ON {index}")
    database.execute("ANALYZE")
    database.commit()
    return appends


def lookups(archive: Path, database: sqlite3.Connection, middle: int, repeat: int) -> None:
    """Time the questions people ask, and hold the answers of both against each other."""
    number = f"W-{middle:07}"

    def asked(sql: str, *values: object) -> set[tuple[str, str]]:
        return set(database.execute(sql, values).fetchall())

    since, until = START + timedelta(days=400), START + timedelta(days=430)
    questions = {
        "one weld, whole number": (
            Query(number=number),
            ("SELECT line, number FROM welds WHERE weld_key = ?", search_key(number)),
        ),
        "one weld, bare number": (
            Query(number=str(middle)),
            ("SELECT line, number FROM welds WHERE weld_key = ?", search_key(number)),
        ),
        "welder and a month": (
            Query(welder="20A", since=since, until=until, limit=None),
            (
                "SELECT DISTINCT line, number FROM events WHERE stencil = ? AND happened_on BETWEEN ? AND ?",
                "20A",
                str(since),
                str(until),
            ),
        ),
        "rejected in a month": (
            Query(rejected=True, since=since, until=until, limit=None),
            (
                "SELECT DISTINCT line, number FROM interpretations WHERE result = 'REJ' AND read_on BETWEEN ? AND ?",
                str(since),
                str(until),
            ),
        ),
        "words in remarks, one line": (
            Query(words="shadow root", line="LN-017", limit=None),
            (
                "SELECT DISTINCT line, number FROM welds WHERE line = ? AND remark LIKE ? AND remark LIKE ?",
                "LN-017",
                "%shadow%",
                "%root%",
            ),
        ),
    }
    for name, (query, (sql, *values)) in questions.items():
        ours = {(weld.line, weld.number) for weld in find(archive, query).welds}
        theirs = asked(sql, *values)
        agreed = f"{len(ours)} welds, the same" if ours == theirs else f"DIFFER: {len(ours)} and {len(theirs)}"
        run = timed(lambda query=query: find(archive, query), repeat)
        show(f"find, warm: {name}", run, timed(lambda sql=sql, values=values: asked(sql, *values), repeat), agreed)
    catalog = Catalog(archive)
    key = search_key(number)
    bare = f"SELECT * FROM welds WHERE weld_key = '{key}'"  # noqa: S608 - a number of ours
    catalog.rows(bare, ["welds"])
    show("one row of an open catalog, warm", timed(lambda: catalog.rows(bare, ["welds"]), repeat))
    show("history, warm", timed(lambda: history(archive, number), repeat))
    start = f"from pathlib import Path; A = Path({str(archive)!r}); "
    look = f"from beadroll.archive.find import find, Query; assert find(A, Query(number={number!r})).welds"
    tell = f"from beadroll.archive.history import history; assert history(A, {number!r}).steps"
    show("find one weld, cold process over bare Python", cold(start + look, repeat))
    show("history of one weld, cold process", cold(start + tell, repeat))


def main() -> None:
    """Build, ask, tidy, ask again."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--welds", type=int, default=1_000_000)
    parser.add_argument("--weeks", type=int, default=100)
    parser.add_argument("--repeat", type=int, default=5)
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="beadroll-catalog-") as folder:
        archive = Path(folder) / "archive"
        create_archive(archive, title="benchmark", now=datetime(2021, 1, 1, tzinfo=UTC))
        create_catalog(archive)
        database = sqlite3.connect(Path(folder) / "beside.sqlite")
        for name, columns in SQL_TABLES.items():
            database.execute(f"CREATE TABLE {name} ({', '.join(columns)})")
        began = time.perf_counter()
        appends = build(archive, database, chosen.welds, chosen.weeks)
        sys.stdout.write(f"{chosen.welds:,} welds; built in {time.perf_counter() - began:.0f} s; ours, SQLite:\n")
        tenth = max(len(appends) // 10, 1)
        show("weekly append, first tenth, ms", statistics.median(appends[:tenth]))
        show("weekly append, last tenth, ms", statistics.median(appends[-tenth:]))
        show("size, MB", size_of(archive / CATALOG), (Path(folder) / "beside.sqlite").stat().st_size / 1e6)
        lookups(archive, database, chosen.welds // 2, chosen.repeat)
        for thorough in (False, True):
            took = timed(lambda thorough=thorough: tidy(archive, thorough=thorough), 1)
            show(f"tidy{', thorough' if thorough else ''}, ms", took)
            lookups(archive, database, chosen.welds // 2, chosen.repeat)
        show("peak memory, MB", resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000)
        database.close()


if __name__ == "__main__":
    main()
