"""The job folder and its job.toml: what a job is set up with, read strictly, and written as a template to fill in.

Knows the layout of the folder and the keys of job.toml. Every fault is named with its key and line. Refuses to read
anything the crews deliver.

>>> from beadroll.handover.gathering.jobfolder import load_job      # doctest: +SKIP
>>> load_job(Path("vallmora")).client
'Vallmora Town Heating Works'
"""

from __future__ import annotations

import os
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from beadroll.errors import InputError, MachineError
from beadroll.findings import Finding
from beadroll.handover.gathering.profiles import read_manner
from beadroll.handover.gathering.quantities import Manner
from beadroll.handover.gathering.tomlfields import Toml, convert, parse
from beadroll.record.job import Job
from beadroll.record.people import Role

JOB_FILE: Final = "job.toml"
FOLDERS: Final = ("weld-log", "techniques", "people", "equipment", "profiles", "crews")
CODECS: Final = ("jpeg-ls", "htj2k", "jpeg-xl", "rle", "uncompressed")
"""How radiographs may be packed, as ``beadroll.images`` calls it; named here so that reading a job loads no codec."""
MAX_BYTES: Final = 4 * 1024 * 1024
"""Largest TOML file read; a job of a thousand lines is about 100 kB."""

_SPREADSHEETS: Final = frozenset(
    {"date_order", "decimal", "indication_codes", "length_unit", "activity_unit", "duration_unit", "encoding"}
)


class JobError(InputError):
    """A job.toml that cannot be used. ``faults`` lists every fault with its key and line."""

    def __init__(self, path: str, faults: tuple[str, ...]) -> None:
        """Say every fault, one a line."""
        super().__init__(
            "cannot be used:\n  " + "\n  ".join(faults),
            path=path,
            remedy="Correct the keys named. 'beadroll new' writes a template in which every key is explained.",
        )
        self.faults = faults


@dataclass(frozen=True, slots=True, kw_only=True)
class JobFile:
    """A job as its job.toml states it, with how the office writes its spreadsheets and what else was found."""

    job: Job
    manner: Manner
    encoding: str = ""
    findings: tuple[Finding, ...] = ()

    @property
    def zone(self) -> ZoneInfo:
        """The job's time zone."""
        return ZoneInfo(self.job.time_zone)


def load_job(folder: Path) -> Job:
    """Return the job of a job folder. Raises ``JobError`` with every fault, ``InputError`` without a job.toml."""
    return read_job(folder).job


def read_job(folder: Path) -> JobFile:
    """Return the job with what else its job.toml says; unknown keys are findings. Raises as ``load_job``."""
    data = read_small(folder / JOB_FILE, JOB_FILE, remedy=f"Is {folder} a job folder? 'beadroll new' makes one.")
    toml = parse(data, JOB_FILE)
    spreadsheets = toml.data.pop("spreadsheets", {})
    job = convert(toml, Job, toml.data, (), skip=frozenset())
    _check(toml, toml.data)
    manner = _manner(toml, spreadsheets)
    faults = tuple(f.text for f in toml.faults if f.code != "INT-KEY-UNKNOWN")
    if faults or job is None:
        raise JobError(str(folder / JOB_FILE), faults)
    encoding = spreadsheets.get("encoding", "") if isinstance(spreadsheets, dict) else ""
    return JobFile(job=job, manner=manner, encoding=str(encoding), findings=tuple(toml.faults))


def _manner(toml: Toml, spreadsheets: Any) -> Manner:
    if not isinstance(spreadsheets, dict):
        toml.fault(("spreadsheets",), spreadsheets, "a table of keys")
        return Manner()
    for key in spreadsheets:
        if key not in _SPREADSHEETS:
            toml.unknown(("spreadsheets", key), ", ".join(sorted(_SPREADSHEETS)))
    try:
        return read_manner(spreadsheets, toml.name)
    except InputError as fault:
        toml.fault(
            ("spreadsheets", fault.place), spreadsheets.get(fault.place, ""), fault.fault.partition("expected ")[2]
        )
        return Manner()


def _check(toml: Toml, data: dict[str, Any]) -> None:
    """Check what types alone don't say: texts that must not be empty, a time zone that exists, lines named once."""
    for key in ("id", "client", "contractor", "contract", "title"):
        if data.get(key) == "":
            toml.fault((key,), "", "a text that is not empty")
    if data.get("codec", CODECS[0]) not in CODECS:
        toml.fault(("codec",), data["codec"], f"one of {', '.join(CODECS)}")
    roles = data.get("required_roles", [])
    for number, role in enumerate(roles if isinstance(roles, list) else ()):
        if role not in set(Role):
            toml.fault(("required_roles", number), role, f"roles out of {', '.join(Role)}")
    zone = data.get("time_zone")
    if isinstance(zone, str):
        try:
            ZoneInfo(zone)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            toml.fault(("time_zone",), zone, "a time zone of the IANA list such as Europe/Vienna")
    _check_lines(toml, data.get("lines"))
    _check_numbers(toml, data.get("numbers"))


def _check_lines(toml: Toml, lines: Any) -> None:
    if lines == []:
        toml.fault(("lines",), "", "at least one line")
    seen: set[str] = set()
    for number, line in enumerate(lines if isinstance(lines, list) else ()):
        name = line.get("id") if isinstance(line, dict) else None
        if isinstance(name, str) and name.casefold() in seen:
            toml.fault(("lines", number, "id"), name, "each line once")
        elif isinstance(name, str):
            seen.add(name.casefold())


def _check_numbers(toml: Toml, numbers: Any) -> None:
    if not isinstance(numbers, dict):
        return
    digits = numbers.get("digits")
    if isinstance(digits, int) and not 1 <= digits <= 12:  # noqa: PLR2004 - a weld number of a contract
        toml.fault(("numbers", "digits"), digits, "a number of digits between 1 and 12")
    suffixes = numbers.get("suffixes")
    seen: set[str] = set()
    for index, suffix in enumerate(suffixes if isinstance(suffixes, list) else ()):
        letters = suffix.get("letters") if isinstance(suffix, dict) else None
        if isinstance(letters, str) and letters.upper() in seen:
            toml.fault(("numbers", "suffixes", index, "letters"), letters, "letters that mean one thing")
        elif isinstance(letters, str):
            seen.add(letters.upper())


def read_small(path: Path, name: str, *, remedy: str = "Check the name and the folder.") -> bytes:
    """Return the bytes of a small text file of the job folder. Raises ``InputError`` or ``MachineError``."""
    try:
        if path.stat().st_size > MAX_BYTES:
            raise InputError(f"is longer than the {MAX_BYTES:,} bytes allowed", path=name, remedy="Split the file.")
        return path.read_bytes()
    except (FileNotFoundError, NotADirectoryError) as gone:
        raise InputError("the file is not there", path=str(path), remedy=remedy) from gone
    except OSError as refused:
        raise MachineError(
            f"{path}: could not be read: {refused.strerror}", remedy="Check the permissions."
        ) from refused


def new_job(
    folder: Path,
    *,
    job_id: str = "JOB-001",
    client: str = "Name of the client",
    contractor: str = "Name of the radiography contractor",
    time_zone: str = "Etc/UTC",
) -> Path:
    """Make a job folder with a job.toml to fill in, and return the path of that file.

    Raises ``InputError`` where a job.toml is there already (it is never overwritten), ``MachineError`` where the
    folder cannot be written.
    """
    target = folder / JOB_FILE
    if target.exists():
        raise InputError(
            "there is a job already", path=str(target), remedy="Choose another folder; nothing was changed."
        )
    text = TEMPLATE.format(
        job_id=_escaped(job_id), client=_escaped(client), contractor=_escaped(contractor), time_zone=_escaped(time_zone)
    )
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name in FOLDERS:
            (folder / name).mkdir(exist_ok=True)
        handle, beside = tempfile.mkstemp(dir=folder, prefix=".job-")
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        Path(beside).replace(target)
    except OSError as refused:
        raise MachineError(
            f"{folder}: could not be written: {refused.strerror}", remedy="Check the folder and its permissions."
        ) from refused
    return target


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", " ")


TEMPLATE: Final = """\
# One job: one contract under which welds are radiographed and handed over.
# Fill in what stands in quotes; lines that begin with # are examples.

id = "{job_id}"
title = "What the contract is about"
client = "{client}"
contractor = "{contractor}"
contract = "Contract or order number"
time_zone = "{time_zone}"            # for times on sheets, such as "Europe/Vienna"

handover_prefix = "HO"            # handovers are called HO-2031-W14
repair_limit = 2                  # repairs of one weld the contract allows
required_roles = ["contractor"]   # who must seal a handover: contractor, inspector, client
retention = "life of the facility"
codec = "jpeg-ls"                 # how radiographs are packed, always without loss

[code]                            # what the radiographs are evaluated against, as the contract names it
standard = "ISO 5817"
edition = "2023"
testing_class = "B"

[numbers]                         # how weld numbers are written: W-0117, W-0117R1
prefixes = ["W"]                  # kept apart: FW-014 and SW-014 are two welds
separator = "-"
digits = 4
segments = "numbers"              # numbers: 0-1, 1-2, 2-0   letters: A-B, B-C, C-A

[[numbers.suffixes]]
letters = "R"
meaning = "repair"                # the same weld, partly rewelded: R1, R2
[[numbers.suffixes]]
letters = "RS"
meaning = "reshoot"               # the weld unchanged, the radiograph made again
[[numbers.suffixes]]
letters = "CO"
meaning = "cut_out"
counted = false
[[numbers.suffixes]]
letters = "RW"
meaning = "reweld"                # a new weld in the place of a cut-out one
# other meanings: tie_in, penalty

[[lines]]                         # one block for each line
id = "LN-001"
description = ""
nps = "12"
outside_diameter_mm = 323.8
wall_mm = 9.53
material = ""
examination_percent = 100
# chainage = "km from the north gate"

[spreadsheets]                    # how the office writes, where a sheet itself does not say
# date_order = "dmy"              # dmy, mdy or ymd: for dates such as 03/04/2031
# decimal = "comma"               # comma or point: for numbers such as 1,234
# length_unit = "mm"              # for columns that state no unit: mm or in
# activity_unit = "Ci"            # Ci or GBq
# duration_unit = "s"             # s or min
# indication_codes = "api"        # api or letters: C is a crack in one, lack of fusion in the other
# encoding = "cp1252"             # of CSV files that are not UTF-8
"""
