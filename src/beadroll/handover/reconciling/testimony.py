"""What each witness said of an assigned radiograph, kept with it in the record for good.

Knows how to put evidence into words that stand alone. Decides nothing.
"""

from __future__ import annotations

from beadroll.handover.reconciling.expected import Expected, PlaceKey, cell_of, name_of
from beadroll.handover.reconciling.resolve import Resolution
from beadroll.handover.reconciling.witnesses import Hearing
from beadroll.record.evidence import Address
from beadroll.record.handover import Decision
from beadroll.record.number import format_number
from beadroll.record.radiograph import Testimony, Witness


def testimonies(
    hearing: Hearing, key: PlaceKey, expected: Expected, found: Resolution, decision: Decision | None
) -> tuple[Testimony, ...]:
    """Return every witness of one assignment, those that disagree too, in the order in which they are asked."""
    said = [
        Testimony(
            witness=s.witness,
            text=s.text,
            read_as=format_number(s.read),
            agrees=all(not mine or mine == theirs for mine, theirs in zip(s.read.key, key, strict=True)),
            stated_at=s.stated_at,
        )
        for s in hearing.statements
    ]
    said += _papers(hearing, key, expected)
    said += _order(hearing, key, expected, found)
    if decision is not None:
        said.append(
            Testimony(
                witness=Witness.DECISION,
                text=f"{decision.id}, {decision.by}: {decision.reason}",
                read_as=name_of(key),
                agrees=True,
                stated_at=Address(file="decisions.toml", element=decision.id),
            )
        )
    return tuple(said)


def _papers(hearing: Hearing, key: PlaceKey, expected: Expected) -> list[Testimony]:
    said = []
    place = expected.places.get(key)
    if place:
        for line in place.lines:
            text = " ".join(part for part in (line.number, line.suffix, line.segment) if part)
            said.append(
                Testimony(
                    witness=Witness.READER_SHEET,
                    text=text,
                    read_as=place.name,
                    agrees=True,
                    stated_at=cell_of(line, "number"),
                )
            )
        if hearing.on is not None:
            day = f"crew {hearing.radiograph.file.crew}, {hearing.on}"
            agrees = not place.days or hearing.on in place.days
            said.append(Testimony(witness=Witness.FOLDER, text=day, read_as=_days(place.days), agrees=agrees))
    logged = expected.logged.get(key[:2])
    if logged:
        said.append(
            Testimony(
                witness=Witness.WELD_LOG,
                text=logged.row.number,
                read_as=" ".join(key[:2]),
                agrees=True,
                stated_at=cell_of(logged.row, "number"),
            )
        )
    return said


def _days(days: tuple[object, ...]) -> str:
    return ", ".join(str(day) for day in days)


def _order(hearing: Hearing, key: PlaceKey, expected: Expected, found: Resolution) -> list[Testimony]:
    fit = found.shooting.fit(hearing.path, key[:2], expected.order)
    if fit is None:
        return []
    before, after = found.shooting.neighbours(hearing.path)
    text = f"after {before[1] if before else 'nothing'}, before {after[1] if after else 'nothing'}"
    return [Testimony(witness=Witness.NEIGHBOURS, text=text, read_as=" ".join(key[:2]), agrees=fit > 0)]
