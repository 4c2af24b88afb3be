"""``decisions.toml``: what the office decided, who, when and why; read, appended to, reported where it fails to apply.

The file is plain to read and to edit by hand; the tool only ever adds to its end. An entry is never removed: a
decision is undone by a further one. Knows nothing of evidence; reconciling asks which decisions hold.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import MISSING, dataclass, field, fields
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import tomlkit
from tomlkit.exceptions import TOMLKitError

from beadroll.errors import InputError, MachineError
from beadroll.findings import Finding, finding
from beadroll.record.handover import Decision, DecisionKind

FILE_NAME: Final = "decisions.toml"
_HEADING: Final = (
    "What the office decided about what the crews delivered: who, when, what and why.",
    'Entries are added at the end and never removed; one that no longer holds is undone by another (kind = "undo").',
)
_REMEDY: Final = "Correct the entry in decisions.toml; the other entries stay as they are."
_NEEDS: Final[Mapping[DecisionKind, tuple[str, ...]]] = {
    DecisionKind.ASSIGN: ("subject", "number"),
    DecisionKind.SET_ASIDE: ("subject",),
    DecisionKind.CONFIRM: ("subject", "finding"),
    DecisionKind.CORRECT: ("subject", "field", "reads"),
    DecisionKind.UNDO: ("undoes",),
}

Digest = Callable[[str], str]
"""Path inside the job folder -> SHA-512 in lower-case hex of the file as it is; empty where there is no such file."""


def read_decisions(path: Path) -> tuple[Decision, ...]:
    """Read the decisions of a job in the order they were made; none where there is no file.

    Raises ``InputError`` naming the entry and the fault, ``MachineError`` where the file cannot be read.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return ()
    except UnicodeDecodeError as fault:
        raise InputError("is not UTF-8 text", path=str(path), remedy="Save it as UTF-8.") from fault
    except OSError as fault:
        raise MachineError(
            f"{path} cannot be read: {fault.strerror}", remedy="Check the file's permissions."
        ) from fault
    try:
        entries = tomlkit.parse(text).unwrap().get("decision", [])
    except TOMLKitError as fault:
        raise InputError(f"is not valid TOML: {fault}", path=str(path), remedy=_REMEDY) from fault
    if not isinstance(entries, list):
        raise InputError("must hold its entries under [[decision]]", path=str(path), remedy=_REMEDY)
    decisions = tuple(_decision(entry, n, path) for n, entry in enumerate(entries, 1))
    seen: set[str] = set()
    for n, decision in enumerate(decisions, 1):
        if decision.id in seen:
            raise InputError(
                f"the id {decision.id} stands twice", path=str(path), place=f"decision {n}", remedy=_REMEDY
            )
        seen.add(decision.id)
    return decisions


def _decision(entry: object, n: int, path: Path) -> Decision:
    def wrong(message: str) -> InputError:
        return InputError(message, path=str(path), place=f"decision {n}", remedy=_REMEDY)

    if not isinstance(entry, dict):
        raise wrong("is not a table")
    known = {f.name: f for f in fields(Decision)}
    if unknown := sorted(set(entry) - set(known)):
        raise wrong(f"has no field called {unknown[0]}")
    missing = [name for name, f in known.items() if f.default is MISSING and name not in entry and name != "subject"]
    if missing:
        raise wrong(f"lacks {', '.join(missing)}")
    values: dict[str, Any] = {"subject": "", **entry}
    try:
        values["kind"] = DecisionKind(values["kind"])
    except ValueError:
        raise wrong(f"kind is {values['kind']!r}; it may be {', '.join(k.value for k in DecisionKind)}") from None
    at = values["at"]
    if not isinstance(at, datetime) or at.tzinfo is None:
        raise wrong(f"at must be a date and time with its zone, as 2031-04-07T09:12:00+02:00; it is {at!s}")
    for name, value in values.items():
        if name not in ("kind", "at") and not isinstance(value, str):
            raise wrong(f"{name} must be text in quotes; it is {value!r}")
    made = Decision(**values)
    if lacking := lacks(made):
        raise wrong(f"kind {made.kind} needs {lacking}")
    return made


def lacks(decision: Decision) -> str:
    """Return which fields a decision of its kind needs and does not have, as words; empty when whole."""
    needed = (*_NEEDS[decision.kind], "id", "by", "reason")
    return ", ".join(name for name in needed if not getattr(decision, name).strip())


def next_id(decisions: Iterable[Decision]) -> str:
    """Return the id of the next decision: ``D-0001`` counts on from the highest there is."""
    counts = [int(m.group(1)) for d in decisions if (m := re.fullmatch(r"D-(\d{1,9})", d.id))]
    return f"D-{max(counts, default=0) + 1:04d}"


def append_decision(path: Path, decision: Decision) -> None:
    """Add one decision at the end of the file, leaving all that stands there as it is, comments too.

    Raises ``InputError`` when the file cannot be read as it stands or the decision lacks something its kind needs,
    ``MachineError`` where the file cannot be written. Written beside and renamed: the file is whole at any moment.
    """
    if lacking := lacks(decision):
        raise InputError(f"a decision of kind {decision.kind} needs {lacking}", path=str(path), remedy="Name it.")
    known = read_decisions(path)
    if decision.id in {d.id for d in known}:
        raise InputError(f"the id {decision.id} stands there already", path=str(path), remedy="Use the next id.")
    document = tomlkit.parse(path.read_text(encoding="utf-8")) if known or path.exists() else _new()
    entries = document.get("decision")
    if entries is None:
        entries = tomlkit.aot()
        document.add("decision", entries)
    table = tomlkit.table()
    for f in fields(Decision):
        value = getattr(decision, f.name)
        if value not in ("", None):
            table.add(f.name, value.value if isinstance(value, DecisionKind) else value)
    entries.append(table)
    _replace(path, tomlkit.dumps(document))


def _new() -> tomlkit.TOMLDocument:
    document = tomlkit.document()
    for sentence in _HEADING:
        document.add(tomlkit.comment(sentence))
    document.add(tomlkit.nl())
    return document


def _replace(path: Path, text: str) -> None:
    beside = path.with_name(f".{path.name}.new")
    try:
        with beside.open("w", encoding="utf-8", newline="\n") as out:
            out.write(text)
            out.flush()
            os.fsync(out.fileno())
        beside.replace(path)
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
    except OSError as fault:
        raise MachineError(
            f"{path} cannot be written: {fault.strerror}",
            remedy="Check permissions and free space; nothing was changed.",
        ) from fault


def digest_in(folder: Path) -> Digest:
    """Return a function that gives the SHA-512 of a file of the job folder, each file hashed at most once."""
    known: dict[str, str] = {}

    def digest(name: str) -> str:
        if name not in known:
            try:
                with (folder / name).open("rb") as file:
                    known[name] = hashlib.file_digest(file, "sha512").hexdigest()
            except (FileNotFoundError, IsADirectoryError, NotADirectoryError):
                known[name] = ""
            except OSError as fault:
                raise MachineError(
                    f"{folder / name} cannot be read: {fault.strerror}", remedy="Check the file's permissions."
                ) from fault
        return known[name]

    return digest


# --- which decisions hold --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """The decisions that hold, and findings about those that no longer do, each with its subject."""

    assigned: Mapping[str, Decision] = field(default_factory=dict)
    set_aside: Mapping[str, Decision] = field(default_factory=dict)
    confirmed: Mapping[tuple[str, str], Decision] = field(default_factory=dict)
    """(subject, finding code) -> the decision that answers it."""
    corrections: tuple[Decision, ...] = ()
    findings: tuple[tuple[str, Finding], ...] = ()

    @property
    def answers(self) -> Mapping[str, frozenset[str]]:
        """The finding codes that were confirmed, by subject."""
        found: dict[str, frozenset[str]] = {}
        for subject, code in self.confirmed:
            found[subject] = found.get(subject, frozenset()) | {code}
        return found


def undone(decisions: Sequence[Decision]) -> frozenset[str]:
    """Return the ids of decisions that a later decision undoes. An undo that is itself undone undoes nothing."""
    gone: set[str] = set()
    for decision in reversed(decisions):
        if decision.kind is DecisionKind.UNDO and decision.id not in gone:
            gone.add(decision.undoes)
    return frozenset(gone)


def standing(decisions: Sequence[Decision], files: frozenset[str], digest: Digest) -> Standing:
    """Return which decisions hold for the delivered ``files``. Of two about one subject the later holds.

    A decision whose file is gone or has changed since is not applied, and is reported.
    """
    gone = undone(decisions)
    made: dict[str, Any] = {"assigned": {}, "set_aside": {}, "confirmed": {}, "corrections": {}}
    findings = list(_idle_undos(decisions))
    for decision in decisions:
        if decision.id in gone or decision.kind is DecisionKind.UNDO:
            continue
        if fault := _no_longer(decision, files, digest):
            findings.append((decision.id, fault))
        else:
            _enter(made, decision)
    return Standing(
        assigned=made["assigned"],
        set_aside=made["set_aside"],
        confirmed=made["confirmed"],
        corrections=tuple(made["corrections"].values()),
        findings=tuple(findings),
    )


def _idle_undos(decisions: Sequence[Decision]) -> Iterable[tuple[str, Finding]]:
    seen: set[str] = set()
    for decision in decisions:
        if decision.kind is DecisionKind.UNDO and decision.undoes not in seen:
            yield decision.id, finding("REC-DECISION-UNDO", decision.id, undoes=decision.undoes)
        seen.add(decision.id)


def _enter(made: dict[str, Any], decision: Decision) -> None:
    if decision.kind is DecisionKind.ASSIGN:
        made["assigned"][decision.subject] = decision
        made["set_aside"].pop(decision.subject, None)
    elif decision.kind is DecisionKind.SET_ASIDE:
        made["set_aside"][decision.subject] = decision
        made["assigned"].pop(decision.subject, None)
    elif decision.kind is DecisionKind.CONFIRM:
        made["confirmed"][decision.subject, decision.finding] = decision
    else:
        made["corrections"][decision.subject, decision.field] = decision


def file_of(subject: str, files: frozenset[str]) -> str:
    """Return the delivered file a subject is about: the subject itself, or the file its address begins with."""
    if subject in files:
        return subject
    parts = subject.split(", ")
    return next((name for n in range(len(parts), 0, -1) if (name := ", ".join(parts[:n])) in files), "")


def _no_longer(decision: Decision, files: frozenset[str], digest: Digest) -> Finding | None:
    about_file = decision.kind in (DecisionKind.ASSIGN, DecisionKind.SET_ASIDE)
    name = file_of(decision.subject, files)
    if about_file and not name:
        return finding("REC-DECISION-GONE", decision.id, kind=decision.kind.value, file=decision.subject)
    if decision.kind is DecisionKind.CORRECT or not name or not decision.subject_sha512:
        return None
    if digest(name) != decision.subject_sha512:
        return finding("REC-DECISION-CHANGED", decision.id, kind=decision.kind.value, file=name)
    return None
