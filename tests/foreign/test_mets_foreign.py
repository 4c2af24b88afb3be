"""METS against its published schema and an independent reader; PREMIS against the structure its schema states.

The METS schema 1.12.1 of the Library of Congress ships inside the package metsrw (mets.xsd, CC0). It imports the XLink
schema from the network; a stand-in of ours declares the same attributes. No installable package ships the schema of
PREMIS 3.0, so its structure is checked here: which elements, in which order, how often (PREMIS 3.0, premis.xsd; the
orders are restated as facts, checked against code generated from that schema).
"""

from __future__ import annotations

import hashlib
from importlib import resources

import metsrw
import pytest
from lxml import etree

from beadroll.handover.assembling.assemble import assemble
from beadroll.package.layout import Form
from tests.handovers import checked_week, write_week

METS, PREMIS = "{http://www.loc.gov/METS/}", "{http://www.loc.gov/premis/v3}"
XLINK = """<xs:schema xmlns:xs="http://www.w3.org/2001/XMLSchema" xmlns:xlink="http://www.w3.org/1999/xlink"
  targetNamespace="http://www.w3.org/1999/xlink">
  {declared}
</xs:schema>"""
NAMES = ("href", "role", "arcrole", "title", "show", "actuate", "label", "from", "to")
LINKS = ("simple", "extended", "locator", "arc", "resource", "title", "empty")


class NoNetwork(etree.Resolver):
    def resolve(self, url, _public_id, context):
        assert url.endswith("/xlink.xsd"), f"the schema asks for {url}"
        declared = "".join(f'<xs:attribute name="{name}" type="xs:string"/>' for name in NAMES)
        allowed = "".join(f'<xs:attribute ref="xlink:{name}"/>' for name in NAMES)
        for link in LINKS:
            kind = f'<xs:attribute name="type" type="xs:string" fixed="{link}" form="qualified"/>'
            declared += f'<xs:attributeGroup name="{link}Link">{kind}{allowed}</xs:attributeGroup>'
        return self.resolve_string(XLINK.format(declared=declared), context)


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    folder = tmp_path_factory.mktemp("mets")
    write_week(folder / "job")
    made = assemble(checked_week(folder / "job"), folder / "out", form=Form.FOLDER)
    return folder / "out", made


@pytest.fixture(scope="module")
def document(built):
    return etree.parse(built[0] / "data" / "mets.xml")


def test_mets_validates_against_the_published_schema(document):
    parser = etree.XMLParser(no_network=True)
    parser.resolvers.add(NoNetwork())
    published = resources.files("metsrw") / "resources" / "mets.xsd"
    schema = etree.XMLSchema(etree.fromstring(published.read_bytes(), parser))
    copy = etree.fromstring(etree.tostring(document))
    for each in copy.iter(f"{PREMIS}object"):
        del each.attrib["{http://www.w3.org/2001/XMLSchema-instance}type"]  # a type of PREMIS, which is not at hand
    assert schema.validate(copy), schema.error_log
    broken = copy
    broken.find(f"{METS}fileSec").tag = f"{METS}filesection"
    assert not schema.validate(broken)


def test_every_file_of_mets_is_there_with_size_and_digest(built, document):
    files = list(document.iter(f"{METS}file"))
    for file in files:
        href = file.find(f"{METS}FLocat").get("{http://www.w3.org/1999/xlink}href")
        data = (built[0] / "data" / href).read_bytes()
        assert file.get("CHECKSUMTYPE") == "SHA-512"
        assert file.get("CHECKSUM") == hashlib.sha512(data).hexdigest()
        assert int(file.get("SIZE")) == len(data)
    on_disk = [p for p in (built[0] / "data").rglob("*") if p.is_file()]
    assert len(files) == len(on_disk) - 2  # METS itself and the index, which is written after it


def test_the_structure_leads_from_line_to_weld_to_event_to_radiograph(document):
    (structure,) = document.iter(f"{METS}structMap")
    kinds = {div.get("TYPE"): div.getparent().get("TYPE") for div in structure.iter(f"{METS}div")}
    assert kinds == {"handover": "logical", "line": "handover", "weld": "line", "event": "weld", "radiograph": "event"}
    pointed = [pointer.get("FILEID") for pointer in structure.iter(f"{METS}fptr")]
    assert len(pointed) == len(set(pointed)) == len(list(document.iter(f"{METS}file")))


def test_every_reference_inside_the_document_leads_somewhere(document):
    ids = {each.get("ID") for each in document.iter() if each.get("ID")}
    for each in document.iter(f"{METS}file", f"{METS}fptr"):
        named = [*(each.get("ADMID") or "").split(), each.get("FILEID") or each.get("ID")]
        assert set(named) <= ids


ORDER = {
    "object": "objectIdentifier+ objectCharacteristics+ originalName? relationship* linkingEventIdentifier*",
    "objectCharacteristics": "compositionLevel? fixity* size? format+",
    "fixity": "messageDigestAlgorithm messageDigest",
    "event": "eventIdentifier eventType eventDateTime eventDetailInformation* eventOutcomeInformation* "
    "linkingAgentIdentifier* linkingObjectIdentifier*",
    "agent": "agentIdentifier+ agentName* agentType? agentVersion?",
    "relationship": "relationshipType relationshipSubType relatedObjectIdentifier+",
    "linkingAgentIdentifier": "linkingAgentIdentifierType linkingAgentIdentifierValue linkingAgentRole*",
    "linkingObjectIdentifier": "linkingObjectIdentifierType linkingObjectIdentifierValue linkingObjectRole*",
    "linkingEventIdentifier": "linkingEventIdentifierType linkingEventIdentifierValue",
    "objectIdentifier": "objectIdentifierType objectIdentifierValue",
    "eventIdentifier": "eventIdentifierType eventIdentifierValue",
    "agentIdentifier": "agentIdentifierType agentIdentifierValue",
    "relatedObjectIdentifier": "relatedObjectIdentifierType relatedObjectIdentifierValue",
    "format": "formatDesignation",
    "formatDesignation": "formatName formatVersion?",
    "eventDetailInformation": "eventDetail?",
    "eventOutcomeInformation": "eventOutcome? eventOutcomeDetail*",
    "eventOutcomeDetail": "eventOutcomeDetailNote?",
}


def fits(names, order):
    rest = list(names)
    for term in order.split():
        name, often = term.rstrip("+*?"), term[-1] if term[-1] in "+*?" else ""
        count = 0
        while rest and rest[0] == name and (often in ("+", "*") or count == 0):
            rest.pop(0)
            count += 1
        if count == 0 and often not in ("*", "?"):
            return False
    return not rest


def test_premis_has_its_elements_in_the_order_of_its_schema(document):
    seen = set()
    for element in document.iter(f"{PREMIS}*"):
        name = element.tag.removeprefix(PREMIS)
        children = [child.tag.removeprefix(PREMIS) for child in element]
        if children:
            assert fits(children, ORDER[name]), (name, children)
        else:
            assert element.text, name
        seen.add(name)
    assert {"object", "event", "agent", "relationship"} <= seen


def test_every_changed_radiograph_has_an_event_that_names_the_delivered_file(document, built):
    radiographs = [each for weld in built[1].record.welds for each in weld.radiographs]
    changed = {each.delivered_sha512: each for each in radiographs if each.changes}
    events = list(document.iter(f"{PREMIS}event"))
    assert len(events) == len(changed) > 0
    for event in events:
        values = [value.text for value in event.iter(f"{PREMIS}linkingObjectIdentifierValue")]
        radiograph = changed[values[0]]
        assert values[1] == radiograph.path
        assert radiograph.pixel_sha512 in event.findtext(f".//{PREMIS}eventOutcomeDetailNote")
        assert event.findtext(f"{PREMIS}eventDateTime") == "2031-04-07"


def test_an_independent_reader_finds_the_premis_of_every_file(document, built):
    wrapped = [each for each in document.iter(f"{METS}xmlData") if each[0].tag == f"{PREMIS}object"]
    digests = set()
    for each in wrapped:
        read = metsrw.plugins.premisrw.premis_to_data(each[0])
        digests.add(metsrw.plugins.premisrw.data_find_text(read, "object_characteristics/fixity/message_digest"))
    assert digests == {file.sha512 for file in built[1].index.files if file.role != "mets"}
