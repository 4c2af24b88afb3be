"""The package described for archives: METS 1.12 with PREMIS 3.0, for systems that know neither weld nor radiograph.

Knows how the index and the record map to files, objects, events and one structure: line, weld, event, radiograph.
Refuses to know a clock: everything is dated by the handover. It repeats what the index and the records say; where they
differ, they count. METS and PREMIS are standards of the Library of Congress.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, Final

from lxml import etree

from beadroll.errors import InputError
from beadroll.package import layout
from beadroll.package.index import FileRole, Index, IndexedFile
from beadroll.record.handover import HandoverRecord
from beadroll.record.radiograph import Radiograph
from beadroll.record.weld import WeldId, WeldRecord

METS_NS: Final = "http://www.loc.gov/METS/"
PREMIS_NS: Final = "http://www.loc.gov/premis/v3"
XLINK_NS: Final = "http://www.w3.org/1999/xlink"
XSI_NS: Final = "http://www.w3.org/2001/XMLSchema-instance"
_NAMESPACES: Final = {"mets": METS_NS, "premis": PREMIS_NS, "xlink": XLINK_NS, "xsi": XSI_NS}
_LOCATIONS: Final = (
    f"{METS_NS} http://www.loc.gov/standards/mets/mets.xsd "
    f"{PREMIS_NS} http://www.loc.gov/standards/premis/v3/premis.xsd"
)
_PATH: Final = "path in package"
_DELIVERED: Final = "SHA-512 of the file as delivered"
_LOCAL: Final = "local"

_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")

Element = Any


def write_mets(record: HandoverRecord, index: Index) -> bytes:
    """Return ``data/mets.xml`` for the files that the index lists at this moment; the same input, the same bytes."""
    made = _Mets(record, index)
    root = _mets(
        "mets",
        made.header(),
        made.administrative(),
        made.files(),
        made.structure(),
        OBJID=f"{record.job.id}/{record.handover.number}/{record.handover.revision}",
        TYPE="weld inspection handover",
        LABEL=f"{record.job.title}: handover {record.handover.number}",
    )
    root.set(f"{{{XSI_NS}}}schemaLocation", _LOCATIONS)
    etree.indent(root, " ")
    data: bytes = etree.tostring(root, encoding="UTF-8", xml_declaration=True)
    return data + b"\n"


def read_files(data: bytes, *, name: str) -> dict[str, tuple[int, str]]:
    """Return path in the package -> size in bytes and SHA-512, as the document's file section states them.

    Entities are not expanded and nothing is fetched. Raises ``InputError`` where it is not such a document.
    """
    parser = etree.XMLParser(resolve_entities=False, no_network=True, load_dtd=False, huge_tree=False)
    try:
        root = etree.fromstring(data, parser)
        rows = [_file_row(file) for file in root.iter(f"{{{METS_NS}}}file")]
    except (etree.XMLSyntaxError, KeyError, ValueError) as fault:
        raise _refused(str(fault)[:200], name) from fault
    files = dict(rows)
    if len(files) != len(rows):
        raise _refused("it names a file twice", name)
    return files


def _file_row(file: Element) -> tuple[str, tuple[int, str]]:
    (where,) = file
    href = str(where.attrib[f"{{{XLINK_NS}}}href"])
    return f"{layout.PAYLOAD}/{href}", (int(file.attrib["SIZE"]), str(file.attrib["CHECKSUM"]))


def _refused(fault: str, name: str) -> InputError:
    return InputError(
        f"is not a METS document of a package: {fault}", path=name, remedy="Ask the sender for a new package."
    )


def _element(namespace: str, tag: str, content: Iterable[Element | str], attributes: Mapping[str, str]) -> Element:
    made = etree.Element(f"{{{namespace}}}{tag}", nsmap=_NAMESPACES)
    for each in content:
        if isinstance(each, str):
            made.text = _xml(each)
        else:
            made.append(each)
    for name, value in attributes.items():
        made.set(name, _xml(value))
    return made


def _mets(tag: str, *content: Element | str, **attributes: str) -> Element:
    return _element(METS_NS, tag, content, attributes)


def _premis(tag: str, *content: Element | str) -> Element:
    return _element(PREMIS_NS, tag, content, {})


def _xml(text: str) -> str:
    """Return a text fit for XML 1.0: what may not stand there becomes the replacement character."""
    return _NOT_XML.sub("\ufffd", text)


class _Mets:
    """The parts of the document, over one set of identifiers."""

    def __init__(self, record: HandoverRecord, index: Index) -> None:
        self._record = record
        self._index = index
        self._dated = record.handover.dated.isoformat()
        self._of_weld: dict[WeldId | None, list[IndexedFile]] = {}
        for file in index.files:
            self._of_weld.setdefault(file.weld, []).append(file)
        self._ids = {file.path: f"file-{number}" for number, file in enumerate(index.files, start=1)}
        self._radiographs = {each.path: each for weld in record.welds for each in weld.radiographs}
        changed = [file.path for file in index.files if self._changes(file)]
        self._events = {path: f"event-{number}" for number, path in enumerate(changed, start=1)}

    def header(self) -> Element:
        job, handover = self._record.job, self._record.handover
        parties = (
            ("CREATOR", "ORGANIZATION", job.contractor),
            ("IPOWNER", "ORGANIZATION", job.client),
            ("CREATOR", "OTHER", self._index.written_by),
        )
        agents = []
        for role, kind, name in parties:
            if name:
                agent = _mets("agent", _mets("name", name), ROLE=role, TYPE=kind)
                if kind == "OTHER":
                    agent.set("OTHERTYPE", "SOFTWARE")
                agents.append(agent)
        return _mets("metsHdr", *agents, CREATEDATE=f"{handover.dated.isoformat()}T00:00:00Z", RECORDSTATUS="complete")

    def administrative(self) -> Element:
        files = self._index.files
        objects = [
            _mets("techMD", _wrapped("PREMIS:OBJECT", self._object(file)), ID=f"object-{self._ids[file.path]}")
            for file in files
        ]
        events = [
            _mets("digiprovMD", _wrapped("PREMIS:EVENT", self._event(file)), ID=self._events[file.path])
            for file in files
            if file.path in self._events
        ]
        agent = _mets("digiprovMD", _wrapped("PREMIS:AGENT", self._agent()), ID="agent-software")
        return _mets("amdSec", *objects, *events, agent, ID="administrative")

    def files(self) -> Element:
        groups = []
        by_role = sorted(self._index.files, key=lambda file: (file.role, file.path))
        for role, files in itertools.groupby(by_role, key=lambda file: file.role):
            groups.append(_mets("fileGrp", *(self._file(file) for file in files), USE=role.value))
        return _mets("fileSec", *groups)

    def structure(self) -> Element:
        welds = sorted(self._record.welds, key=lambda weld: weld.weld.id)
        lines = [
            _mets("div", *(self._weld(weld) for weld in group), TYPE="line", LABEL=line)
            for line, group in itertools.groupby(welds, key=lambda weld: weld.weld.id.line)
        ]
        common = self._pointers(self._of_weld.get(None, []))
        top = _mets("div", *common, *lines, TYPE="handover", LABEL=self._record.handover.number)
        return _mets("structMap", top, TYPE="logical", LABEL="line, weld, event, radiograph")

    def _weld(self, record: WeldRecord) -> Element:
        number = record.weld.id.number
        path = layout.weld_record(record.weld.id.line, number)
        own = self._pointers(file for file in self._of_weld.get(record.weld.id, []) if file.path == path)
        events = [self._weld_event(record, label) for label in _labels(record)]
        return _mets("div", *own, *events, TYPE="weld", LABEL=number)

    def _weld_event(self, record: WeldRecord, label: str) -> Element:
        kind = next((event.kind.value for event in record.events if event.label == label), "")
        shown = [each for each in record.radiographs if each.event == label]
        name = " ".join(part for part in (kind, label) if part) or "as first made"
        return _mets("div", *(self._radiograph(record, each) for each in shown), TYPE="event", LABEL=name)

    def _radiograph(self, record: WeldRecord, radiograph: Radiograph) -> Element:
        files = (f for f in self._of_weld.get(record.weld.id, []) if f.radiograph == radiograph.id)
        label = " ".join(part for part in (radiograph.id, radiograph.segment) if part)
        return _mets("div", *self._pointers(files), TYPE="radiograph", LABEL=label)

    def _pointers(self, files: Iterable[IndexedFile]) -> list[Element]:
        return [_mets("fptr", FILEID=self._ids[file.path]) for file in files]

    def _file(self, file: IndexedFile) -> Element:
        where = _mets("FLocat", LOCTYPE="URL")
        where.set(f"{{{XLINK_NS}}}type", "simple")
        where.set(f"{{{XLINK_NS}}}href", file.path.removeprefix(f"{layout.PAYLOAD}/"))
        about = [f"object-{self._ids[file.path]}"]
        if file.path in self._events:
            about += [self._events[file.path], "agent-software"]
        return _mets(
            "file",
            where,
            ID=self._ids[file.path],
            ADMID=" ".join(about),
            MIMETYPE=file.media_type,
            SIZE=str(file.size_bytes),
            CHECKSUM=file.sha512,
            CHECKSUMTYPE="SHA-512",
        )

    def _object(self, file: IndexedFile) -> Element:
        made = _premis("object", _identifier("object", _PATH, file.path))
        made.set(f"{{{XSI_NS}}}type", "premis:file")
        made.append(
            _premis(
                "objectCharacteristics",
                _premis("compositionLevel", "0"),
                _premis("fixity", _premis("messageDigestAlgorithm", "SHA-512"), _premis("messageDigest", file.sha512)),
                _premis("size", str(file.size_bytes)),
                _premis("format", _premis("formatDesignation", _premis("formatName", file.media_type))),
            )
        )
        if file.delivered_as:
            made.append(_premis("originalName", file.delivered_as))
        radiograph = self._radiographs.get(file.path)
        if radiograph is not None and radiograph.delivered_path:
            made.append(
                _premis(
                    "relationship",
                    _premis("relationshipType", "derivation"),
                    _premis("relationshipSubType", "has source"),
                    _identifier("relatedObject", _PATH, radiograph.delivered_path),
                )
            )
        if file.path in self._events:
            made.append(_identifier("linkingEvent", _LOCAL, self._events[file.path]))
        return made

    def _changes(self, file: IndexedFile) -> Sequence[str]:
        radiograph = self._radiographs.get(file.path)
        return radiograph.changes if radiograph is not None and file.role is FileRole.RADIOGRAPH else ()

    def _event(self, file: IndexedFile) -> Element:
        """Say how the object came to be from the delivered file, and what was proved of it."""
        kept = "can" if file.restorable else "cannot"
        proof = (
            f"Decoded again and compared: no sample differs. SHA-512 of the decoded pixels {file.pixel_sha512}. "
            f"The delivered file {kept} be made again from this object byte for byte."
        )
        return _premis(
            "event",
            _identifier("event", _LOCAL, self._events[file.path]),
            _premis("eventType", "migration"),
            _premis("eventDateTime", self._dated),
            _premis("eventDetailInformation", _premis("eventDetail", " ".join(self._changes(file)))),
            _premis(
                "eventOutcomeInformation",
                _premis("eventOutcome", "success"),
                _premis("eventOutcomeDetail", _premis("eventOutcomeDetailNote", proof)),
            ),
            _identifier("linkingAgent", _LOCAL, "agent-software", role="executing program"),
            _identifier("linkingObject", _DELIVERED, file.delivered_sha512, role="source"),
            _identifier("linkingObject", _PATH, file.path, role="outcome"),
        )

    def _agent(self) -> Element:
        name, _, version = self._index.written_by.partition(" ")
        return _premis(
            "agent",
            _identifier("agent", _LOCAL, "agent-software"),
            _premis("agentName", name),
            _premis("agentType", "software"),
            _premis("agentVersion", version),
        )


def _labels(record: WeldRecord) -> Iterator[str]:
    """Yield the labels of a weld's states: those of its events in order, then any that only radiographs carry."""
    labels = itertools.chain((e.label for e in record.events), sorted(r.event for r in record.radiographs))
    yield from dict.fromkeys(labels)


def _identifier(name: str, kind: str, value: str, *, role: str = "") -> Element:
    """Return one of PREMIS's identifiers, which all have a type and a value, and some a role."""
    make = _premis(
        f"{name}Identifier", _premis(f"{name}IdentifierType", kind), _premis(f"{name}IdentifierValue", value)
    )
    if role:
        make.append(_premis(f"{name}Role", role))
    return make


def _wrapped(kind: str, content: Element) -> Element:
    content.set("version", "3.0")
    attributes: Mapping[str, str] = {"MDTYPE": kind, "MDTYPEVERSION": "3.0"}
    return _mets("mdWrap", _mets("xmlData", content), **attributes)
