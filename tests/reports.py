"""A handover in memory for pages and sheets: one weld shot, rejected, repaired, shot again and accepted, and others."""

from __future__ import annotations

import io
import json
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

from PIL import Image

from beadroll.findings import Report, finding
from beadroll.package import layout
from beadroll.package.index import FileRole, Index, IndexedFile, indexed_weld, make_index
from beadroll.record.handover import HandoverRecord
from beadroll.record.interpretation import Disposition, DispositionKind, Indication, Interpretation, Result
from beadroll.record.people import Person, Role, SignOff
from beadroll.record.radiograph import Exposure, Radiograph
from beadroll.record.weld import EventKind, Standing, WeldEvent, WeldId, WeldRecord
from tests.tools import need
from tests.weeks import week, weld

LONG_NUMBER = "W-0117-" + "0123456789" * 6
FOREIGN = "Ěščřžýáíé Łukasz Ñúñez-Ķőrösi Αλέξανδρος Журавлёв"


def preview(seed: int) -> bytes:
    made = io.BytesIO()
    Image.linear_gradient("L").resize((160, 64 + seed % 5)).save(made, "JPEG")
    return made.getvalue()


def repaired(number: str = "W-0117") -> WeldRecord:
    """Rejected on Tuesday in 1-2, repaired on Wednesday, shot again and accepted on Thursday."""
    made = weld(number, day=0)
    rejected = replace(
        made.interpretations[1],
        result=Result.REJ,
        report="RS-1",
        read_on=date(2031, 4, 1),
        indications=(Indication(code="IP", iso6520="4021", position_mm=452, length_mm=34),),
    )
    readings = (made.interpretations[0], rejected, made.interpretations[2])
    again = Interpretation(
        id="IR1",
        report="RS-2",
        radiograph="R1A",
        event="R1",
        segment="1-2",
        interpreter="AK",
        read_on=date(2031, 4, 3),
        result=Result.ACC,
    )
    return replace(
        made,
        events=(*made.events, WeldEvent(kind=EventKind.REPAIR, label="R1", on=date(2031, 4, 2), stencils=("7K",))),
        exposures=(
            *made.exposures,
            Exposure(id="E4", event="R1", technique="RT-07", exposed_at=datetime(2031, 4, 3, 9, 0, tzinfo=UTC)),
        ),
        radiographs=(
            *made.radiographs,
            Radiograph(id="R1A", exposure="E4", event="R1", segment="1-2", supersedes="R2"),
        ),
        interpretations=(*readings, again),
        dispositions=(
            Disposition(
                kind=DispositionKind.REPAIR, interpretation=rejected.id, event="R1", on=date(2031, 4, 1), by="AK"
            ),
        ),
        sign_offs=(SignOff(role=Role.REVIEWER, person="AK", on=date(2031, 4, 4), document="RS-2"),),
    )


def placed(record: WeldRecord) -> WeldRecord:
    """The record with radiographs and previews where a package has them."""
    folder = layout.weld_folder(record.weld.id.line, record.weld.id.number)
    films = tuple(
        replace(
            film,
            path=f"{folder}/radiographs/{layout.safe_name(film.id)}.dcm",
            preview=f"{folder}/previews/{layout.safe_name(film.id)}.jpg",
            delivered_as=f"crews/A/{film.id}.tif",
            rows=500,
            columns=1250,
        )
        for film in record.radiographs
    )
    return replace(record, radiographs=films)


def story(*others: WeldRecord, welds: int = 2) -> HandoverRecord:
    """A handover with the repaired weld among others."""
    made = week(welds)
    every = sorted((*made.welds, repaired(), *others), key=lambda each: each.weld.id)
    return replace(made, welds=tuple(map(placed, every)))


def index_of(record: HandoverRecord, data: dict[str, tuple[int, str]] | None = None) -> Index:
    """The index of a record; ``data`` gives size and digest of files that exist."""
    rows = [indexed_weld(each, layout.weld_record(each.weld.id.line, each.weld.id.number)) for each in record.welds]
    known = data or {}
    files = [(each.path, FileRole.WELD_RECORD) for each in rows]
    for each in record.welds:
        for film in each.radiographs:
            files += [(film.path, FileRole.RADIOGRAPH), (film.preview, FileRole.PREVIEW)]
    return make_index(
        written_by="beadroll 0",
        job=record.job,
        handover=record.handover,
        welds=rows,
        files=[
            IndexedFile(
                path=path, role=role, size_bytes=known.get(path, (1, ""))[0], sha512=known.get(path, (1, "0" * 128))[1]
            )
            for path, role in files
        ],
    )


def found() -> Report:
    return Report(findings=(finding("ASM-LOSSY", "crews/A/R1.tif"),))


def hostile(text: str) -> HandoverRecord:
    """A handover whose every free text is ``text``."""
    made = story(welds=0)
    (record,) = made.welds
    record = placed(
        replace(
            record,
            weld=replace(
                record.weld,
                id=WeldId(job="VTH", line=text, number=text),
                as_marked=(text,),
                drawing=text,
                spool=text,
                location=text,
                nps=text,
                material=text,
                wps=text,
                remark=text,
                heats=(text,),
            ),
            standing=Standing.ACCEPTED,
            events=tuple(replace(each, stencils=(text,), wps=text, remark=text) for each in record.events),
            exposures=tuple(
                replace(each, technique=text, source=text, radiographer=text, crew=text) for each in record.exposures
            ),
            radiographs=tuple(replace(each, segment=text, iso14096_class=text) for each in record.radiographs),
            interpretations=tuple(
                replace(
                    each,
                    report=text,
                    interpreter=text,
                    segment=text,
                    remark=text,
                    iqi_seen=text,
                    indications=(Indication(code=text, remark=text),),
                )
                for each in record.interpretations
            ),
            dispositions=tuple(replace(each, by=text, reference=text) for each in record.dispositions),
            sign_offs=tuple(replace(each, person=text, document=text) for each in record.sign_offs),
        )
    )
    job = replace(
        made.job, client=text, contractor=text, contract=text, title=text, retention=text, required_roles=(text,)
    )
    handover = replace(made.handover, number=text)
    people = (Person(id=text, name=text, stencil=text),)
    return replace(made, job=job, handover=handover, people=people, welds=(record,))


def text_of(pdf: bytes, folder: Path, *options: str) -> str:
    """The text of a PDF as another program reads it."""
    path = folder / "sheet.pdf"
    path.write_bytes(pdf)
    done = subprocess.run(
        [need("pdftotext"), *options, str(path), "-"], capture_output=True, check=True, text=True, encoding="utf-8"
    )
    return done.stdout


def record_in(page: bytes) -> dict:
    """The JSON block of a page."""
    block = page.decode().partition('<script id="record" type="application/json">')[2].partition("</script>")[0]
    return json.loads(block)


def python(code: str, **environment: str) -> bytes:
    """What a fresh Python prints, with its own order of hashes."""
    return subprocess.run(
        [sys.executable, "-c", code], capture_output=True, check=True, env={"PATH": "/usr/bin:/bin", **environment}
    ).stdout
