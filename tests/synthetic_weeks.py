"""Large synthetic weeks with honest mess, and faults planted in them, for measuring reconciliation.

Everything comes from one seed. The honest part: crews with their own ways of naming files and filling headers, some
with no header at all, clocks that tell the order or do not, welds shot out of turn, shots after midnight, sheets that
count films by line, weld or not at all. The planted part: one kind of fault after another on welds apart from each
other, each with what it touches and whether it leaves any trace in the evidence.
"""

from __future__ import annotations

import random
from collections import defaultdict
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta

from beadroll.handover.stages import DeliveredFile, DeliveredRadiograph, Gathered, ReaderLine, WeldLogRow
from beadroll.record.interpretation import Result
from beadroll.record.job import Line
from tests import jobs

Key = tuple[str, str, str, str]


@dataclass
class Shot:
    """One image as it truly is, and all that is written about it."""

    line: str
    number: str
    event: str
    segment: str
    crew: str
    on: date
    at: datetime
    result: Result = Result.ACC
    disposition: str = ""
    # what the image says of itself; a plant may falsify it
    says_line: str = ""
    says_number: str = ""
    says_event: str = ""
    says_segment: str = ""
    header_number: str = ""
    header_segment: str = ""
    content: int = 0
    delivered: bool = True
    on_sheet: bool = True
    sheet_number: str = ""
    sheet_event: str | None = None
    count_off: int = 0
    name_tail: str = ""
    path: str = ""
    cell: str = ""
    count_cell: str = ""
    order_known: bool = False
    mute: bool = False
    timeless: bool = False

    @property
    def key(self) -> Key:
        return self.line, self.number, self.event, self.segment


@dataclass
class Plant:
    """One planted fault: its kind, the shots it touches, whether the evidence shows it."""

    kind: str
    shots: list[Shot]
    trace: bool = True
    log_numbers: list[tuple[str, str]] = field(default_factory=list)
    touched: set[str] = field(default_factory=set)


@dataclass
class Style:
    """A crew's ways."""

    name: Callable[[Shot], str]
    header: str
    clock: str
    sheet_number: Callable[[Shot], str]
    counts: str
    names_line: bool
    folder_per_weld: bool


@dataclass
class Week:
    """A week to reconcile, and the truth about it."""

    gathered: Gathered
    truth: dict[str, Key]
    copies: set[str]
    plants: list[Plant]
    same: tuple[tuple[str, ...], ...]


def _digits(number: str) -> str:
    return number.split("-")[1]


NAMES: dict[str, tuple[Callable[[Shot], str], bool]] = {
    "full": (lambda s: f"{s.says_line.replace('-', '')}_{s.says_number}{s.says_event}_{s.says_segment}", True),
    "glued": (lambda s: f"{s.says_line}_{s.says_number.replace('-', '')}_{s.says_event or ''}_{s.says_segment}", True),
    "plain": (lambda s: f"{s.says_number}{s.says_event}_{s.says_segment}", False),
    "lower": (
        lambda s: (
            f"{s.says_number.replace('-', '').lower()}{' ' + s.says_event.lower() if s.says_event else ''} "
            f"({s.says_segment})"
        ),
        False,
    ),
    "underscored": (
        lambda s: f"{s.says_number.replace('-', '_')}{s.says_event}_{s.says_segment.replace('-', '_')}",
        False,
    ),
    "dated": (lambda s: f"{s.on:%Y%m%d}_{s.says_line}_{s.says_number}_{s.says_event}_{s.says_segment}", True),
    "bare": (lambda s: f"{_digits(s.says_number)}{s.says_event}_{s.says_segment}", False),
}
SHEET_NUMBERS: tuple[Callable[[Shot], str], ...] = (
    lambda s: s.sheet_number + _sheet_event(s),
    lambda s: (s.sheet_number + " " + _sheet_event(s)).strip().lower(),
    lambda s: s.sheet_number.replace("-", "") + _sheet_event(s),
)


def _sheet_event(s: Shot) -> str:
    return s.event if s.sheet_event is None else s.sheet_event


def build(seed: int, *, welds: int = 500, per_kind: int = 3, kinds: tuple[str, ...] | None = None) -> Week:
    """Make a week of so many welds; ``per_kind`` faults of each kind, 0 for an honest week."""
    return _Maker(random.Random(seed), welds, per_kind, kinds).week()  # noqa: S311 - a seeded test


class _NoneLeftError(Exception):
    """No shot of this week is fit for a kind of fault."""


class _Maker:
    def __init__(self, rng: random.Random, welds: int, per_kind: int, kinds) -> None:
        self.rng = rng
        self.welds = welds
        self.per_kind = per_kind
        self.kinds = kinds
        self.plants: list[Plant] = []
        self.used: set[tuple[str, str]] = set()
        self.log: dict[tuple[str, str], dict] = {}
        self.content = 0

    def week(self) -> Week:
        self._lay_out()
        self._write_styles()
        for shot in self.shots:
            self._says_truth(shot)
        if self.per_kind:
            for kind, plant in PLANTS.items():
                if self.kinds is None or kind in self.kinds:
                    for _ in range(self.per_kind):
                        with suppress(_NoneLeftError):
                            plant(self, kind)
        return self._write()

    # --- honest work -------------------------------------------------------------------------------------------

    def _lay_out(self) -> None:
        rng = self.rng
        self.lines = [f"LN-{n}" for n in rng.sample(range(201, 240), rng.choice((1, 2, 2, 3, 4)))]
        self.overlapping = len(self.lines) > 1 and rng.random() < 0.25
        self.crews = ["A", "B", "C"][: rng.choice((2, 2, 3))]
        start = rng.choice((101, 101, 301, 1, 840))
        each = self.welds // len(self.lines)
        self.shots: list[Shot] = []
        todo: dict[tuple[str, int], list[list[Shot]]] = defaultdict(list)
        for nth, line in enumerate(self.lines):
            segments = rng.choice(
                (jobs.SEGMENTS, jobs.SEGMENTS, jobs.SEGMENTS, ("0-1", "1-2", "2-3", "3-0"), ("0-1", "1-0"))
            )
            first = start if self.overlapping else start + nth * each
            for n in range(each):
                number = f"W-{first + n:04d}"
                welded = jobs.MONDAY + timedelta(days=min(4, n * 5 // each))
                crew = self.crews[(nth + n * 2 // each) % len(self.crews)]
                day = min(5, (welded - jobs.MONDAY).days + 1)
                self.log[line, number] = {"welded_on": welded}
                self._weld(todo, line, number, segments, crew, day)
            for n in range(15):  # welded earlier, or not shot yet
                number = (
                    f"W-{first + each + n:04d}"
                    if nth == len(self.lines) - 1 or self.overlapping
                    else f"W-{7000 + nth * 100 + n}"
                )
                self.log.setdefault((line, number), {"welded_on": jobs.MONDAY + timedelta(days=5)})
        for (_, day), welds in sorted(todo.items()):
            at = datetime(2031, 3, 31, 7, 0, tzinfo=UTC) + timedelta(days=day)
            order = self._out_of_turn(welds)
            for shot in order:
                at += timedelta(seconds=rng.randint(100, 200))
                shot.at = at
                self.shots.append(shot)

    def _weld(self, todo, line, number, segments, crew, day) -> None:
        rng = self.rng
        on = jobs.MONDAY + timedelta(days=day)
        shots = [Shot(line, number, "", s, crew, on, datetime.now(UTC)) for s in segments]
        todo[crew, day].append(shots)
        roll = rng.random()
        if roll < 0.04 and day <= 3:
            bad = rng.choice(shots)
            bad.result, bad.disposition = Result.REJ, rng.choice(("repair R1", "R1", ""))
            self.log[line, number]["repaired_on"] = on + timedelta(days=1)
            later = on + timedelta(days=2)
            todo[crew, day + 2].append([Shot(line, number, "R1", bad.segment, crew, later, datetime.now(UTC))])
        elif roll < 0.06 and day <= 4:
            bad = rng.choice(shots)
            bad.result, bad.disposition = Result.RS, rng.choice(("reshoot", ""))
            later = on + timedelta(days=1)
            todo[crew, day + 1].append([Shot(line, number, "RS1", bad.segment, crew, later, datetime.now(UTC))])
        elif roll < 0.066 and day <= 3:
            shots[0].result, shots[0].disposition = Result.REJ, "cut out"
            self.log[line, number]["cut_out_on"] = on + timedelta(days=1)
            new = f"{number}RW1"
            self.log[line, new] = {"welded_on": on + timedelta(days=1), "replaces": number}
            later = on + timedelta(days=2)
            todo[crew, day + 2].append([Shot(line, new, "", s, crew, later, datetime.now(UTC)) for s in segments])

    def _out_of_turn(self, welds: list[list[Shot]]) -> list[Shot]:
        """Crews shoot weld after weld, now and then in another order, now and then one segment much later."""
        rng = self.rng
        welds = list(welds)
        for i in range(len(welds) - 1):
            if rng.random() < 0.05:
                welds[i], welds[i + 1] = welds[i + 1], welds[i]
        order = []
        for weld in welds:
            shots = list(weld)
            if rng.random() < 0.05:
                rng.shuffle(shots)
            order += shots
        for i in range(len(order)):
            if rng.random() < 0.004:
                shot = order.pop(i)
                order.insert(min(len(order), i + rng.randint(4, 25)), shot)
        return order

    def _write_styles(self) -> None:
        rng = self.rng
        names = list(NAMES) if len(self.lines) == 1 or not self.overlapping else ["full", "glued", "dated"]
        self.styles = {}
        for crew in self.crews:
            name, names_line = NAMES[rng.choice(names)]
            self.styles[crew] = Style(
                name=name,
                header=rng.choice(("full", "full", "component", "none", "description")),
                clock=rng.choice(("header", "header", "header", "written", "copied")),
                sheet_number=rng.choice(SHEET_NUMBERS),
                counts=rng.choice(("line", "weld", "none", "sheet")),
                names_line=names_line,
                folder_per_weld=rng.random() < 0.2,
            )

    def _says_truth(self, shot: Shot) -> None:
        shot.says_line, shot.says_number = shot.line, shot.number
        shot.says_event, shot.says_segment = shot.event, shot.segment
        shot.header_number = ""
        shot.sheet_number = shot.number
        self.content += 1
        shot.content = self.content
        style = self.styles[shot.crew]
        shot.mute = self.rng.random() < 0.02
        shot.timeless = self.rng.random() < 0.02
        shot.order_known = style.clock == "written" or (
            style.clock == "header" and style.header != "none" and not shot.timeless
        )

    # --- planting ----------------------------------------------------------------------------------------------

    def pick(self, wanted: Callable[[Shot], bool] = lambda _: True) -> Shot:
        """A shot of a weld that no fault has touched yet."""
        for _ in range(20_000):
            shot = self.rng.choice(self.shots)
            if (
                (shot.line, shot.number) not in self.used
                and not shot.event
                and "RW" not in shot.number
                and wanted(shot)
            ):
                self.used.add((shot.line, shot.number))
                return shot
        raise _NoneLeftError

    def _lone(self, shot: Shot) -> bool:
        """Neither a reweld nor cut out for one: what befalls those shows on both welds."""
        return "RW" not in shot.number and (shot.line, f"{shot.number}RW1") not in self.log

    def claim(self, line: str, number: str) -> list[Shot]:
        self.used.add((line, number))
        return [s for s in self.shots if (s.line, s.number) == (line, number)]

    def transposed(self, number: str) -> str:
        """The number with two different digits changed round, adjacent ones mostly."""
        digits = list(_digits(number))
        pairs = [(i, i + 1) for i in range(3)] * 3 + [(0, 2), (1, 3), (0, 3)]
        self.rng.shuffle(pairs)
        for i, j in pairs:
            if digits[i] != digits[j]:
                digits[i], digits[j] = digits[j], digits[i]
                return f"W-{''.join(digits)}"
        return number

    # --- writing -----------------------------------------------------------------------------------------------

    def _write(self) -> Week:
        radiographs, truth, by_content = [], {}, defaultdict(list)
        taken: set[str] = set()
        for shot in self.shots:
            if shot.delivered:
                radiographs.append(self._radiograph(shot, taken))
                truth[shot.path] = shot.key
                by_content[shot.content].append(shot)
        lines = self._sheets()
        log = self._log()
        copies = {s.path for group in by_content.values() for s in group[1:]}
        for group in by_content.values():
            for copy in group[1:]:
                truth[copy.path] = group[0].key
        for plant in self.plants:
            for shot in plant.shots:
                plant.touched |= {t for t in (shot.path, shot.cell, shot.count_cell) if t}
            plant.touched |= {self.log_cells[k] for k in plant.log_numbers if k in self.log_cells}
        # Every image and line of a weld whose papers a plant falsified counts as touched by it.
        self.rng.shuffle(radiographs)
        of = jobs.job(lines=tuple(Line(id=line) for line in self.lines))
        return Week(
            gathered=jobs.gathered(log, lines, radiographs, of=of),
            truth=truth,
            copies=copies,
            plants=self.plants,
            same=tuple(tuple(sorted(s.path for s in g)) for g in by_content.values() if len(g) > 1),
        )

    def _radiograph(self, shot: Shot, taken: set[str]) -> DeliveredRadiograph:
        style = self.styles[shot.crew]
        dicom = style.header != "none"
        stem = style.name(shot) + shot.name_tail
        folder = f"crews/{shot.crew}/{shot.on.isoformat()}"
        if style.folder_per_weld:
            folder += f"/{shot.says_line}/{shot.says_number}{shot.says_event}"
        path = f"{folder}/{stem}.{'dcm' if dicom else 'tif'}"
        n = 1
        while path in taken:
            n += 1
            path = f"{folder}/{stem}_{chr(96 + n)}.{'dcm' if dicom else 'tif'}"
        taken.add(path)
        shot.path = path
        header = {} if shot.mute else self._header(shot, style)
        if style.clock == "header" and dicom:
            header |= {"acquisition_date": f"{shot.at:%Y%m%d}", "acquisition_time": f"{shot.at:%H%M%S}"}
            if shot.timeless:
                header.pop("acquisition_time")
        written = 1_932_000_000 * 10**9 if style.clock == "copied" else int(shot.at.timestamp()) * 10**9
        file = DeliveredFile(path=path, size_bytes=50_640, modified_ns=written, crew=shot.crew, on=shot.on)
        return DeliveredRadiograph(file=file, facts=jobs.facts(header, container="dicom" if dicom else "tiff"))

    def _header(self, shot: Shot, style: Style) -> dict[str, str]:
        number = shot.header_number or shot.says_number + shot.says_event
        segment = shot.header_segment or shot.says_segment
        if style.header == "full":
            return {"component_name": f"{shot.says_line} {number}^", "series_description": segment}
        if style.header == "component":
            return {"component_id": number, "study_id": str(self.rng.randint(1, 9999)), "operator": "TRE"}
        if style.header == "description":
            return {"study_description": f"{shot.says_line} {number} {segment}", "accession_number": "4711"}
        return {}

    def _sheets(self) -> list[ReaderLine]:
        lines: list[ReaderLine] = []
        by_report: dict[tuple[str, date], list[Shot]] = defaultdict(list)
        for shot in self.shots:
            if shot.on_sheet:
                by_report[shot.crew, shot.on].append(shot)
        for (crew, on), shots in by_report.items():
            style = self.styles[crew]
            listed: dict[tuple[str, str, str], int] = defaultdict(int)
            for s in shots:
                listed[s.line, s.number, s.event] += 1
            for row, shot in enumerate(shots, 2):
                count = {
                    "line": 1,
                    "weld": listed[shot.line, shot.number, shot.event],
                    "sheet": len(shots),
                    "none": None,
                }[style.counts]
                if shot.count_off:
                    count = (count or 1) + shot.count_off
                made = jobs.reader_line(
                    style.sheet_number(shot),
                    shot.segment,
                    row,
                    line=shot.line if style.names_line or self.overlapping else "",
                    crew=crew,
                    on=on,
                    result=shot.result,
                    disposition=shot.disposition,
                    film_count=count,
                )
                shot.cell, shot.count_cell = str(made.at["number"]), str(made.at["film_count"])
                lines.append(made)
        return lines

    def _log(self) -> list[WeldLogRow]:
        self.log_cells: dict[tuple[str, str], str] = {}
        rows = []
        for n, ((line, number), stated) in enumerate(sorted(self.log.items()), 2):
            values = dict(stated)
            written = values.pop("written", number)
            if values.pop("missing", False):
                continue
            row = jobs.log_row(written, n, line=line, **values)
            self.log_cells[line, number] = str(row.at["number"])
            rows.append(row)
        return rows


# --- kinds of fault ----------------------------------------------------------------------------------------------


def _victims(maker: _Maker, shot: Shot, number: str) -> list[Shot]:
    for line in maker.lines:
        maker.used.add((line, number))
    return [s for s in maker.shots if s.number == number and s.segment == shot.segment]


def _transposed_image(maker: _Maker, kind: str) -> None:
    shot = maker.pick()
    wrong = maker.transposed(shot.number)
    shot.says_number = wrong
    maker.plants.append(Plant(kind, [shot, *_victims(maker, shot, wrong)]))


def _mistyped_image(maker: _Maker, kind: str) -> None:
    """One digit typed wrongly, in header and name alike."""
    shot = maker.pick()
    digits = list(_digits(shot.number))
    at = maker.rng.randrange(1, len(digits))
    digits[at] = maker.rng.choice([d for d in "0123456789" if d != digits[at]])
    wrong = f"W-{''.join(digits)}"
    shot.says_number = wrong
    maker.plants.append(Plant(kind, [shot, *_victims(maker, shot, wrong)]))


def _transposed_header(maker: _Maker, kind: str) -> None:
    shot = maker.pick(lambda s: maker.styles[s.crew].header != "none" and not s.mute)
    wrong = maker.transposed(shot.number)
    shot.header_number = wrong
    maker.plants.append(Plant(kind, [shot, *_victims(maker, shot, wrong)]))


def _transposed_sheet(maker: _Maker, kind: str) -> None:
    shot = maker.pick()
    wrong = maker.transposed(shot.number)
    shot.sheet_number = wrong
    maker.plants.append(Plant(kind, [shot, *_victims(maker, shot, wrong)]))


def _transposed_log(maker: _Maker, kind: str) -> None:
    shot = maker.pick(lambda s: (s.line, maker.transposed(s.number)) not in maker.log or True)
    wrong = maker.transposed(shot.number)
    maker.log[shot.line, shot.number]["written"] = wrong
    shots = maker.claim(shot.line, shot.number) + [s for line in maker.lines for s in maker.claim(line, wrong)]
    maker.plants.append(Plant(kind, shots, log_numbers=[(shot.line, shot.number), (shot.line, wrong)]))


def _omitted_image(maker: _Maker, kind: str) -> None:
    shot = maker.pick()
    shot.delivered = False
    maker.plants.append(Plant(kind, [shot]))


def _omitted_line(maker: _Maker, kind: str) -> None:
    shot = maker.pick()
    shot.on_sheet = False
    maker.plants.append(Plant(kind, [shot, *(s for s in maker.claim(shot.line, shot.number) if s is not shot)]))


def _attached_twice(maker: _Maker, kind: str) -> None:
    shot = maker.pick()
    copy = replace(shot, on_sheet=False, name_tail="_copy")
    maker.shots.append(copy)
    maker.plants.append(Plant(kind, [shot, copy]))


def _copied_as_other(maker: _Maker, kind: str) -> None:
    shot = maker.pick()
    other = maker.pick()
    other.content = shot.content
    maker.plants.append(Plant(kind, [shot, other]))


def _exchange(one: Shot, other: Shot, names: tuple[str, ...]) -> None:
    for name in names:
        a, b = getattr(one, name), getattr(other, name)
        setattr(one, name, b)
        setattr(other, name, a)


_SAYS = ("says_line", "says_number", "says_event", "says_segment")


def _swapped_wholly(maker: _Maker, kind: str) -> None:
    """Header and name swapped: only the order shows it, and only where a weld has more than one image to lie among."""
    one = maker.pick()
    day = [s for s in maker.shots if (s.crew, s.on) == (one.crew, one.on) and not s.event]
    here = day.index(one)
    near = [
        s
        for s in day[max(0, here - 12) : here + 13]
        if s.number != one.number
        and (s.line, s.number) not in maker.used
        and s.segment == one.segment
        and s.line == one.line
    ]
    if not near:
        return
    other = maker.rng.choice(near)
    maker.used.add((other.line, other.number))
    _exchange(one, other, _SAYS)
    maker.plants.append(Plant(kind, [one, other], trace=one.order_known and other.order_known))


def _swapped_names(maker: _Maker, kind: str) -> None:
    """File names swapped, headers right."""
    one = maker.pick(
        lambda s: not s.mute and maker.styles[s.crew].header != "none" and not maker.styles[s.crew].folder_per_weld
    )
    other = maker.pick(lambda s: s.crew == one.crew and s.on == one.on and s.line == one.line)
    for shot in (one, other):
        shot.header_number, shot.header_segment = shot.number, shot.segment
    _exchange(one, other, ("says_number", "says_segment"))
    maker.plants.append(Plant(kind, [one, other]))


def _wrong_suffix(maker: _Maker, kind: str) -> None:
    later = [s for s in maker.shots if s.event and (s.line, s.number) not in maker.used]
    if later and maker.rng.random() < 0.6:
        shot = maker.rng.choice(later)
        wrong = maker.rng.choice([x for x in ("", "R1", "R2", "RS1") if x != shot.event])
    else:
        shot = maker.pick()
        wrong = maker.rng.choice(("R1", "RS1"))
    shot.says_event = wrong
    shots = maker.claim(shot.line, shot.number)
    maker.plants.append(Plant(kind, [shot, *(s for s in shots if s.segment == shot.segment and s is not shot)]))


def _missing_reshoot_image(maker: _Maker, kind: str) -> None:
    later = [s for s in maker.shots if s.event.startswith("RS") and (s.line, s.number) not in maker.used]
    if later:
        shot = maker.rng.choice(later)
        maker.claim(shot.line, shot.number)
        shot.delivered = False
        maker.plants.append(Plant(kind, [shot]))


def _missing_reshoot(maker: _Maker, kind: str) -> None:
    """The sheet asks for a reshoot and nothing more is heard of it."""
    shot = maker.pick(lambda s: s.result is Result.ACC)
    shot.result = Result.RS
    maker.plants.append(Plant(kind, [s for s in maker.shots if (s.line, s.number) == (shot.line, shot.number)]))


def _not_in_log(maker: _Maker, kind: str) -> None:
    shot = maker.pick()
    maker.log[shot.line, shot.number]["missing"] = True
    maker.plants.append(Plant(kind, maker.claim(shot.line, shot.number)))


def _film_count(maker: _Maker, kind: str) -> None:
    shot = maker.pick(lambda s: maker.styles[s.crew].counts in ("line", "weld"))
    shot.count_off = maker.rng.choice((1, 2, 3))
    shots = maker.claim(shot.line, shot.number)
    maker.plants.append(Plant(kind, shots))


PLANTS: dict[str, Callable[[_Maker, str], None]] = {
    "transposed in image": _transposed_image,
    "digit wrong in image": _mistyped_image,
    "transposed in header": _transposed_header,
    "transposed on sheet": _transposed_sheet,
    "transposed in log": _transposed_log,
    "image omitted": _omitted_image,
    "sheet line omitted": _omitted_line,
    "file attached twice": _attached_twice,
    "copy under other weld": _copied_as_other,
    "swapped wholly": _swapped_wholly,
    "swapped names": _swapped_names,
    "wrong suffix": _wrong_suffix,
    "reshoot image missing": _missing_reshoot_image,
    "reshoot never made": _missing_reshoot,
    "weld not in log": _not_in_log,
    "film count off": _film_count,
}
