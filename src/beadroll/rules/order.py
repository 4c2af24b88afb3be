"""What must come before what: technique sheets before shots, revisions in force, heat treatment before examination."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import Final

from beadroll.findings import Finding, finding
from beadroll.rules.week import Week, weld_name

RULE_ORDER: Final = "ASME V Article 2, T-285"


def technique_before_shot(week: Week) -> Iterator[Finding]:
    """Check that the technique sheet of a shot was issued by then, and not yet superseded."""
    seen: set[tuple[str, str, date]] = set()
    for weld, exposure, sheet in week.shots():
        if exposure.technique and sheet is None:
            if (exposure.technique, "?", date.min) not in seen:
                seen.add((exposure.technique, "?", date.min))
                yield finding("RULE-TECHNIQUE-UNKNOWN", exposure.technique, example=weld_name(weld, exposure.event))
            continue
        if sheet is None or exposure.day is None:
            continue
        day, name = exposure.day, f"{sheet.number} {sheet.revision}".strip()
        if (name, "", day) in seen:
            continue
        seen.add((name, "", day))
        if sheet.issued_on and day < sheet.issued_on:
            yield finding(
                "RULE-TECHNIQUE-LATE",
                f"technique {name}",
                clause=RULE_ORDER if week.family == "asme" else "",
                issued=str(sheet.issued_on),
                day=str(day),
                example=weld_name(weld, exposure.event),
            )
        if sheet.superseded_on and day >= sheet.superseded_on:
            yield finding(
                "RULE-TECHNIQUE-SUPERSEDED",
                f"technique {name}",
                superseded=str(sheet.superseded_on),
                day=str(day),
                example=weld_name(weld, exposure.event),
            )


def heat_treatment(week: Week) -> Iterator[Finding]:
    """Ask about welds that were examined before their heat treatment (B31.3 P-Nos. 3, 4 and 5; a contract's choice)."""
    for weld in week.record.welds:
        treated = weld.weld.heat_treated_on
        shots = [e.day for e in weld.exposures if e.day]
        if treated and shots and max(shots) < treated:
            yield finding("RULE-HEAT-TREATMENT", weld_name(weld), treated=str(treated), shot=str(max(shots)))
