"""HL7 v2 messages and MRRT templates, parsed by independent libraries."""

from datetime import date
from xml.etree import ElementTree

import hl7
import html5lib
import pytest

from dicom_service.anatomy import atlas
from dicom_service.report.companions import mrrt_templates, oru_message

from .conftest import AT, corrected, signed, with_addendum


def parsed(content):
    return hl7.parse(oru_message(content, at=AT, control_id="42", facility="A|B"))


def test_the_message_is_read_back_with_patient_order_and_result(content):
    message = parsed(content)
    assert str(message.segment("MSH")[9]) == "ORU^R01^ORU_R01"
    assert str(message.segment("MSH")[10]) == "42"
    assert message["PID.F3"] == "SMALL-1"
    assert str(message.segment("PID")[5]) == "Invented^Pixel"
    assert message["PID.F35.R1.C1"] == "448771007"
    assert message["OBR.F3"] == content.facts.accession_number
    assert str(message.segment("OBR")[25]) == "F"


def test_measurements_are_numbers_with_units(content):
    numbers = [s for s in parsed(content).segments("OBX") if str(s[2]) == "NM"]
    assert [(str(s[5]), str(s[6]).split("^")[0]) for s in numbers] == [
        (f"{m.value:.2f}", m.unit) for m in content.reading.measurements
    ]


def test_the_message_s_own_characters_come_back_from_free_text(content):
    message = parsed(content)
    lines = [message.unescape(str(s[5])) for s in message.segments("OBX")]
    assert content.reading.recommendations in lines
    assert message.unescape(str(message.segment("MSH")[4])) == "A|B"


def test_lines_and_control_characters_cannot_begin_a_segment(images):
    content = signed(images, impression="One.\rPID|1||OTHER\x0b\x1c\nTwo.")
    message = parsed(content)
    assert len(message.segments("PID")) == 1
    assert "\x0b" not in str(message)
    numbers = [int(str(s[1])) for s in message.segments("OBX")]
    assert numbers == list(range(1, len(numbers) + 1))


def test_an_addendum_is_a_correction_and_a_draft_is_preliminary(content):
    assert str(parsed(corrected(content, "The other side.")).segment("OBR")[25]) == "C"
    added = parsed(with_addendum(content, "More."))
    assert {str(s[11]) for s in added.segments("OBX")} == {"C"}
    draft = content.model_copy(update={"kind": "draft", "signer": None, "signed_at": None})
    assert str(parsed(draft).segment("OBR")[25]) == "P"


@pytest.fixture(scope="module")
def templates():
    return dict(mrrt_templates(atlas(), version="1.2", made=date(2026, 3, 4)))


def test_every_region_of_every_species_has_a_template(templates):
    wanted = {f"{s.id}-{r}.html" for s in atlas().all_species for r in atlas().regions(s.id)}
    assert set(templates) == wanted
    assert len(wanted) > 30


def test_templates_are_valid_html5_with_unique_ids_and_labels(templates):
    for text in (templates["dog-carpus.html"], templates["horse-stifle.html"]):
        tree = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(text)
        ids = [node.get("id") for node in tree.iter() if node.get("id")]
        assert len(ids) == len(set(ids))
        labelled = {node.get("for") for node in tree.iter("label")}
        fields = {n.get("id") for tag in ("select", "textarea") for n in tree.iter(tag)}
        assert fields == labelled
        sections = [node.get("data-section-name") for node in tree.iter("section")]
        assert sections[:2] == ["History", "Technique"]
        assert sections[-2:] == ["Impression", "Recommendations"]


def test_every_structure_is_a_choice_and_what_is_coded_exists(templates):
    for name, text in templates.items():
        species, region = name.removesuffix(".html").split("-")
        parser = html5lib.HTMLParser(namespaceHTMLElements=False)
        tree = parser.parse(text)
        (script,) = [n for n in tree.iter("script") if n.get("type") == "text/xml"]
        attributes = ElementTree.fromstring(script.text or "")
        assert attributes.findtext("status") == "ACTIVE"
        ids = {node.get("id") for node in tree.iter() if node.get("id")}
        coded = {entry.get("ORIGTXT") for entry in attributes.iter("entry")}
        assert coded <= ids
        known = atlas().region(species, region)
        assert known is not None
        codes = {code.get("value") for code in attributes.iter("code")}
        assert {structure.code.value for structure in known.structures} <= codes
        assert len(list(tree.iter("select"))) == len(known.structures)
