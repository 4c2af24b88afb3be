"""A weld's life as steps a person can read: welded, shot, read with indication and place, decided, repaired, signed.

Knows one weld's record in one handover and the words to tell it in. Refuses to know what other handovers say of the
weld, and to judge: every step repeats what a sheet, a log or a decision states.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from itertools import groupby

from beadroll.record.interpretation import Indication, Interpretation, Result
from beadroll.record.people import Person
from beadroll.record.radiograph import Exposure, Radiograph
from beadroll.record.weld import EventKind, WeldEvent, WeldRecord
from beadroll.report.language import Words, legible


@dataclass(frozen=True, slots=True, kw_only=True)
class Names:
    """Who is behind an initial or a stencil."""

    people: Mapping[str, str] = field(default_factory=dict)
    stencils: Mapping[str, str] = field(default_factory=dict)

    @classmethod
    def of(cls, people: Iterable[Person]) -> Names:
        """Take the names from the people of a handover."""
        everyone = tuple(people)
        return cls(
            people={each.id: each.name for each in everyone if each.id},
            stencils={each.stencil: each.name for each in everyone if each.stencil},
        )

    def person(self, id_: str) -> str:
        """Return ``Anja Kest (AK)``, or the id alone where the name is not stated."""
        return self._with(id_, self.people)

    def welder(self, stencil: str) -> str:
        """Return ``Jon Harrow (7K)``, or the stencil alone."""
        return self._with(stencil, self.stencils)

    @staticmethod
    def _with(key: str, names: Mapping[str, str]) -> str:
        name = names.get(key, "")
        return legible(f"{name} ({key})" if name and name != key else key)


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step: its kind (a name for style), its day, a title, lines of detail, and the radiographs it is about."""

    kind: str
    on: date | None
    title: str
    details: tuple[str, ...] = ()
    radiographs: tuple[str, ...] = ()


def radiograph_name(each: Radiograph, words: Words) -> str:
    """Return what a radiograph is called beside its weld: ``R1 1-2``, or a word where nothing is stated."""
    return legible(" ".join(part for part in (each.event, each.segment) if part)) or words("radiograph.unnamed")


def indication_text(each: Indication, words: Words) -> str:
    """Return one indication with its place: ``4011 at 212 mm, length 18 mm``."""
    code = each.code or "?"
    if each.iso6520 and each.iso6520 != each.code:
        code = words("indication.iso", code=code, number=each.iso6520)
    parts = [code]
    for key, value in (("position", each.position_mm), ("length", each.length_mm), ("size", each.size_mm)):
        if value is not None:
            parts.append(words(f"indication.{key}", mm=words.number(value)))
    if each.remark:
        parts.append(each.remark)
    return legible(", ".join(parts))


def steps(record: WeldRecord, names: Names, words: Words) -> tuple[Step, ...]:
    """Return the steps of a weld in the order of their days; a step without a day keeps its place in the story."""
    teller = _Teller(record, names, words)
    story: list[Step] = []
    labels = sorted(teller.labels(), key=teller.place)
    told: set[str] = set()
    for label in labels:
        story += teller.events(label)
        story += teller.shots(label)
        story += teller.readings(label)
        story += teller.answers(label, told)
    story += teller.answers(None, told)
    story += teller.removals()
    story += teller.signatures()
    return tuple(_by_day(story))


def _by_day(story: Iterable[Step]) -> list[Step]:
    placed: list[tuple[date, Step]] = []
    last = date.min
    for step in story:
        last = step.on or last
        placed.append((last, step))
    return [step for _, step in sorted(placed, key=lambda pair: pair[0])]


_EVENTS = {
    EventKind.WELDED: "welded",
    EventKind.REPAIR: "repaired",
    EventKind.CUT_OUT: "cut_out",
    EventKind.REWELD: "rewelded",
}


class _Teller:
    def __init__(self, record: WeldRecord, names: Names, words: Words) -> None:
        self._record = record
        self._names = names
        self._words = words
        self._states = {event.label: number for number, event in enumerate(record.events)}
        self._of_exposure: dict[str, list[Radiograph]] = {}
        for each in record.radiographs:
            self._of_exposure.setdefault(each.exposure, []).append(each)
        self._films = {each.id: each for each in record.radiographs}

    def labels(self) -> set[str]:
        record = self._record
        said = [each.label for each in record.events if each.kind is not EventKind.CUT_OUT]
        said += [each.event for group in (record.exposures, record.radiographs) for each in group]
        said += [each.event for each in record.interpretations]
        return set(said)

    def place(self, label: str) -> tuple[int, int, str]:
        """Order states: as the weld's events come, and a reshoot (``R1RS1``) behind the state it shows again."""
        best = max((state for state in self._states if label.startswith(state)), key=len, default="")
        return (self._states.get(best, 0), len(label) - len(best), label)

    def events(self, label: str) -> Iterator[Step]:
        for event in self._record.events:
            if event.label == label and event.kind is not EventKind.CUT_OUT:
                yield self._event(event)

    def removals(self) -> Iterator[Step]:
        return (self._event(event) for event in self._record.events if event.kind is EventKind.CUT_OUT)

    def _event(self, event: WeldEvent) -> Step:
        words = self._words
        details = []
        if event.stencils:
            details.append(words("step.welders", who=", ".join(map(self._names.welder, event.stencils))))
        wps = event.wps or (self._record.weld.wps if event.kind is not EventKind.CUT_OUT else "")
        if wps:
            details.append(words("step.wps", wps=legible(wps)))
        if event.kind is EventKind.CUT_OUT and self._record.weld.replaced_by:
            details.append(words("step.replaced_by", weld=legible(str(self._record.weld.replaced_by))))
        if event.kind is EventKind.REWELD and self._record.weld.replaces:
            details.append(words("step.replaces", weld=legible(str(self._record.weld.replaces))))
        if event.remark:
            details.append(legible(event.remark))
        kind = _EVENTS[event.kind]
        return Step(kind=kind, on=event.on, title=self._titled(kind, event.label), details=tuple(details))

    def _titled(self, key: str, label: str) -> str:
        title = self._words(f"step.{key}")
        return legible(f"{title}, {label}" if label else title)

    def shots(self, label: str) -> Iterator[Step]:
        """Tell the shots of one state, those of one day, technique and source together."""

        def alike(each: Exposure) -> tuple[str, str, str, str]:
            day = each.exposed_at.date().isoformat() if each.exposed_at else ""
            return day, each.technique, each.source, each.radiographer

        mine = sorted((e for e in self._record.exposures if e.event == label), key=alike)
        for _, grouped in groupby(mine, key=alike):
            yield self._shot(label, tuple(grouped))

    def _shot(self, label: str, group: tuple[Exposure, ...]) -> Step:
        words, first = self._words, group[0]
        films = [film for each in group for film in self._of_exposure.get(each.id, ())]
        segments = dict.fromkeys(legible(film.segment) for film in films if film.segment)
        details = []
        if segments:
            details.append(words("step.segments", segments=", ".join(segments)))
        if first.technique:
            details.append(words("step.technique", technique=legible(first.technique)))
        if first.source:
            details.append(words("step.source", source=legible(first.source)))
        if first.activity_ci is not None:
            details.append(words("step.activity", ci=words.number(round(first.activity_ci, 2))))
        if first.tube_kv is not None:
            details.append(words("step.kv", kv=words.number(first.tube_kv)))
        who = ", ".join(x for x in (self._names.person(first.radiographer), self._crew(first.crew)) if x)
        if who:
            details.append(words("step.radiographer", who=who))
        superseding = any(film.supersedes for film in films)
        return Step(
            kind="reshot" if superseding else "shot",
            on=first.exposed_at.date() if first.exposed_at else None,
            title=self._titled("reshot" if superseding else "shot", label),
            details=tuple(details),
            radiographs=tuple(film.id for film in films),
        )

    def _crew(self, crew: str) -> str:
        return self._words("step.crew", crew=legible(crew)) if crew else ""

    def readings(self, label: str) -> Iterator[Step]:
        """Tell the readings of one state; accepted segments of one report and day together, others one by one."""

        def alike(each: Interpretation) -> tuple[str, str, str, str, str]:
            alone = "" if each.result is Result.ACC and not each.indications else each.id
            day = each.read_on.isoformat() if each.read_on else ""
            return day, each.report, each.interpreter, each.result or "", alone

        mine = sorted((e for e in self._record.interpretations if e.event == label), key=alike)
        for _, grouped in groupby(mine, key=alike):
            yield self._reading(label, tuple(grouped))

    def _reading(self, label: str, group: tuple[Interpretation, ...]) -> Step:
        words, first = self._words, group[0]
        kind = {Result.ACC: "accepted", Result.REJ: "rejected", Result.RS: "reshoot"}.get(
            first.result or Result.RS, "reshoot"
        )
        kind = kind if first.result else "read"
        details = []
        segments = dict.fromkeys(legible(each.segment) for each in group if each.segment)
        if segments:
            details.append(words("step.segments", segments=", ".join(segments)))
        for each in group:
            details += [words("step.indication", what=indication_text(one, words)) for one in each.indications]
        if first.report:
            details.append(words("step.report", report=legible(first.report)))
        if first.interpreter:
            details.append(words("step.interpreter", who=self._names.person(first.interpreter)))
        details += dict.fromkeys(legible(each.remark) for each in group if each.remark)
        return Step(
            kind=kind,
            on=first.read_on,
            title=self._titled(kind, label),
            details=tuple(details),
            radiographs=tuple(each.radiograph for each in group if each.radiograph in self._films),
        )

    def answers(self, label: str | None, told: set[str]) -> Iterator[Step]:
        """Tell what was decided about the rejects and reshoots of one state; None for what is left over."""
        segments = {e.id: e.segment for e in self._record.interpretations if e.event == label}
        for each in self._record.dispositions:
            if each.interpretation in told or (label is not None and each.interpretation not in segments):
                continue
            told.add(each.interpretation)
            words = self._words
            details = []
            if segments.get(each.interpretation):
                details.append(words("step.segments", segments=legible(segments[each.interpretation])))
            if each.by:
                details.append(words("step.by", who=self._names.person(each.by)))
            if each.reference:
                details.append(words("step.reference", reference=legible(each.reference)))
            title = words(f"step.decided.{each.kind.value}")
            named = legible(f"{title}, {each.event}" if each.event else title)
            yield Step(kind="decided", on=each.on, title=named, details=tuple(details))

    def signatures(self) -> Iterator[Step]:
        words = self._words
        for each in self._record.sign_offs:
            details = [words("step.by", who=self._names.person(each.person))]
            if each.document:
                details.append(words("step.report", report=legible(each.document)))
            day = each.on or (each.at.date() if each.at else None)
            title = words("step.signed", role=words(f"role.{each.role.value}"))
            yield Step(kind="signed", on=day, title=title, details=tuple(details))
