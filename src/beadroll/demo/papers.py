"""The papers that hold for longer than a week: the contract, technique sheets, people, equipment.

Every firm, person, number and certificate is invented.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Final

from beadroll.demo.film import OVERLAP_MM
from beadroll.demo.sheets import Cell, write_csv
from beadroll.demo.story import JOB, LINES, SEGMENTS, PipeLine

CLIENT: Final = "Vallmora Town Heating Works"
CONTRACTOR: Final = "Pellin & Oake Radiography"
WELDING: Final = "Harrow Bend Pipework"
HANDOVER_PREFIX: Final = "VTH"


def write(folder: Path, columns: int) -> None:
    """Write the contract, technique sheets, people and equipment; scanners are set to ``columns`` pixels a film."""
    (folder / "job.toml").write_text(_JOB, encoding="utf-8")
    for name, rows in (
        ("techniques/technique-sheets.csv", _techniques()),
        ("people/people.csv", _people()),
        ("equipment/equipment.csv", _equipment(columns)),
    ):
        (folder / name).parent.mkdir()
        write_csv(folder / name, rows)


def scan_pitch_um(line: PipeLine, columns: int) -> float:
    """Return the pitch a line's films are scanned at in um, so that one film is so many columns wide."""
    return round((line.circumference_mm / len(SEGMENTS) + 2 * OVERLAP_MM) / columns * 1000, 1)


def _techniques() -> list[list[Cell]]:
    rows: list[list[Cell]] = [
        [
            "Technique no.", "Revision", "Issued on", "Procedure", "Procedure rev", "Arrangement", "Class", "Isotope",
            "Source size (mm)", "SFD (mm)", "Object to film (mm)", "OD (mm)", "Wall (mm)", "Reinforcement (mm)",
            "Exposures", "Film system", "Film length (mm)", "Screens", "IQI type", "IQI required", "IQI side",
            "Density min", "Density max", "Approved by", "Approved on",
        ]
    ]  # fmt: skip
    for line in LINES:
        length = line.circumference_mm / len(SEGMENTS) + 2 * OVERLAP_MM
        rows.append(
            [
                line.technique, "1", "2031-03-10", "PO-RT-11", "4", "DWSI", "B", "Se-75", "3.0", f"{line.sfd_mm:.0f}",
                f"{line.wall_mm}", f"{line.outside_diameter_mm}", f"{line.wall_mm}", "2.5", "3", "C3",
                f"{length:.0f}", "Pb 0.1 mm front and back", "W10 FE EN", line.iqi_required, "film", "2.3", "4.0",
                "MDU", "2031-03-10",
            ]
        )  # fmt: skip
    return rows


_HEAD: Final = (
    "Id", "Name", "Employer", "Role", "Stencil", "Certificate no.", "Scheme", "Method", "Level", "Valid from",
    "Valid until", "Near vision test", "Last welded on",
)  # fmt: skip


def _people() -> list[list[Cell]]:
    def tester(person: str, name: str, role: str, level: int, certificate: str, vision: str) -> list[Cell]:
        return [
            person, name, CONTRACTOR, role, "", certificate, "ISO 9712", "RT", level, "2028-05-02", "2033-05-01",
            vision, "",
        ]  # fmt: skip

    def welder(stencil: str, name: str) -> list[Cell]:
        return [
            stencil, name, WELDING, "welder", stencil, f"WQ-{stencil}-30", "ISO 9606-1", "111", "", "2030-06-15",
            "2033-06-14", "", "2031-03-24",
        ]  # fmt: skip

    return [
        list(_HEAD),
        tester("IVA", "Ines Varnholt", "radiographer", 2, "RT2-3318", "2030-11-04"),
        tester("TRE", "Tomas Rellin", "radiographer", 2, "RT2-3340", "2030-11-04"),
        tester("OLI", "Oda Linskog", "interpreter", 2, "RT2-2907", "2030-09-16"),
        tester("PSA", "Pia Sandmeer", "interpreter", 2, "RT2-2951", "2030-09-16"),
        tester("MDU", "Marek Dunajek", "reviewer", 3, "RT3-0412", "2031-01-20"),
        [
            "CVO", "Clara Vossmark", CLIENT, "inspector", "", "RT2-7718", "ISO 9712", "RT", 2, "2029-02-01",
            "2034-01-31", "2030-12-01", "",
        ],
        welder("7K", "Karel Kettner"),
        welder("4M", "Mila Morven"),
        welder("2F", "Finn Faldor"),
        welder("9C", "Cora Castlin"),
    ]  # fmt: skip


def _equipment(columns: int) -> list[list[Cell]]:
    rows: list[list[Cell]] = [
        [
            "Serial no.", "Equipment type", "Make", "Model", "Isotope", "Activity (Ci)", "Activity date",
            "Source size (mm)", "Pixel pitch (um)", "Certificate no.", "Calibrated on", "Valid until",
        ]
    ]  # fmt: skip
    for line in LINES:
        rows += [
            [
                line.source, "source", "Isolde Sources", "S-75", "Se-75", line.activity_ci,
                line.activity_on.isoformat(), "3.0", "", f"SC-{line.source[3:]}", line.activity_on.isoformat(),
                date(2031, 12, 31).isoformat(),
            ],
            [
                line.scanner, "scanner", "Lumen & Tray", "FD-100", "", "", "", "", scan_pitch_um(line, columns),
                f"CAL-{line.scanner}", "2031-01-14", "2032-01-13",
            ],
            [
                line.densitometer, "densitometer", "Lumen & Tray", "TD-5", "", "", "", "", "",
                f"CAL-{line.densitometer}", "2031-02-10", "2031-05-10",
            ],
        ]  # fmt: skip
    return rows


_LINES: Final = "".join(
    f"""
[[lines]]
id = "{line.id}"
description = "{line.description}"
nps = "{line.nps}"
outside_diameter_mm = {line.outside_diameter_mm}
wall_mm = {line.wall_mm}
material = "{line.material}"
examination_percent = 100
chainage = "from the boiler house flange"
"""
    for line in LINES
)

_JOB: Final = f"""# Demo: an invented contract. No such client, contractor, weld or person exists.
id = "{JOB}"
title = "Ring main renewal"
client = "{CLIENT}"
contractor = "{CONTRACTOR}"
contract = "VTH-2031-07"
time_zone = "Europe/Vienna"
handover_prefix = "{HANDOVER_PREFIX}"
required_roles = ["contractor"]
retention = "life of the ring main"

[code]
standard = "ISO 17636-1"
edition = "2022"
testing_class = "B"
{_LINES}"""
