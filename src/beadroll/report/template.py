"""How one client wants its sheets: language, paper, columns, labels, logo, signature blocks, fonts. Data, never code.

Knows ``template.toml`` and what it may say. Refuses everything else with the place of the fault. Knows no folders: the
files a template names are fetched by a function that is handed in.
"""

from __future__ import annotations

import io
import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib import resources
from typing import Any, Final

from PIL import Image, UnidentifiedImageError

from beadroll.errors import InputError
from beadroll.record.people import Role
from beadroll.report.facts import COLUMNS
from beadroll.report.language import LANGUAGES, Words, blanks, words
from beadroll.report.typeface import Typeface, noto_sans
from beadroll.rules.counts import GROUPS

PAPERS: Final[Mapping[str, tuple[float, float]]] = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
"""Width and height in mm (ISO 216; ANSI/ASME Y14.1 size A)."""
SHEETS: Final = ("weld-summary", "weld-sheets", "findings", "counts")
MAX_LOGO_BYTES: Final = 2 * 1024 * 1024
MAX_LOGO_PIXELS: Final = 4_000_000
MAX_COLUMNS: Final = 16
MAX_LABEL: Final = 200
"""Longest label in characters, so that the head of a table leaves room for its rows."""

Fetch = Callable[[str], bytes]
"""Returns the bytes of a file that lies beside the template; raises ``InputError`` when it cannot."""


@dataclass(frozen=True, kw_only=True)
class Template:
    """A client's template. ``logo`` is a PNG without transparency, empty for none."""

    language: str
    paper: str
    sheets: tuple[str, ...]
    columns: tuple[str, ...]
    counts_by: tuple[str, ...]
    signatures: tuple[Role, ...]
    labels: Mapping[str, str] = field(default_factory=dict)
    logo: bytes = field(default=b"", repr=False)
    typeface: Typeface = field(default_factory=noto_sans)

    @property
    def words(self) -> Words:
        """The language's words with the template's own labels in their places."""
        return words(self.language, self.labels)


@cache
def default(language: str = "en") -> Template:
    """Return the template used where a job brings none."""
    data = (resources.files("beadroll.report") / "templates" / "default.toml").read_bytes()
    return parse(data.replace(b'language = "en"', f'language = "{language}"'.encode()), _nothing, name="default.toml")


def parse(data: bytes, fetch: Fetch, *, name: str) -> Template:
    """Return the template in ``data``; what it leaves out is as in the default template.

    Raises ``InputError`` that names the first fault and its place.
    """
    reader = _Reader(name)
    try:
        said = tomllib.loads(data.decode("utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as fault:
        raise reader.fault(f"is not valid TOML: {fault}", "") from fault
    given = {**_default_values(), **said}
    reader.known(given, _default_values().keys() | {"logo", "labels", "fonts"}, "")
    language = reader.one(given, "language", LANGUAGES)
    return Template(
        language=language,
        paper=reader.one(given, "paper", PAPERS),
        sheets=reader.several(given, "sheets", SHEETS),
        columns=reader.several(given, "columns", COLUMNS, most=MAX_COLUMNS),
        counts_by=reader.several(given, "counts_by", GROUPS),
        signatures=tuple(Role(each) for each in reader.several(given, "signatures", [role.value for role in Role])),
        labels=reader.labels(given.get("labels", {}), language),
        logo=reader.logo(given, fetch),
        typeface=reader.typeface(given, fetch),
    )


@cache
def _default_values() -> Mapping[str, Any]:
    return tomllib.loads((resources.files("beadroll.report") / "templates" / "default.toml").read_text("utf-8"))


def _nothing(name: str) -> bytes:
    raise InputError("no file lies beside the default template", path=name)


class _Reader:
    def __init__(self, name: str) -> None:
        self._name = name

    def fault(self, message: str, place: str) -> InputError:
        return InputError(message, path=self._name, place=place, remedy="Correct the report template.")

    def known(self, given: Mapping[str, Any], names: Iterable[str], place: str) -> None:
        for key in given:
            if key not in names:
                raise self.fault(f"has no meaning for {key!r}; known are {', '.join(sorted(names))}", place or key)

    def text(self, value: object, place: str) -> str:
        if not isinstance(value, str):
            raise self.fault("must be a text", place)
        return value

    def one(self, given: Mapping[str, Any], key: str, allowed: Iterable[str]) -> str:
        value = self.text(given[key], key)
        if value not in allowed:
            raise self.fault(f"{value!r} is none of {', '.join(allowed)}", key)
        return value

    def several(
        self, given: Mapping[str, Any], key: str, allowed: Iterable[str], most: int | None = None
    ) -> tuple[str, ...]:
        values = given[key]
        if not isinstance(values, list):
            raise self.fault("must be a list of texts", key)
        chosen = tuple(self.text(each, key) for each in values)
        for each in chosen:
            if each not in allowed:
                raise self.fault(f"{each!r} is none of {', '.join(allowed)}", key)
        if len(set(chosen)) != len(chosen):
            raise self.fault("names something twice", key)
        if most is not None and not 0 < len(chosen) <= most:
            raise self.fault(f"must name 1 to {most}", key)
        return chosen

    def labels(self, given: object, language: str) -> Mapping[str, str]:
        """Take labels whose blanks are those of the text they stand for, so that no text loses its number."""
        if not isinstance(given, dict):
            raise self.fault("must be a table of texts", "labels")
        known = words(language).texts
        for key, value in given.items():
            place = f"labels, {key}"
            if key not in known:
                raise self.fault("there is no such label", place)
            try:
                fits = blanks(self.text(value, place)) == blanks(known[key])
            except ValueError as fault:
                raise self.fault(str(fault), place) from fault
            if len(value) > MAX_LABEL and len(value) > len(known[key]):
                raise self.fault(f"is longer than {MAX_LABEL} characters", place)
            if not fits:
                wanted = ", ".join(f"{{{each}}}" for each in sorted(blanks(known[key]))) or "none"
                raise self.fault(f"must have the same blanks as the text it stands for: {wanted}", place)
        return given

    def logo(self, given: Mapping[str, Any], fetch: Fetch) -> bytes:
        """Return the logo as PNG on white: PDF/A readers differ in how they show transparency."""
        if not given.get("logo"):
            return b""
        name = self.text(given["logo"], "logo")
        data = fetch(name)
        if len(data) > MAX_LOGO_BYTES:
            raise self.fault(f"{name} is larger than {MAX_LOGO_BYTES} bytes", "logo")
        try:
            with Image.open(io.BytesIO(data), formats=("PNG", "JPEG")) as image:
                if image.width * image.height > MAX_LOGO_PIXELS:
                    raise self.fault(f"{name} has more than {MAX_LOGO_PIXELS} pixels", "logo")
                seen = image.convert("RGBA")
        except (UnidentifiedImageError, OSError, SyntaxError, Image.DecompressionBombError) as fault:
            raise self.fault(f"{name} is not a PNG or JPEG image", "logo") from fault
        flat = Image.new("RGB", seen.size, "white")
        flat.paste(seen, mask=seen.getchannel("A"))
        made = io.BytesIO()
        flat.save(made, "PNG")
        return made.getvalue()

    def typeface(self, given: Mapping[str, Any], fetch: Fetch) -> Typeface:
        fonts = given.get("fonts", {})
        if not fonts:
            return noto_sans()
        if not isinstance(fonts, dict):
            raise self.fault("must be a table with regular and bold", "fonts")
        self.known(fonts, ("regular", "bold"), "fonts")
        regular = self.text(fonts.get("regular"), "fonts, regular")
        bold = self.text(fonts.get("bold", regular), "fonts, bold")
        made = Typeface(regular=fetch(regular), bold=fetch(bold), name=regular.rpartition(".")[0] or regular)
        _ = made.repertoire
        return made
