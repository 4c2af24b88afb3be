"""The steps of a weld's history, made of the catalog's rows.

Knows which row is which kind of step and how the same step told by several handovers becomes one. A step that only a
replaced revision or an amended handover tells is kept and marked so. Refuses to know their order.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, tzinfo
from enum import StrEnum
from typing import Any, Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from beadroll.archive.catalog import Row, texts
from beadroll.archive.history_evidence import Evidence, Files, Key, Seal
from beadroll.archive.terms import name_of

Rows = Mapping[str, Sequence[Row]]


class StepKind(StrEnum):
    """What happened, in the word of the trade."""

    WELDED = "welded"
    SHOT = "shot"
    RESHOT = "reshot"
    READ = "read"
    ACCEPTED = "accepted"
    REJECTED = "rejected"
    UNUSABLE = "radiograph to be reshot"
    DECIDED = "decided"
    REPAIRED = "repaired"
    CUT_OUT = "cut out"
    REWELDED = "rewelded"
    SIGNED = "signed"
    AMENDED = "amended"
    HANDED_OVER = "handed over"
    RECEIVED = "received"
    ANSWERED = "answered"


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenIndication:
    """One indication of a reading. Places and lengths in mm along the weld from the datum."""

    code: str
    iso6520: str
    name: str
    position_mm: float | None
    length_mm: float | None
    size_mm: float | None
    remark: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One thing that happened, with all its evidence.

    ``event`` is the state of the weld it belongs to (``R1``), ``who`` the marks or names of those who did it, ``what``
    further facts as column -> text. ``told_by`` lists the handovers and revisions that say so; not ``current`` where
    none of them holds any more, and ``superseded_by`` then says what does. ``subject`` names the record itself.
    """

    kind: StepKind
    subject: str = ""
    day: date | None = None
    at: datetime | None = None
    event: str = ""
    segment: str = ""
    who: tuple[str, ...] = ()
    what: Mapping[str, str] = field(default_factory=dict)
    indications: tuple[SeenIndication, ...] = ()
    seals: tuple[Seal, ...] = ()
    evidence: tuple[Evidence, ...] = ()
    told_by: tuple[Key, ...] = ()
    current: bool = True
    superseded_by: str = ""


class Handovers(dict[Key, Row]):
    """The gate's rows of the handovers and revisions that speak of one weld: number and revision -> row."""

    @classmethod
    def of(cls, received: Iterable[Row], welds: Sequence[Row]) -> Handovers:
        """Take the gate's rows for a weld's rows."""
        told = {(row["handover"], row["revision"]) for row in welds}
        job = welds[0]["job"]
        made = cls()
        made.every = [row for row in received if row["job"] == job]
        for row in made.every:
            key = (row["handover"], row["revision"])
            if key in told:
                made[key] = row
        return made

    every: list[Row]
    """All handovers of the job, spoken of the weld or not, oldest first."""

    @property
    def gate(self) -> Mapping[Key, Row]:
        """The rows themselves."""
        return self

    def newest_revision(self, handover: str) -> int:
        """Return the newest revision of a handover in the archive, whether or not it still speaks of the weld."""
        return max(int(row["revision"]) for row in self.every if row["handover"] == handover)

    def current(self, key: Key) -> bool:
        """Say whether no later revision has replaced it."""
        return self.newest_revision(key[0]) == key[1]

    def place(self, key: Key) -> tuple[Any, ...]:
        """Return what handovers are ordered by: the days they cover, then when they came."""
        row = self[key]
        return row["period_last"], row["dated"], row["received_at"], key[1]

    def in_order(self, rows: Sequence[Row]) -> list[Row]:
        """Return a table's rows by handover, oldest first."""
        return sorted(rows, key=lambda row: self.place((row["handover"], row["revision"])))

    def newest(self, rows: Sequence[Row]) -> Row:
        """Return the row of the newest handover that still holds, or of the newest at all."""
        ordered = self.in_order(rows)
        holding = [row for row in ordered if self.current((row["handover"], row["revision"]))]
        return (holding or ordered)[-1]

    def zone(self, key: Key) -> tzinfo:
        """Return the job's time zone, UTC where it names none that is known."""
        try:
            return ZoneInfo(self[key]["time_zone"])
        except (ZoneInfoNotFoundError, ValueError):
            return ZoneInfo("UTC")


_EVENT_KINDS: Final = {
    "welded": StepKind.WELDED,
    "repair": StepKind.REPAIRED,
    "cut_out": StepKind.CUT_OUT,
    "reweld": StepKind.REWELDED,
}
_RESULT_KINDS: Final = {"ACC": StepKind.ACCEPTED, "REJ": StepKind.REJECTED, "RS": StepKind.UNUSABLE}
_HANDOVER_COLUMNS: Final = frozenset({"job", "handover", "revision", "line", "number", "line_key", "weld_key"})


def steps_of(rows: Rows, amendments: Sequence[Row], handovers: Handovers, files: Files) -> tuple[Step, ...]:
    """Return all steps of a weld, in no order."""
    maker = _Maker(rows, amendments, handovers, files)
    return (
        *maker.merged(rows["events"], maker.event),
        *maker.merged(maker.shots(), maker.shot),
        *maker.merged(maker.readings(), maker.reading),
        *maker.merged(rows["dispositions"], maker.disposition),
        *maker.merged(rows["signoffs"], maker.sign_off),
        *maker.handing_over(),
        *maker.amended(),
    )


class _Maker:
    """Makes steps of rows, one table after another."""

    def __init__(self, rows: Rows, amendments: Sequence[Row], handovers: Handovers, files: Files) -> None:
        self.rows = rows
        self.amendments = [row for row in amendments if handovers.current((row["handover"], row["revision"]))]
        self.handovers = handovers
        self.files = files
        self.paths = {(row["handover"], row["revision"]): row["path"] for row in rows["welds"]}

    def merged(self, rows: Iterable[Row], make: Callable[[Row, Key], Step]) -> Iterator[Step]:
        """Make one step of all rows that say the same, the newest telling giving the evidence first."""
        groups: dict[str, list[Row]] = {}
        for row in self.handovers.in_order(list(rows)):
            groups.setdefault(_content(row), []).append(row)
        for same in groups.values():
            keys = tuple((row["handover"], row["revision"]) for row in same)
            newest = same[-1]
            step = make(newest, keys[-1])
            current, superseded_by = self._holds(keys)
            yield replace(step, told_by=keys, current=current, superseded_by=superseded_by)

    def _holds(self, keys: Sequence[Key]) -> tuple[bool, str]:
        amended = {row["amended_handover"]: row for row in self.amendments}
        reasons = []
        for key in keys:
            if not self.handovers.current(key):
                reasons.append(f"{key[0]} revision {self.handovers.newest_revision(key[0])}")
            elif key[0] in amended and amended[key[0]]["handover"] != key[0]:
                reasons.append(f"{amended[key[0]]['handover']}")
            else:
                return True, ""
        return False, reasons[-1] if reasons else ""

    # ------------------------------------------------------------------------------------------ one row, one step

    def event(self, row: Row, key: Key) -> Step:
        return Step(
            kind=_EVENT_KINDS.get(row["kind"], StepKind.WELDED),
            day=row["happened_on"],
            event=row["label"],
            who=texts(row, "stencils"),
            what=_what(row, ("wps", "remark")),
            evidence=self._evidence(row, key),
        )

    def shots(self) -> Iterator[Row]:
        """Give exposures with their radiographs; a radiograph whose exposure is not told of makes its own."""
        images: dict[tuple[Any, ...], list[Row]] = {}
        for row in self.rows["radiographs"]:
            images.setdefault((row["handover"], row["revision"], row["exposure"]), []).append(row)
        for row in self.rows["exposures"]:
            mine = images.pop((row["handover"], row["revision"], row["exposure"]), [])
            yield {**row, "images": sorted(mine, key=lambda image: image["radiograph"])}
        for (handover, revision, exposure), mine in images.items():
            yield {
                "handover": handover,
                "revision": revision,
                "exposure": exposure,
                "event": mine[0]["event"],
                "images": mine,
            }

    def shot(self, row: Row, key: Key) -> Step:
        images: list[Row] = row["images"]
        again = bool(row["event"]) or any(image["supersedes"] for image in images)
        at: datetime | None = row.get("exposed_at")
        columns = ("technique", "source", "detector", "crew", "activity_ci", "tube_kv", "exposure_s", "sfd_mm")
        what = _what(row, columns)
        superseded = sorted({image["supersedes"] for image in images if image["supersedes"]})
        if superseded:
            what["in_place_of"] = ", ".join(superseded)
        return Step(
            kind=StepKind.RESHOT if again else StepKind.SHOT,
            subject=row["exposure"],
            day=row.get("exposed_on") or (at.astimezone(self.handovers.zone(key)).date() if at else None),
            at=at,
            event=row["event"],
            segment=", ".join(dict.fromkeys(image["segment"] for image in images if image["segment"])),
            who=tuple(each for each in (row.get("radiographer", ""),) if each),
            what=what,
            evidence=(
                *(self.files.file(key, image["path"], sha512=image["sha512"]) for image in images if image["path"]),
                *self._evidence(row, key),
            ),
        )

    def readings(self) -> Iterator[Row]:
        """Give interpretations with their indications."""
        seen: dict[tuple[Any, ...], list[Row]] = {}
        for row in self.rows["indications"]:
            seen.setdefault((row["handover"], row["revision"], row["interpretation"]), []).append(row)
        for row in self.rows["interpretations"]:
            mine = seen.get((row["handover"], row["revision"], row["interpretation"]), [])
            yield {**row, "seen": sorted(mine, key=lambda each: each["sequence"])}

    def reading(self, row: Row, key: Key) -> Step:
        columns = (
            "report",
            "radiograph",
            "result",
            "technique",
            "iqi_required",
            "iqi_seen",
            "density_min",
            "density_max",
            "film_count",
            "remark",
        )
        return Step(
            kind=_RESULT_KINDS.get(row["result"], StepKind.READ),
            subject=row["interpretation"],
            day=row["read_on"],
            event=row["event"],
            segment=row["segment"],
            who=tuple(each for each in (row["interpreter"],) if each),
            what=_what(row, columns),
            indications=tuple(
                SeenIndication(
                    code=each["code"],
                    iso6520=each["iso6520"],
                    name=name_of(each["iso6520"]),
                    position_mm=each["position_mm"],
                    length_mm=each["length_mm"],
                    size_mm=each["size_mm"],
                    remark=each["remark"],
                )
                for each in row["seen"]
            ),
            evidence=self._evidence(row, key),
        )

    def disposition(self, row: Row, key: Key) -> Step:
        return Step(
            kind=StepKind.DECIDED,
            day=row["decided_on"],
            event=self._state_of_reading(row),
            who=tuple(each for each in (row["decided_by"],) if each),
            what={"decision": row["kind"], **_what(row, ("interpretation", "reference")), "leads_to": row["event"]},
            evidence=self._evidence(row, key),
        )

    def _state_of_reading(self, row: Row) -> str:
        return next(
            (each["event"] for each in self.rows["interpretations"] if each["interpretation"] == row["interpretation"]),
            "",
        )

    def sign_off(self, row: Row, key: Key) -> Step:
        return Step(
            kind=StepKind.SIGNED,
            day=row["signed_on"] or (row["signed_at"].date() if row["signed_at"] else None),
            at=row["signed_at"],
            who=tuple(each for each in (row["person"],) if each),
            what=_what(row, ("role", "document")),
            evidence=self._evidence(row, key),
        )

    # -------------------------------------------------------------------------------------------- whole handovers

    def handing_over(self) -> Iterator[Step]:
        for key, row in self.handovers.items():
            current, superseded_by = self._holds([key])
            seals = self.files.seals(key)
            common: dict[str, Any] = {"told_by": (key,), "current": current, "superseded_by": superseded_by}
            named = {"handover": key[0], "revision": str(key[1])}
            yield Step(
                kind=StepKind.HANDED_OVER,
                subject=key[0],
                day=row["dated"],
                who=(row["contractor"],),
                what=named,
                seals=seals,
                evidence=(self.files.whole(key), self.files.file(key, self.paths[key])),
                **common,
            )
            received: datetime = row["received_at"]
            local = received.astimezone(self.handovers.zone(key)).date()
            yield Step(kind=StepKind.RECEIVED, subject=key[0], day=local, at=received, what=named, **common)
            for receipt in self.files.receipts(key):
                reasons = "; ".join(f"{weld}: {why}" if weld else why for weld, why in receipt.reasons)
                yield Step(
                    kind=StepKind.ANSWERED,
                    subject=key[0],
                    day=receipt.at.astimezone(self.handovers.zone(key)).date(),
                    at=receipt.at,
                    who=(receipt.by,),
                    what={**named, "result": receipt.result, **({"reasons": reasons} if reasons else {})},
                    evidence=(receipt.evidence,),
                    **common,
                )

    def amended(self) -> Iterator[Step]:
        for row in self.amendments:
            key = (row["handover"], row["revision"])
            yield Step(
                kind=StepKind.AMENDED,
                subject=row["amended_handover"],
                day=self.handovers[key]["dated"] if key in self.handovers else None,
                what={"handover": row["handover"], "amends": row["amended_handover"], "reason": row["reason"]},
                told_by=(key,),
            )

    def _evidence(self, row: Row, key: Key) -> tuple[Evidence, ...]:
        """Return the sheets a row was read from, and the record that holds it."""
        sheets = [self.files.sheet(key, address) for address in texts(row, "stated_at")] if "stated_at" in row else []
        found = tuple(sheet for sheet in sheets if sheet is not None)
        return found or (self.files.file(key, self.paths[key]),)


def _content(row: Row) -> str:
    """Return what a row says, without who says it: rows of two handovers that agree give the same text."""
    return repr(_bare(row))


_TOLD_ANEW: Final = frozenset({"stated_at", "path", "preview", "sequence"})


def _bare(value: Any) -> Any:
    if isinstance(value, list):
        return [_bare(each) for each in value]
    if isinstance(value, dict):
        return [(n, _bare(v)) for n, v in sorted(value.items()) if n not in _HANDOVER_COLUMNS and n not in _TOLD_ANEW]
    return value


def _what(row: Row, columns: Iterable[str]) -> dict[str, str]:
    found = {name: row.get(name) for name in columns}
    return {name: _said(value) for name, value in found.items() if value not in (None, "")}


def _said(value: Any) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)
