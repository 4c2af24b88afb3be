"""Every part of a package that repeats another is held against it."""

from __future__ import annotations

import hashlib
import json

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from beadroll.errors import InputError, NotTrusted
from beadroll.findings import Severity
from beadroll.handover.assembling.assemble import assemble
from beadroll.package import manifest
from beadroll.package.content import judge_content
from beadroll.package.layout import FileEntry, Form
from beadroll.package.verify import inspect, verify
from tests.handovers import checked_week, write_week

WELD = "data/welds/LN-204/W-0101/weld.json"


class Copy:
    """A package in memory whose lists always fit its files: what a careful forger, or a faulty writer, hands over."""

    def __init__(self, files: dict[str, bytes]) -> None:
        self.files = dict(files)

    def names(self) -> tuple[str, ...]:
        return tuple(sorted(self.files))

    def read(self, path: str, limit: int) -> bytes:
        entries = [
            FileEntry(path=p, size=len(d), sha512=hashlib.sha512(d).hexdigest())
            for p, d in self.files.items()
            if p.startswith("data/")
        ]
        made = {
            "manifest-sha512.txt": manifest.format_manifest(entries),
            "proof/sizes.txt": manifest.format_sizes(entries),
        }
        data = made.get(path) or self.files[path]
        if len(data) > limit:
            raise InputError("too long", path=path)
        return data

    def edit(self, path: str, change) -> None:
        value = json.loads(self.files[path])
        change(value["content"])
        self.files[path] = json.dumps(value).encode()

    def reindex(self) -> None:
        """Let the index and METS know the edited files, so that only the content can tell."""

        def renew(content):
            for row in content["files"]:
                data = self.files[row["path"]]
                row["sha512"], row["size_bytes"] = hashlib.sha512(data).hexdigest(), len(data)
            content["totals"]["size_bytes"] = sum(row["size_bytes"] for row in content["files"])

        self.edit("data/index.json", renew)


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    folder = tmp_path_factory.mktemp("content")
    write_week(folder / "job")
    assemble(checked_week(folder / "job"), folder / "out", form=Form.FOLDER)
    return folder / "out"


@pytest.fixture
def package(built):
    return Copy({p.relative_to(built).as_posix(): p.read_bytes() for p in built.rglob("*") if p.is_file()})


def codes(package):
    return sorted({each.code for each in judge_content(package)})


def test_a_package_as_built_has_nothing_that_contradicts_itself(package):
    assert judge_content(package) == ()


@pytest.mark.parametrize("form", list(Form))
def test_verify_judges_the_records_too(tmp_path, form):
    write_week(tmp_path / "job")
    out = tmp_path / ("out.zip" if form is Form.ZIP else "out")
    assemble(checked_week(tmp_path / "job"), out, form=form)
    seen = inspect(out, judge_seals=None, judge_content=judge_content)
    assert [each.code for each in seen.report.findings] == ["PKG-SEALS-UNJUDGED"]


def test_a_package_whose_index_lies_is_not_trusted(tmp_path):
    from beadroll.package.write import PackageWriter

    write_week(tmp_path / "job")
    assemble(checked_week(tmp_path / "job"), tmp_path / "out", form=Form.FOLDER)
    with PackageWriter.create(tmp_path / "forged", name="forged", form=Form.FOLDER) as writer:
        for path in sorted((tmp_path / "out" / "data").rglob("*")):
            if path.is_file():
                data = path.read_bytes()
                if path.name == "index.json":
                    data = data.replace(b'"standing": "accepted"', b'"standing": "rejected"', 1)
                writer.add(path.relative_to(tmp_path / "out").as_posix(), data)
        writer.finish(manifest.BagInfo())
    with pytest.raises(NotTrusted) as caught:
        verify(tmp_path / "forged", judge_seals=lambda *_: (), judge_content=judge_content)
    assert {"CNT-STANDING", "CNT-TOTAL"} <= {each.code for each in caught.value.report.stops}


def first_file(content):
    return next(row for row in content["files"] if row["path"].endswith(".dcm"))


def index_edit(change):
    return lambda package: package.edit("data/index.json", change)


def weld_edit(change):
    def edit(package):
        package.edit(WELD, change)
        package.reindex()

    return edit


def dropped(path):
    return lambda package: package.files.pop(path)


def table_edit(name, change):
    def edit(package):
        path = f"data/catalog/{name}.parquet"
        sink = pa.BufferOutputStream()
        pq.write_table(change(pq.read_table(pa.BufferReader(package.files[path]))), sink)
        package.files[path] = sink.getvalue().to_pybytes()
        package.reindex()

    return edit


def other_standing(table):
    at = table.schema.get_field_index("standing")
    return table.set_column(at, "standing", pa.array(["rejected"] * table.num_rows))


def set_in(content, *steps, value):
    for step in steps[:-1]:
        content = content[step]
    content[steps[-1]] = value


FAULTS = {
    "no index": (dropped("data/index.json"), "CNT-INDEX"),
    "index is no JSON": (lambda p: p.files.update({"data/index.json": b"{"}), "CNT-INDEX"),
    "another major version": (index_edit(lambda c: set_in(c, "format_version", value="2.0")), "CNT-INDEX"),
    "digest of a file": (index_edit(lambda c: set_in(first_file(c), "sha512", value="0" * 128)), "CNT-DIGEST"),
    "size of a file": (index_edit(lambda c: set_in(first_file(c), "size_bytes", value=1)), "CNT-SIZE"),
    "a file twice": (index_edit(lambda c: c["files"].append(c["files"][0])), "CNT-FILE-TWICE"),
    "a file too few": (index_edit(lambda c: c["files"].pop(0)), "CNT-FILE-UNINDEXED"),
    "a file that is not there": (
        index_edit(lambda c: c["files"].append({**c["files"][0], "path": "data/x.dcm"})),
        "CNT-FILE-MISSING",
    ),
    "a total": (index_edit(lambda c: set_in(c, "totals", "interpretations", value=7)), "CNT-TOTAL"),
    "a count of a weld": (index_edit(lambda c: set_in(c, "welds", 0, "events", value=3)), "CNT-COUNT"),
    "a standing": (index_edit(lambda c: set_in(c, "welds", 0, "standing", value="cut_out")), "CNT-STANDING"),
    "a weld twice": (index_edit(lambda c: c["welds"].append(c["welds"][0])), "CNT-WELD-TWICE"),
    "a weld too few": (index_edit(lambda c: c["welds"].pop()), "CNT-WELD-UNNAMED"),
    "a weld record gone": (dropped(WELD), "CNT-DOCUMENT"),
    "a weld record broken": (weld_edit(lambda c: set_in(c, "standing", value="splendid")), "CNT-DOCUMENT"),
    "another weld's record": (weld_edit(lambda c: set_in(c, "weld", "id", "number", value="W-0999")), "CNT-WELD-OTHER"),
    "a radiograph's digest": (
        weld_edit(lambda c: set_in(c, "radiographs", 0, "pixel_sha512", value="0" * 128)),
        "CNT-RADIOGRAPH",
    ),
    "a radiograph's path": (weld_edit(lambda c: set_in(c, "radiographs", 0, "path", value=WELD)), "CNT-RADIOGRAPH"),
    "a reading that no table has": (
        weld_edit(lambda c: set_in(c, "interpretations", 0, "iqi_seen", value="W13")),
        "CNT-TABLE-DIFFERS",
    ),
    "a table gone": (dropped("data/catalog/events.parquet"), "CNT-TABLE"),
    "a table that is none": (lambda p: p.files.update({"data/catalog/events.parquet": b"PAR1"}), "CNT-TABLE"),
    "a table with other values": (table_edit("welds", other_standing), "CNT-TABLE-DIFFERS"),
    "a table cut short": (table_edit("welds", lambda table: table.slice(0, 1)), "CNT-TABLE-ROWS"),
    "a table with more rows": (table_edit("welds", lambda table: pa.concat_tables([table, table])), "CNT-TABLE"),
    "METS gone": (dropped("data/mets.xml"), "CNT-METS"),
    "METS is no XML": (lambda p: p.files.update({"data/mets.xml": b"<mets"}), "CNT-METS"),
    "METS of other files": (
        lambda p: p.files.update({"data/mets.xml": p.files["data/mets.xml"].replace(b"people.json", b"others.json")}),
        "CNT-METS",
    ),
    "findings gone": (dropped("data/findings.json"), "CNT-DOCUMENT"),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_contradiction_stops_the_package_and_is_named(package, name):
    spoil, code = FAULTS[name]
    spoil(package)
    found = judge_content(package)
    assert code in {each.code for each in found if each.severity is Severity.STOP}


def test_unknown_fields_of_a_newer_version_are_notes_and_the_rest_is_read(package):
    package.edit(WELD, lambda content: content.update(humidity_percent=40))
    package.files[WELD] = package.files[WELD].replace(b'"version": "1.0"', b'"version": "1.3"')
    package.reindex()
    found = judge_content(package)
    notes = {each.code for each in found if each.severity is Severity.NOTE}
    assert {"CNT-UNKNOWN", "CNT-VERSION"} <= notes
    assert not [each for each in found if each.subject == WELD and each.severity is Severity.STOP]


def test_an_entity_in_mets_is_not_expanded(package):
    bomb = b'<?xml version="1.0"?><!DOCTYPE m [<!ENTITY a "' + b"x" * 1000 + b'">]><m>&a;</m>'
    package.files["data/mets.xml"] = bomb
    assert "CNT-METS" in codes(package)
