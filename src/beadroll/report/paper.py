"""Paper: pages, lines of text, tables, pictures and QR codes, laid out so that nothing is ever cut.

Knows fpdf2 and how to make its files the same byte for byte: dates and identifier come from the arguments, fonts are
embedded. Refuses to know what a sheet is about. Measures are in mm, type sizes in points; y runs down the page.
"""

from __future__ import annotations

import io
import re
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time
from pathlib import Path
from typing import Any, Final

import fpdf
import segno
from fpdf.enums import DocumentCompliance
from PIL import Image

from beadroll.report.properties import Label, xmp
from beadroll.report.template import PAPERS, Template
from beadroll.report.typeface import Weight

MARGIN_MM: Final = 15.0
FOOTER_MM: Final = 16.0
_POINT_MM: Final = 25.4 / 72
_LEADING: Final = 1.32
"""Distance of lines as a multiple of the type size."""
_BLANKS: Final = re.compile(r"(?<= )")
_SIGNS: Final = re.compile(r"(?<=[/_,;:\\-])")
_FAMILY: Final = "sheet"
_SHORT_LINES: Final = 3
"""Lines up to which a value stands in its column; a longer one takes the whole width."""
_ROUNDING_MM: Final = 1e-6
_PAD: Final = 2.0
"""Room between the columns of a table, in mm."""
BODY_PT: Final = 9.5
SMALL_PT: Final = 8.0
INK: Final = (29, 33, 38)
SOFT: Final = (83, 91, 100)
RULE: Final = (190, 186, 176)


@dataclass(frozen=True, slots=True, kw_only=True)
class Style:
    """How a text is set."""

    size_pt: float = BODY_PT
    bold: bool = False
    color: tuple[int, int, int] = INK

    @property
    def line_mm(self) -> float:
        """Distance from line to line."""
        return self.size_pt * _POINT_MM * _LEADING


BODY: Final = Style()
BOLD: Final = Style(bold=True)
LABEL: Final = Style(size_pt=SMALL_PT, color=SOFT)
HEAD: Final = Style(size_pt=SMALL_PT, bold=True, color=SOFT)
SECTION: Final = Style(size_pt=12, bold=True)
TITLE: Final = Style(size_pt=18, bold=True)
FOOT: Final = Style(size_pt=7.5, color=SOFT)


class Paper:
    """One document in the making. Call the drawing functions in reading order, then ``finish``."""

    def __init__(self, template: Template, label: Label, characters: Iterable[str], *, landscape: bool = False) -> None:
        """Begin a document that will print ``characters``. Raises ``InputError`` naming those the font lacks."""
        self._label = label
        self._words = template.words
        self._pdf = fpdf.FPDF(
            orientation="landscape" if landscape else "portrait",
            unit="mm",
            format=PAPERS[template.paper],
            enforce_compliance=DocumentCompliance.PDFA_1B,
        )
        self._describe(label)
        repertoire = {*characters, *label.caution, *label.page, *label.title, *label.kind, *" 0123456789"}
        self._advances: dict[bool, dict[str, float]] = {}
        with tempfile.TemporaryDirectory() as folder:
            for bold, weight in ((False, Weight.REGULAR), (True, Weight.BOLD)):
                file = Path(folder) / f"{weight.name}.ttf"
                file.write_bytes(template.typeface.cut(weight, repertoire))
                self._pdf.add_font(_FAMILY, "B" if bold else "", file)
                font: Any = self._pdf.fonts[_FAMILY + ("B" if bold else "")]
                self._advances[bold] = {char: font.cw[ord(char)] / 1000 for char in repertoire}
                font.ttfont.ensureDecompiled()  # the file is read to the end, so that it may go
        self.y = MARGIN_MM
        self._running = ""
        number = self.measure(label.page.format(page=99999, pages=99999), FOOT) + 4
        title = self.wrap(label.title, self.width - number, FOOT)
        if len(title) > _SHORT_LINES:
            title = self.wrap(label.kind, self.width - number, FOOT)
        self._foot = [*title, *self.wrap(label.caution, self.width, FOOT)]

    def _describe(self, label: Label) -> None:
        pdf = self._pdf
        pdf.set_title(label.title)
        pdf.set_subject(label.subject)
        pdf.set_author(label.author)
        pdf.set_creator(label.program)
        pdf.set_producer(label.program)
        pdf.set_lang(self._words.language)
        moment = datetime.combine(label.dated, time(), UTC)
        pdf.set_creation_date(moment)
        pdf.set_xmp_metadata(xmp(label, self._words.language, moment))
        pdf.set_auto_page_break(auto=False)
        pdf.set_margin(0)

    # -- pages ---------------------------------------------------------------------------------------------------

    @property
    def width(self) -> float:
        """Width of the text between the margins, in mm."""
        return float(self._pdf.w) - 2 * MARGIN_MM

    @property
    def bottom(self) -> float:
        """Where text must end, in mm from the top."""
        return self._foot_top - 4

    @property
    def _foot_top(self) -> float:
        return float(self._pdf.h) - max(FOOTER_MM, 6 + len(self._foot) * FOOT.line_mm)

    def page(self, bookmark: str = "") -> None:
        """Begin a page; one with a bookmark begins a sheet, and the pages after it are headed by that name."""
        self._pdf.add_page()
        self.y = MARGIN_MM
        if bookmark:
            self._pdf.start_section(bookmark)
            running = f"{bookmark}, {self._words('sheet.continued')}"
            self._running = running if len(self.wrap(running, self.width, LABEL)) <= _SHORT_LINES else self._label.kind
        elif self._running:
            self.paragraph(self._running, LABEL, after=2)

    def room(self, height: float) -> bool:
        """Say whether so much fits on this page; begin a new one where it does not. True: still the same page."""
        if self.y + height <= self.bottom:
            return True
        self.page()
        return False

    def skip(self, height: float) -> None:
        """Leave room."""
        self.y += height

    # -- text ----------------------------------------------------------------------------------------------------

    def measure(self, text: str, style: Style = BODY) -> float:
        """Return the width of a text in mm."""
        advances = self._advances[style.bold]
        return sum(map(advances.__getitem__, text)) * style.size_pt * _POINT_MM

    def wrap(self, text: str, width: float, style: Style = BODY) -> list[str]:
        """Break a text into lines no wider than ``width``: at blanks, inside a word only if it must."""
        width += _ROUNDING_MM
        if self.measure(text, style) <= width:
            return [text]
        lines, line = [], ""
        for piece in self._pieces(text, width, style):
            if line and self.measure((line + piece).rstrip(), style) > width:
                lines.append(line.rstrip())
                line = ""
            line += piece
        return [*lines, line.rstrip()] if line.strip() or not lines else lines

    def _pieces(self, text: str, width: float, style: Style) -> Iterator[str]:
        """Yield what fits a line: words; of a longer word the parts behind its signs; of a longer part what fits."""
        for word in _BLANKS.split(text):
            if self.measure(word.rstrip(), style) <= width:
                yield word
                continue
            for part in _SIGNS.split(word):
                yield from self._cut(part, width, style)

    def _cut(self, part: str, width: float, style: Style) -> Iterator[str]:
        advances, start, used = self._advances[style.bold], 0, 0.0
        room = width / (style.size_pt * _POINT_MM)
        for count, char in enumerate(part):
            if used + advances[char] > room and count > start:
                yield part[start:count]
                start, used = count, 0.0
            used += advances[char]
        yield part[start:]

    def line(self, text: str, x: float, y: float, style: Style = BODY) -> None:
        """Set one line at ``x`` from the left edge, its top at ``y``."""
        pdf = self._pdf
        pdf.set_font(_FAMILY, "B" if style.bold else "", style.size_pt)
        pdf.set_text_color(*style.color)
        pdf.text(x, y + style.size_pt * _POINT_MM, text)

    def paragraph(self, text: str, style: Style = BODY, *, narrower: float = 0.0, after: float = 1.5) -> None:
        """Set a text over the width, less what it is to be ``narrower``, and over several pages if need be."""
        for line in self.wrap(text, self.width - narrower, style):
            self.room(style.line_mm)
            self.line(line, MARGIN_MM, self.y, style)
            self.y += style.line_mm
        self.y += after

    def section(self, text: str, *, keep: float = 15.0) -> None:
        """Set a heading that stays with at least ``keep`` mm of what follows."""
        if self.room(SECTION.line_mm + keep + 4):
            self.y += 4
        self.paragraph(text, SECTION)

    def pairs(self, pairs: Iterable[tuple[str, str]], *, columns: int = 3) -> None:
        """Set labels with their values below, in columns; a long value comes after and takes the whole width."""
        gap = 5.0
        width = (self.width - gap * (columns - 1)) / columns
        set_short, long = [], []
        for label, value in pairs:
            lines = self.wrap(value, width)
            if len(lines) > _SHORT_LINES:
                long.append((label, value))
            else:
                set_short.append((self.wrap(label, width, LABEL), lines))
        for start in range(0, len(set_short), columns):
            self._row_of_pairs(set_short[start : start + columns], width + gap)
        for label, value in long:
            self.room(LABEL.line_mm + BODY.line_mm)
            self.paragraph(label, LABEL, after=0)
            self.paragraph(value)

    def _row_of_pairs(self, row: Sequence[tuple[list[str], list[str]]], advance: float) -> None:
        tallest = max(len(label) * LABEL.line_mm + len(value) * BODY.line_mm for label, value in row)
        self.room(tallest)
        for number, (label, value) in enumerate(row):
            x, y = MARGIN_MM + number * advance, self.y
            for style, lines in ((LABEL, label), (BODY, value)):
                for line in lines:
                    self.line(line, x, y, style)
                    y += style.line_mm
        self.y += tallest + 1.5

    def rule(self) -> None:
        """Draw a thin line over the width."""
        self._pdf.set_draw_color(*RULE)
        self._pdf.set_line_width(0.2)
        self._pdf.line(MARGIN_MM, self.y, MARGIN_MM + self.width, self.y)

    # -- tables --------------------------------------------------------------------------------------------------

    def table(self, heads: Sequence[str], rows: Iterable[Sequence[str]], *, last_bold: bool = False) -> None:
        """Set a table; its head stands on every page it runs over, and a cell grows with its text."""
        body = Style(size_pt=SMALL_PT)
        listed = list(rows)
        widths = self._widths(heads, listed)
        self._head(heads, widths)
        for number, row in enumerate(listed):
            style = Style(size_pt=SMALL_PT, bold=True) if last_bold and number == len(listed) - 1 else body
            self._row(heads, widths, [self.wrap(t, w - _PAD, style) for t, w in zip(row, widths, strict=True)], style)
        self.y += 2

    def _widths(self, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> list[float]:
        """Share the width out: as every column would like, else words whole, else the widest columns give way."""
        bold = Style(size_pt=SMALL_PT, bold=True)  # a little wider than the body, so that both fit
        natural, least = [], []
        for number, head in enumerate(heads):
            cells = [(head, HEAD), *((text, bold) for text in {row[number] for row in rows})]
            natural.append(max(self.measure(text, style) for text, style in cells) + _PAD)
            words = (self.measure(word, style) for text, style in cells for word in text.split(" "))
            least.append(max(words) + _PAD)
        room = self.width
        if sum(natural) <= room:
            spare = (room - sum(natural)) / len(natural)
            return [each + spare for each in natural]
        if sum(least) >= room:
            limit = _limit(least, room)
            return [min(each, limit) for each in least]
        # Square roots, so that one long column does not take all the room from several short ones.
        wants = [(more - few) ** 0.5 for more, few in zip(natural, least, strict=True)]
        return [few + want / sum(wants) * (room - sum(least)) for few, want in zip(least, wants, strict=True)]

    def _head(self, heads: Sequence[str], widths: Sequence[float]) -> None:
        cells = [self.wrap(head, width - _PAD, HEAD) for head, width in zip(heads, widths, strict=True)]
        height = max(map(len, cells)) * HEAD.line_mm + 1.5
        self.room(height + 8)
        x = MARGIN_MM
        for lines, width in zip(cells, widths, strict=True):
            for number, line in enumerate(lines):
                self.line(line, x, self.y + number * HEAD.line_mm, HEAD)
            x += width
        self.y += height
        self.rule()
        self.y += 1

    def _row(self, heads: Sequence[str], widths: Sequence[float], cells: Sequence[list[str]], style: Style) -> None:
        done, deepest = 0, max(map(len, cells))
        height = deepest * style.line_mm + 1.6
        if self.y + height > self.bottom and height < self.bottom - MARGIN_MM - 20:
            self.page()
            self._head(heads, widths)
        while done < deepest:
            fits = max(int((self.bottom - self.y) / style.line_mm), 0)
            if not fits:
                self.page()
                self._head(heads, widths)
                continue
            x = MARGIN_MM
            for lines, width in zip(cells, widths, strict=True):
                for number, line in enumerate(lines[done : done + fits]):
                    if line:
                        self.line(line, x, self.y + number * style.line_mm, style)
                x += width
            self.y += min(fits, deepest - done) * style.line_mm
            done += fits
        self.y += 0.8
        self.rule()
        self.y += 0.8

    # -- pictures ------------------------------------------------------------------------------------------------

    def picture(self, data: bytes, x: float, y: float, box: tuple[float, float]) -> tuple[float, float]:
        """Place a JPEG or PNG at the top left of a box, keeping its shape; return the width and height it takes."""
        with Image.open(io.BytesIO(data), formats=("JPEG", "PNG")) as seen:
            across, down = seen.size
        scale = min(box[0] / across, box[1] / down)
        taken = across * scale, down * scale
        self._pdf.image(io.BytesIO(data), x=x, y=y, w=taken[0], h=taken[1])
        return taken

    def logo(self, data: bytes) -> tuple[float, float]:
        """Place a logo in the upper right corner; return the width and height it takes."""
        box = (45.0, 16.0)
        with Image.open(io.BytesIO(data), formats=("JPEG", "PNG")) as seen:
            across = min(box[0], box[1] * seen.width / seen.height)
        return self.picture(data, MARGIN_MM + self.width - across, MARGIN_MM, box)

    def qr(self, text: str, x: float, y: float, side: float) -> None:
        """Draw a QR code (ISO/IEC 18004) of a text, with the quiet zone of four modules inside ``side``."""
        rows = [bytes(row) for row in segno.make(text, error="m", micro=False).matrix]
        module = side / (len(rows) + 8)
        self._pdf.set_fill_color(0, 0, 0)
        for down, row in enumerate(rows):
            for run in re.finditer(rb"\x01+", row):
                left = x + (run.start() + 4) * module
                self._pdf.rect(left, y + (down + 4) * module, len(run.group()) * module, module * 1.02, style="F")

    def boxes(self, titles: Sequence[str], lines: Sequence[str]) -> None:
        """Draw blocks to be signed: a title, then a ruled line for each of ``lines``."""
        across = min(len(titles), 3)
        gap = 6.0
        width = (self.width - gap * (across - 1)) / across
        for start in range(0, len(titles), across):
            group = [self.wrap(title, width, BOLD) for title in titles[start : start + across]]
            top = max(map(len, group)) * BOLD.line_mm
            self.room(top + 11 * len(lines) + 2)
            for number, title in enumerate(group):
                x = MARGIN_MM + number * (width + gap)
                for depth, text in enumerate(title):
                    self.line(text, x, self.y + depth * BOLD.line_mm, BOLD)
                for depth, text in enumerate(lines, start=1):
                    y = self.y + top + 11 * depth - 3
                    self._pdf.set_draw_color(*SOFT)
                    self._pdf.set_line_width(0.2)
                    self._pdf.line(x, y, x + width, y)
                    self.line(text, x, y + 0.4, Style(size_pt=7, color=SOFT))
            self.y += top + 11 * len(lines) + 4

    # -- the end -------------------------------------------------------------------------------------------------

    def finish(self) -> bytes:
        """Set the foot of every page and return the document."""
        pdf = self._pdf
        pages = pdf.pages_count
        for number in range(1, pages + 1):
            pdf.page = number
            pdf.current_font_is_set_on_page = False
            self.y = self._foot_top
            pdf.set_draw_color(*INK)  # said anew on every page: fpdf2 leaves out a colour it has set last
            self.rule()
            said = self._label.page.format(page=number, pages=pages)
            self.line(said, MARGIN_MM + self.width - self.measure(said, FOOT), self.y + 1.5, FOOT)
            for depth, text in enumerate(self._foot):
                self.line(text, MARGIN_MM, self.y + 1.5 + depth * FOOT.line_mm, FOOT)
        return bytes(pdf.output())


def _limit(widths: Sequence[float], room: float) -> float:
    """Return the width that no column may pass, so that together they take ``room``: narrow ones stay as they are."""
    left, many = room, len(widths)
    for each in sorted(widths):
        if each * many >= left:
            break
        left -= each
        many -= 1
    return left / max(many, 1)
