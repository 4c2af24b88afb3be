"""The list of rules: what each looks at, the findings it may give, the table behind it and a worked example."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

from beadroll.findings import Finding, Report, catalogue, finding, report
from beadroll.record.handover import HandoverRecord
from beadroll.rules import geometry, order, persons, quality, sampling, sources
from beadroll.rules.table import Table, table
from beadroll.rules.week import Week


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One rule: the codes of the findings it may give, the function, its tables, an example with numbers."""

    codes: tuple[str, ...]
    look: Callable[[Week], Iterator[Finding]]
    tables: tuple[str, ...] = ()
    example: str = ""


def _code_known(week: Week) -> Iterator[Finding]:
    """Tell which codes and editions there are tables for, where the job's is not among them."""
    code = week.record.job.code
    known = {row["standard"]: row["editions"] for row in table("codes").rows}
    match = next((s for s in known if code.standard.casefold().startswith(s.casefold())), None)
    if match is None:
        yield finding("RULE-CODE-UNKNOWN", code.standard or "no code", known=", ".join(sorted(known)))
    elif code.edition not in known[match]:
        yield finding("RULE-EDITION-UNKNOWN", f"{code.standard} {code.edition}".strip(), known=", ".join(known[match]))


RULES: Final[tuple[Rule, ...]] = (
    Rule(codes=("RULE-CODE-UNKNOWN", "RULE-EDITION-UNKNOWN"), look=_code_known, tables=("codes",)),
    Rule(
        codes=("RULE-UNSHARPNESS",),
        look=geometry.unsharpness,
        tables=("unsharpness",),
        example="Source 3.2 mm, weld to film 12.7 mm, source to weld 500 mm: 3.2 x 12.7 / 500 = 0.081 mm; "
        "below 50 mm of thickness the limit is 0.51 mm.",
    ),
    Rule(
        codes=("RULE-DISTANCE",),
        look=geometry.distance,
        example="Source 3 mm, object to film 8 mm: 7.5 x 3 x 8^(2/3) = 90 mm for class A, 180 mm for class B.",
    ),
    Rule(
        codes=("RULE-SOURCE-RANGE",),
        look=geometry.source_range,
        tables=("source_range",),
        example="Ir-192 in class A is for 20 to 100 mm of steel; two walls of 8.18 mm are 16.36 mm: a query.",
    ),
    Rule(
        codes=("RULE-EXPOSURES",),
        look=geometry.exposures,
        tables=("exposures_asme",),
        example="Double wall, single image: at least three exposures at 120 degrees.",
    ),
    Rule(
        codes=("RULE-DECAY", "RULE-SOURCE-BEFORE"),
        look=sources.decay,
        tables=("half_life",),
        example="Ir-192, 100 Ci on the certificate, 30 days later: 100 x 2^(-30 / 73.827) = 75.45 Ci.",
    ),
    Rule(codes=("RULE-SOURCE-UNKNOWN",), look=sources.source_unknown),
    Rule(
        codes=("RULE-EXPOSURE",),
        look=sources.plausible_exposure,
        example="Activity x time / distance squared, against the median of the technique's other shots: a shot at less "
        "than half or more than one and a half times of it is asked about.",
    ),
    Rule(codes=("RULE-TWO-PLACES",), look=sources.two_places),
    Rule(codes=("RULE-SHIFT",), look=sources.shots_per_shift),
    Rule(
        codes=("RULE-IQI", "RULE-IQI-UNREADABLE"),
        look=quality.iqi,
        tables=("iqi_iso", "iqi_asme", "wires_iso", "wires_e747"),
        example="Class A, double wall, IQI on the film side, two walls of 9.53 mm = 19.06 mm: table B.9 asks for W12.",
    ),
    Rule(codes=("RULE-IQI-MISSING",), look=quality.iqi_missing),
    Rule(codes=("RULE-IQI-SIDE", "RULE-IQI-COUNT"), look=quality.iqi_placement),
    Rule(
        codes=("RULE-DUPLEX",),
        look=quality.duplex,
        tables=("duplex_required", "duplex_pairs"),
        example="Class A, 19 mm penetrated: table B.13 asks for pair D8, a gap of 0.160 mm.",
    ),
    Rule(
        codes=("RULE-SNR",),
        look=quality.snr,
        tables=("snr", "snr_tube"),
        example="Ir-192, class A, 19 mm: SNR_N at least 70. SNR 120 at a resolution of 0.130 mm: "
        "120 x 0.0886 / 0.130 = 81.8.",
    ),
    Rule(
        codes=("RULE-DENSITY-LOW", "RULE-DENSITY-HIGH"),
        look=quality.density,
        tables=("density_asme", "density_iso"),
        example="Density 2.5 at the IQI: the area of interest may run from 2.5 x 0.85 = 2.125 to 2.5 x 1.30 = 3.25.",
    ),
    Rule(codes=("RULE-PERSON-UNKNOWN", "RULE-LEVEL", "RULE-CERTIFICATE", "RULE-VISION"), look=persons.interpreters),
    Rule(codes=("RULE-RADIOGRAPHER",), look=persons.radiographers),
    Rule(codes=("RULE-STENCIL-UNKNOWN", "RULE-WELDER", "RULE-CONTINUITY"), look=persons.welders),
    Rule(codes=("RULE-EQUIPMENT-UNKNOWN", "RULE-CALIBRATION"), look=persons.calibrations, tables=("calibration",)),
    Rule(
        codes=("RULE-TECHNIQUE-UNKNOWN", "RULE-TECHNIQUE-LATE", "RULE-TECHNIQUE-SUPERSEDED"),
        look=order.technique_before_shot,
    ),
    Rule(codes=("RULE-HEAT-TREATMENT",), look=order.heat_treatment),
    Rule(
        codes=("RULE-PERCENTAGE",),
        look=sampling.percentage,
        tables=("sampling",),
        example="Ten per cent of 101 welds: 11. Fifteen per cent of 7: 2. Ten per cent of 1: 1.",
    ),
    Rule(codes=("RULE-EACH-WELDER",), look=sampling.each_welder),
    Rule(
        codes=("RULE-CRACK",),
        look=sampling.crack_length,
        example="NPS 12, 323.8 mm: the weld is 1017.25 mm long, eight per cent of it 81.38 mm.",
    ),
    Rule(codes=("RULE-CRACK-ACC",), look=sampling.crack_accepted),
    Rule(codes=("RULE-LENGTH-ACC",), look=sampling.accepted_length, tables=("api1104_lengths",)),
    Rule(codes=("RULE-RETENTION",), look=sampling.retention),
)


def check(record: HandoverRecord) -> Report:
    """Run every rule that the job has not switched off over a handover's record; findings in a stable order."""
    week = Week(record=record)
    off = set(record.job.rules_off)
    found = [item for rule in RULES if not set(rule.codes) <= off for item in rule.look(week) if item.code not in off]
    unknown = sorted(off - {code for rule in RULES for code in rule.codes})
    found += [finding("RULE-NAME-UNKNOWN", name) for name in unknown]
    return report(found)


def explain(code: str) -> tuple[Rule, tuple[Table, ...], str]:
    """Return the rule that may give the finding ``code``, its tables, and what it says in words.

    Raises ``KeyError`` for a code that no rule gives.
    """
    for rule in RULES:
        if code in rule.codes:
            words = " ".join((rule.look.__doc__ or "").split())
            return rule, tuple(table(name) for name in rule.tables), words
    raise KeyError(code)


def codes() -> tuple[str, ...]:
    """Return every finding code the rules may give, as the catalogue names them."""
    return tuple(code for rule in RULES for code in rule.codes if code in catalogue())
