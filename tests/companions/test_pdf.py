"""The printed report, read back with an independent reader."""

import json
import re
import subprocess

import pytest

from dicom_service.report.companions import KeyImage, key_views, report_pdf
from dicom_service.report.companions.limb_map import fitting_map, limb_drawing
from dicom_service.settings import PLUGIN
from dicom_service.workflow.companions import limb_maps

from .conftest import signed, with_addendum

pytestmark = pytest.mark.peer


@pytest.fixture
def read(tmp_path, program):
    """Text of a PDF, page by page, as poppler reads it."""

    def pages(data: bytes) -> list[str]:
        file = tmp_path / "report.pdf"
        file.write_bytes(data)
        command = [program("pdftotext"), "-layout", str(file), "-"]
        done = subprocess.run(command, capture_output=True, check=True, text=True)
        assert done.stderr == ""
        return done.stdout.split("\f")[:-1]

    return pages


def printed(content, png):
    shown = [KeyImage(uid, png(200, 300)) for uid in key_views(content)]
    return report_pdf(content, shown, limb_maps())


def test_one_page_says_whose_what_and_the_answer_before_the_findings(content, png, read):
    pages = read(printed(content, png))
    assert len(pages) == 1
    text = " ".join(pages[0].split())
    order = ["Pixel Invented", "SMALL-1", "Owner Owner Invented", "Impression",
             "Fracture of the distal radius.", "Findings", "Measurements", "Key images",
             "Technique", "Limits", "Dr Ida Vreeland", "2026-03-04 15:06"]  # fmt: skip
    assert [text.find(word) >= 0 for word in order] == [True] * len(order)
    places = [text.find(word) for word in order[3:]]
    assert places == sorted(places)
    assert "22.5 mm" in text
    assert "DPa, right" in text
    assert "Page 1 of 1" in text


def test_invented_data_are_called_so_and_others_are_not(content, png, read):
    assert "INVENTED DATA" in read(printed(content, png))[0]
    facts = content.facts.model_copy(update={"description": "Right carpus"})
    real = content.model_copy(update={"facts": facts})
    assert "INVENTED DATA" not in read(printed(real, png))[0]


def test_a_long_report_continues_and_every_page_says_whose_it_is(images, png, read):
    words = "Bones: " + "The distal radius has a lytic area. " * 400
    pages = read(printed(signed(images, findings_text=words), png))
    assert len(pages) > 2
    for number, page in enumerate(pages, 1):
        assert f"Page {number} of {len(pages)}" in page
        assert "Pixel Invented" in page
        assert ("continued" in page.split("\n")[0]) == (number > 1)
        assert (f"Continued on page {number + 1}" in page) == (number < len(pages))
    flat = " ".join(" ".join(pages).split())
    assert len(re.findall("lytic", flat)) == 400


def test_an_addendum_stands_before_the_impression_and_a_draft_is_called_one(content, png, read):
    text = read(printed(with_addendum(content, "The histology is back."), png))[0]
    assert text.index("The histology is back.") < text.index("Fracture of the distal radius.")
    draft = content.model_copy(update={"kind": "draft", "signer": None, "signed_at": None})
    said = read(printed(draft, png))[0]
    assert "Draft, not signed" in said
    assert "NOT SIGNED" in said
    assert "Signed electronically" not in said


def test_other_scripts_are_printed_or_named_but_never_lost(images, png, read):
    text = " ".join(
        read(printed(signed(images, impression="Хромает; boîte <b> & 🐾"), png))[0].split()
    )
    assert "Хромает; boîte <b> & [paw prints]" in text


def test_the_same_report_gives_the_same_bytes(content, png):
    assert printed(content, png) == printed(content, png)


def test_any_number_and_shape_of_images_is_printed(content, png):
    uid = key_views(content)[0]
    shapes = [(10, 900), (900, 10), (1, 1), *[(120, 100)] * 9]
    assert report_pdf(content, [KeyImage(uid, png(*shape)) for shape in shapes]).startswith(b"%PDF")


def test_the_limb_map_shows_what_was_found(content):
    limb = json.loads((PLUGIN / "maps" / "dog_fore.json").read_text("utf-8"))
    assert fitting_map(content, [limb]) == limb
    drawing = limb_drawing(content, limb, "R", 100)
    fills = [
        path.fillColor.hexval() for group in drawing.contents[1:] for path in group.contents[1:]
    ]
    assert fills.count("0xc0392b") == 1
    assert fills.count("0xe6b450") == 1
    cat = content.model_copy(
        update={"template": content.template.model_copy(update={"species": "cat"})}
    )
    assert fitting_map(cat, [limb]) is None
