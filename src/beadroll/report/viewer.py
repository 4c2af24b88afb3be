"""The package's own page: one HTML file that shows the record from a disk, with a browser and nothing else.

Knows how a record becomes text inside a page that cannot be made to run anything but our own script: foreign text
stands in a JSON block whose every ``<`` is escaped, and the script puts it in as text. Refuses to know packages and
files: index and record are handed in, bytes are handed back. The same arguments give the same bytes.
"""

from __future__ import annotations

import base64
import hashlib
import html
import json
import re
from collections.abc import Iterator, Mapping
from functools import cache
from importlib import resources
from typing import Any, Final

from beadroll.findings import Report
from beadroll.package import layout, readme
from beadroll.package.index import Index
from beadroll.record.handover import HandoverRecord
from beadroll.record.weld import Standing, WeldRecord
from beadroll.report import facts
from beadroll.report.language import Words, legible, words
from beadroll.report.timeline import Names, radiograph_name, steps

LIST_COLUMNS: Final = (
    "line",
    "location",
    "nps",
    "welders",
    "welded",
    "radiographs",
    "reports",
    "indications",
    "standing",
)
"""Columns of the page's weld list behind the number."""

_BLANK: Final = re.compile(r"\{\{([a-z_.]+)\}\}")
_JSON_ESCAPES: Final = {ord(each): f"\\u{ord(each):04x}" for each in "<>&\u2028\u2029"}
"""Spelled as JSON escapes, so that no text can end the block it stands in, and old parsers see no line ends."""
_CAUTIONS: Final = ("caution.short", "caution.qualified", "caution.findings", "caution.preview", "caution.seal")


def page(record: HandoverRecord, index: Index, report: Report, *, package: str, language: Words | None = None) -> bytes:
    """Return ``data/index.html`` for a handover: record, index so far, findings, and the package's name.

    The page checks chosen files against the digests in ``index``; files that come to be later (tables, METS, the
    index and the page itself) it can check by the manifest only.
    """
    language = language or words()
    title = f"{facts.handover_name(record.handover)} - {legible(record.job.client)}"
    content = _content(record, index, report, title, language)
    style, script = _part("page.css"), _part("page.js")
    blanks = {
        **{key: html.escape(text) for key, text in language.texts.items()},
        "language": language.language,
        "policy": _policy(style, script),
        "title": html.escape(title),
        "heading": html.escape(title),
        "style": style,
        "script": script,
        "facts": _facts(record, index, language),
        "columns": "".join(_columns(language)),
        "plain": "".join(_plain(record, index, language)),
        "cautions": "".join(f"<li>{html.escape(language(key))}</li>" for key in _CAUTIONS),
        "record": json.dumps(content, ensure_ascii=False, separators=(",", ":")).translate(_JSON_ESCAPES),
        **_seal(record, language),
        "written": html.escape(
            language("page.written", program=index.written_by, package=package, version=index.format_version)
        ),
    }
    return _BLANK.sub(lambda found: blanks[found.group(1)], _part("page.html")).encode("utf-8")


@cache
def _part(name: str) -> str:
    return (resources.files("beadroll.report") / "viewer" / name).read_text(encoding="utf-8")


def _policy(style: str, script: str) -> str:
    """Return the content security policy: our style and script by digest, pictures beside the page, nothing else."""

    def source(text: str) -> str:
        return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode('utf-8')).digest()).decode('ascii')}'"

    return (
        f"default-src 'none'; img-src 'self' file:; style-src {source(style)}; script-src {source(script)}; "
        "base-uri 'none'; form-action 'none'; require-trusted-types-for 'script'"
    )


def _facts(record: HandoverRecord, index: Index, language: Words) -> str:
    # A number stays with what it counts.
    holds, stands = (re.sub(r"(?<=\d) ", "\u00a0", text) for text in facts.of_totals(index.totals, language))
    pairs = [
        *facts.of_handover(record.job, record.handover, language),
        (language("fact.totals"), holds),
        (language("column.standing"), stands),
    ]
    return "".join(f"<div><dt>{html.escape(k)}</dt><dd>{html.escape(v)}</dd></div>" for k, v in pairs)


def _columns(language: Words) -> Iterator[str]:
    for column in ("number", *LIST_COLUMNS):
        yield f'<th scope="col">{html.escape(language(f"column.{column}"))}</th>'


def _seal(record: HandoverRecord, language: Words) -> Mapping[str, str]:
    roles = record.job.required_roles or ("contractor",)
    command = readme.SEAL_COMMAND.format(seals=layout.SEALS, role=roles[0], tag_manifest=layout.TAG_MANIFEST)
    return {
        "command.seal": html.escape(command),
        "command.tags": html.escape(readme.TAG_COMMAND),
        "command.files": html.escape(readme.FILES_COMMAND),
        "page.seal.roles": html.escape(language("page.seal.roles", roles=legible(", ".join(roles)))),
    }


def _plain(record: HandoverRecord, index: Index, language: Words) -> Iterator[str]:
    """Yield the list for a browser without scripts."""
    paths = {weld.id: weld.path for weld in index.welds}

    def link(path: str, text: str) -> str:
        return f'<a href="{html.escape(facts.in_data(path))}">{html.escape(text)}</a>'

    yield "<ul>"
    for weld in record.welds:
        standing = language(f"standing.{weld.standing.value}")
        yield f"<li>{link(paths[weld.weld.id], legible(str(weld.weld.id)))}: {html.escape(standing)}"
        films = [link(film.path, radiograph_name(film, language)) for film in weld.radiographs if film.path]
        yield f"<br>{html.escape(language('page.radiographs'))}: {', '.join(films)}</li>" if films else "</li>"
    yield "</ul>"


def _content(record: HandoverRecord, index: Index, report: Report, title: str, language: Words) -> Mapping[str, Any]:
    names = Names.of(record.people)
    paths = {weld.id: weld.path for weld in index.welds}
    return {
        "title": title,
        "words": {k: v for k, v in language.texts.items() if k.startswith(("page.", "check.", "column.", "date."))},
        "standings": [[each.value, language(f"standing.{each.value}")] for each in Standing],
        "standing_column": LIST_COLUMNS.index("standing"),
        "welds": [_weld(weld, facts.in_data(paths[weld.weld.id]), names, language) for weld in record.welds],
        "findings": [
            {
                "severity": language(f"severity.{each.severity.value}"),
                "code": each.code,
                "text": legible(each.text),
                "clause": legible(each.clause),
            }
            for each in report.ordered()
        ],
        "files": [[facts.in_data(path), sum_] for path, sum_ in sorted(facts.paths_of(index).items())],
    }


def _weld(record: WeldRecord, path: str, names: Names, language: Words) -> Mapping[str, Any]:
    numbers = {film.id: number for number, film in enumerate(record.radiographs)}
    told = steps(record, names, language)
    cells = [facts.cell(column, record, names, language) for column in LIST_COLUMNS]
    said = [text for step in told for text in (step.title, *step.details)]
    known = facts.of_weld(record, language)
    return {
        "line": legible(record.weld.id.line),
        "number": legible(record.weld.id.number),
        "name": legible(record.weld.id.number),
        "title": legible(str(record.weld.id)),
        "standing": record.standing.value,
        "standing_text": language(f"standing.{record.standing.value}"),
        "rejected": facts.ever_rejected(record),
        "path": path,
        "cells": cells,
        "search": " ".join((*cells, legible(str(record.weld.id)), *(value for _, value in known), *said)),
        "facts": known,
        "steps": [
            {
                "kind": step.kind,
                "day": step.on.isoformat() if step.on else "",
                "title": step.title,
                "details": step.details,
                "films": [numbers[each] for each in step.radiographs if each in numbers],
            }
            for step in told
        ],
        "films": [
            {
                "name": radiograph_name(film, language),
                "path": facts.in_data(film.path),
                "preview": facts.in_data(film.preview),
                "rows": film.rows,
                "columns": film.columns,
                "notes": facts.of_radiograph(film, record, language),
            }
            for film in record.radiographs
        ],
    }
