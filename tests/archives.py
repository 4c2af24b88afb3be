"""Small handovers of the invented contract, sealed and packed, for the tests of the archive.

Everything is made in the test's own folder; the same arguments give the same records.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from functools import cache
from pathlib import Path

from beadroll import documents
from beadroll.archive.home import TRUST, create_archive
from beadroll.package import layout, mets
from beadroll.package.index import INDEX, FileRole, IndexedFile, Segment, indexed_weld, make_index
from beadroll.package.layout import Form
from beadroll.package.manifest import BagInfo
from beadroll.package.seals import trust
from beadroll.package.seals.keys import Signer, key_files, load_signer, new_organisation
from beadroll.package.seals.seal import sign
from beadroll.package.segments import tables, write_segment
from beadroll.package.write import Finished, PackageWriter
from beadroll.record.equipment import Equipment, EquipmentKind
from beadroll.record.evidence import Address
from beadroll.record.handover import Amendment, Handover, HandoverRecord, Period, Previous
from beadroll.record.interpretation import Disposition, DispositionKind, Indication, Interpretation, Result
from beadroll.record.job import Code, Job, Line
from beadroll.record.people import Person, Role, SignOff
from beadroll.record.radiograph import Exposure, Radiograph
from beadroll.record.weld import EventKind, Standing, Weld, WeldEvent, WeldId, WeldRecord

NOW = datetime(2031, 4, 7, 9, 30, tzinfo=UTC)
PASSPHRASE = "eleven wires in a row"  # noqa: S105 - opens test keys only
LOG = "weld-log/log.xlsx"
SHEET = "crews/A/2031-04-02/reader.csv"

JOB = Job(
    id="VTH-2031-07",
    title="Ring main renewal",
    client="Vallmora Town Heating Works",
    contractor="Pellin & Oake Radiography",
    contract="VTH-2031-07",
    time_zone="Europe/Vienna",
    code=Code(standard="ISO 17636-1", edition="2022", testing_class="B"),
    lines=(Line(id="LN-204", nps="12"), Line(id="LN-207", nps="8")),
)
PEOPLE = (
    Person(id="MK", name="Mara Kovel", roles=(Role.INTERPRETER,)),
    Person(id="7K", name="Tomas Brandl", roles=(Role.WELDER,), stencil="7K"),
)
EQUIPMENT = (Equipment(serial="S-4471", kind=EquipmentKind.SOURCE, isotope="Ir-192"),)


def simple_weld(  # noqa: PLR0913 - each is something a test varies
    number: str,
    *,
    line: str = "LN-204",
    day: date = date(2031, 4, 1),
    stencil: str = "4B",
    remark: str = "",
    reading_remark: str = "",
    interpreter: str = "MK",
    result: Result | None = Result.ACC,
    spool: str = "SP-01",
) -> WeldRecord:
    """Return a weld made, shot and read on three days one after another."""
    identity = WeldId(job=JOB.id, line=line, number=number)
    shot = Exposure(
        id=f"{number}-E1",
        technique="TS-03",
        source="S-4471",
        crew="A",
        radiographer="RL",
        exposed_at=datetime(day.year, day.month, day.day, 15, tzinfo=UTC) + timedelta(days=1),
        stated_at=(Address(file=SHEET, row=4),),
    )
    reading = Interpretation(
        id=f"{number}-I1",
        report="RT-301",
        radiograph=f"{number}-R1",
        segment="0-1",
        interpreter=interpreter,
        read_on=day + timedelta(days=2),
        result=result,
        remark=reading_remark,
        stated_at=(Address(file=SHEET, row=4),),
    )
    image = image_of(line, number, f"{number}-R1", exposure=shot.id, segment="0-1")
    return WeldRecord(
        weld=Weld(
            id=identity,
            as_marked=(number,),
            spool=spool,
            drawing="ISO-204-1",
            nps="12",
            remark=remark,
            stated_at=(Address(file=LOG, sheet="Welds", row=9),),
        ),
        standing={Result.ACC: Standing.ACCEPTED, Result.REJ: Standing.REJECTED, Result.RS: Standing.RESHOOT_OWED}.get(
            result, Standing.NOT_EXAMINED
        ),
        events=(
            WeldEvent(
                kind=EventKind.WELDED, on=day, stencils=(stencil,), stated_at=(Address(file=LOG, sheet="Welds", row=9),)
            ),
        ),
        exposures=(shot,),
        radiographs=(image,),
        interpretations=(reading,) if result else (),
        sign_offs=(SignOff(role=Role.INTERPRETER, person=interpreter, on=day + timedelta(days=2), document="RT-301"),),
    )


def image_of(line: str, number: str, name: str, **fields) -> Radiograph:
    """Return a radiograph's record; its bytes are ``image_bytes(name)``."""
    data = image_bytes(name)
    digest = hashlib.sha512(data).hexdigest()
    return Radiograph(
        id=name,
        path=layout.radiograph(line, number, f"{name}.dcm"),
        size_bytes=len(data),
        sha512=digest,
        delivered_as=f"crews/A/2031-04-02/{name}.tif",
        delivered_size_bytes=len(data) + 1,
        delivered_sha512=hashlib.sha512(data + b"!").hexdigest(),
        pixel_sha512=hashlib.sha512(data[1:]).hexdigest(),
        restorable=True,
        **fields,
    )


def image_bytes(name: str) -> bytes:
    """Return bytes that stand in for a radiograph's; the archive never looks into one."""
    return hashlib.sha512(name.encode()).digest() * 32


def repaired_weld() -> WeldRecord:
    """Return W-0117 of LN-204: rejected for lack of fusion, repaired, shot again, accepted."""
    first = simple_weld("W-0117", day=date(2031, 3, 31), stencil="7K", result=Result.REJ, remark="tight access")
    reading = replace(
        first.interpretations[0],
        indications=(Indication(code="LOF", iso6520="401", position_mm=312.0, length_mm=18.0),),
    )
    return replace(
        first,
        standing=Standing.ACCEPTED,
        events=(
            *first.events,
            WeldEvent(kind=EventKind.REPAIR, label="R1", on=date(2031, 4, 3), stencils=("7K",), wps="WPS-12"),
        ),
        exposures=(
            *first.exposures,
            Exposure(
                id="W-0117-E2",
                event="R1",
                technique="TS-03",
                source="S-4471",
                crew="B",
                exposed_at=datetime(2031, 4, 4, 7, 30, tzinfo=UTC),
            ),
        ),
        radiographs=(
            *first.radiographs,
            image_of(
                "LN-204",
                "W-0117",
                "W-0117-R2",
                exposure="W-0117-E2",
                event="R1",
                segment="0-1",
                supersedes="W-0117-R1",
            ),
        ),
        interpretations=(
            reading,
            Interpretation(
                id="W-0117-I2",
                report="RT-305",
                radiograph="W-0117-R2",
                event="R1",
                segment="0-1",
                interpreter="MK",
                read_on=date(2031, 4, 5),
                result=Result.ACC,
                stated_at=(Address(file=SHEET, row=11),),
            ),
        ),
        dispositions=(
            Disposition(
                kind=DispositionKind.REPAIR, interpretation="W-0117-I1", event="R1", on=date(2031, 4, 2), by="MK"
            ),
        ),
    )


def week(
    number: str = "HO-2031-W14",
    welds: Sequence[WeldRecord] | None = None,
    *,
    revision: int = 0,
    period: str = "2031-W14",
    previous: Previous | None = None,
    amends: tuple[Amendment, ...] = (),
    job: Job = JOB,
) -> HandoverRecord:
    """Return the record of one handover."""
    found = Period.of_week(period)
    if welds is None:
        welds = (simple_weld("W-0101"), repaired_weld(), simple_weld("W-0118", line="LN-207"))
    return HandoverRecord(
        job=job,
        handover=Handover(
            number=number, revision=revision, period=found, dated=found.last, previous=previous, amends=amends
        ),
        welds=tuple(welds),
        people=PEOPLE,
        equipment=EQUIPMENT,
    )


@dataclass(frozen=True, kw_only=True)
class Firm:
    """A firm that seals: its signer and its root."""

    signer: Signer
    root: bytes
    fingerprint: str


@cache
def firm(folder: Path, name: str) -> Firm:
    """Make a firm's demonstration keys, once a folder."""
    new_organisation(name, f"{name} Signer", folder, PASSPHRASE, demo=True, now=NOW - timedelta(days=30))
    files = key_files(folder)
    return Firm(
        signer=load_signer(files.signer_p12, PASSPHRASE),
        root=files.root_pem.read_bytes(),
        fingerprint=files.fingerprint,
    )


def pack(
    record: HandoverRecord,
    destination: Path,
    contractor: Firm | None,
    *,
    form: Form = Form.FOLDER,
    further: dict[str, Firm] | None = None,
    segments_of: HandoverRecord | None = None,
    signed_at: datetime = NOW - timedelta(hours=2),
) -> Finished:
    """Write the package of a handover; ``segments_of`` lets the tables lie about another one."""
    name = layout.safe_name(record.handover.number)
    with PackageWriter.create(destination, name=name, form=form) as writer:
        files: list[IndexedFile] = []

        def keep(path: str, data: bytes, role: FileRole, **fields) -> None:
            entry = writer.add(path, data)
            files.append(IndexedFile(path=path, role=role, size_bytes=entry.size, sha512=entry.sha512, **fields))

        welds = []
        for weld in record.welds:
            identity = weld.weld.id
            path = layout.weld_record(identity.line, identity.number)
            keep(path, documents.write(weld, documents.WELD), FileRole.WELD_RECORD, weld=identity)
            for image in weld.radiographs:
                keep(
                    image.path,
                    image_bytes(image.id),
                    FileRole.RADIOGRAPH,
                    weld=identity,
                    radiograph=image.id,
                    delivered_as=image.delivered_as,
                    delivered_size_bytes=image.delivered_size_bytes,
                    delivered_sha512=image.delivered_sha512,
                    pixel_sha512=image.pixel_sha512,
                    restorable=image.restorable,
                )
            welds.append(indexed_weld(weld, path))
        for sheet in (LOG, SHEET):
            path = f"{layout.AS_DELIVERED}/{layout.safe_name(sheet)}"
            keep(path, f"{sheet} of {record.handover.number}".encode(), FileRole.SHEET, delivered_as=sheet)
        for path, value, kind, role in (
            (layout.TECHNIQUES_LIST, record.techniques, documents.TECHNIQUES, FileRole.TECHNIQUES),
            (layout.PEOPLE_LIST, record.people, documents.PEOPLE, FileRole.PEOPLE),
            (layout.EQUIPMENT_LIST, record.equipment, documents.EQUIPMENT, FileRole.EQUIPMENT),
            (layout.DECISIONS, record.decisions, documents.DECISIONS, FileRole.DECISIONS),
            (layout.FINDINGS, (), documents.FINDINGS, FileRole.FINDINGS),
        ):
            keep(path, documents.write(value, kind), role)
        job, handover = record.job, record.handover
        index = make_index(written_by="tests", job=job, handover=handover, welds=welds, files=files)
        segments = []
        for table, rows in tables(segments_of or record, index, ()).items():
            path = layout.catalog_table(table)
            keep(path, write_segment(rows), FileRole.SEGMENT)
            segments.append(Segment(table=table, path=path, rows=rows.num_rows))
        index = make_index(written_by="tests", job=job, handover=handover, welds=welds, files=files, segments=segments)
        keep(layout.METS, mets.write_mets(record, index), FileRole.METS)
        index = make_index(written_by="tests", job=job, handover=handover, welds=welds, files=files, segments=segments)
        writer.add(layout.INDEX, documents.write(index, INDEX))
        sealers = {**({"contractor": contractor} if contractor else {}), **(further or {})}

        def seal(tagmanifest: bytes) -> dict[str, bytes]:
            return {
                role: sign(tagmanifest, who.signer, role=role, commitment="origin", now=signed_at)
                for role, who in sealers.items()
            }

        return writer.finish(BagInfo(fields=(("External-Identifier", handover.number),)), sealer=seal)


@dataclass(frozen=True, kw_only=True)
class Yard:
    """An archive with its contractor, client and inspector, and a folder to put packages in."""

    folder: Path
    archive: Path
    contractor: Firm
    client: Firm
    inspector: Firm

    def pack(self, record: HandoverRecord, name: str = "", **fields) -> Path:
        """Pack a handover as the contractor does; return where it lies."""
        suffix = ".zip" if fields.get("form") is Form.ZIP else ""
        destination = self.folder / f"{name or layout.safe_name(record.handover.number)}{suffix}"
        return pack(record, destination, self.contractor, **fields).path


def make_yard(folder: Path, keys: Path) -> Yard:
    """Make an archive that trusts the contractor, the client and the inspector."""
    archive = folder / "archive"
    create_archive(archive, title="Vallmora heating archive", now=NOW)
    firms = {
        role: firm(keys / role, name)
        for role, name in (
            ("contractor", "Pellin and Oake Radiography"),
            ("client", "Vallmora Town Heating Works"),
            ("inspector", "Ostrel Inspection"),
        )
    }
    for role, who in firms.items():
        trust.add(archive / TRUST, role, who.root, who.fingerprint)
    return Yard(folder=folder, archive=archive, **firms)


def all_rows(archive: Path, names: Iterable[str]) -> dict[str, list[dict[str, object]]]:
    """Return every row of the catalog's tables, in an order of their own."""
    from beadroll.archive.catalog import Catalog

    catalog = Catalog(archive)
    return {
        name: sorted(catalog.rows(_everything(name), [name]), key=lambda row: repr(sorted(row.items())))
        for name in names
    }


def _everything(table: str) -> str:
    return f"SELECT * FROM {table}"  # noqa: S608 - the names of tables are ours
