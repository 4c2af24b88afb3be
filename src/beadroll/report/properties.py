"""What a document says of itself: title, author, day, and that it is PDF/A, as XMP.

Knows the properties ISO 19005-1 asks for. Refuses to know pages.
"""

from __future__ import annotations

import xml.sax.saxutils as xml
from dataclasses import dataclass
from datetime import date, datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """What stands in a document's properties and on every page's foot."""

    kind: str
    """What the document is, in a word or two: what stands on every page where ``title`` is too long for its foot."""
    title: str
    subject: str
    author: str
    program: str
    dated: date
    caution: str
    page: str
    """The words for the page number, with the blanks ``page`` and ``pages``."""


def xmp(label: Label, language: str, moment: datetime) -> str:
    """Return the document's properties as XMP (ISO 16684-1), which PDF/A-1 wants (ISO 19005-1, 6.7).

    Our own, because fpdf2 would write the time of the day into them.
    """

    def lang(element: str, text: str) -> str:
        said = f'<rdf:li xml:lang="x-default">{xml.escape(text)}</rdf:li>'
        return f"<dc:{element}><rdf:Alt>{said}</rdf:Alt></dc:{element}>"

    when, program = moment.isoformat(timespec="seconds"), xml.escape(label.program)
    return (
        '<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
        '<rdf:Description rdf:about="" xmlns:dc="http://purl.org/dc/elements/1.1/" '
        'xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmlns:pdf="http://ns.adobe.com/pdf/1.3/" '
        'xmlns:pdfaid="http://www.aiim.org/pdfa/ns/id/">'
        "<pdfaid:part>1</pdfaid:part><pdfaid:conformance>B</pdfaid:conformance>"
        f"{lang('title', label.title)}{lang('description', label.subject)}"
        f"<dc:creator><rdf:Seq><rdf:li>{xml.escape(label.author)}</rdf:li></rdf:Seq></dc:creator>"
        f"<dc:language><rdf:Bag><rdf:li>{language}</rdf:li></rdf:Bag></dc:language>"
        f"<xmp:CreatorTool>{program}</xmp:CreatorTool><pdf:Producer>{program}</pdf:Producer>"
        f"<xmp:CreateDate>{when}</xmp:CreateDate><xmp:ModifyDate>{when}</xmp:ModifyDate>"
        f"<xmp:MetadataDate>{when}</xmp:MetadataDate>"
        "</rdf:Description></rdf:RDF></x:xmpmeta>"
    )
