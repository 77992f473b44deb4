"""Key images, presentation states and the encapsulated PDF, read by independent programs."""

import subprocess
from pathlib import Path

import highdicom
import numpy as np
import pydicom
import pytest
from PIL import Image
from pydicom.dataset import Dataset

from dicom_service.report.companions import (
    annotated_views,
    encapsulated_pdf,
    key_images,
    key_views,
    presentation_state,
)
from dicom_service.validators import outside_problems
from test_pacs.studies import small_study

from .conftest import DEVICE, place, signed

pytestmark = pytest.mark.peer

ANIMAL = (
    "PatientSpeciesCodeSequence",
    "PatientBreedDescription",
    "PatientBreedCodeSequence",
    "BreedRegistrationSequence",
    "ResponsiblePerson",
    "ResponsiblePersonRole",
    "ResponsibleOrganization",
    "PatientSexNeutered",
)


def saved(dataset: Dataset, folder: Path, name: str = "object") -> Path:
    path = folder / f"{name}.dcm"
    dataset.save_as(path, enforce_file_format=True)
    return path


def state_of(images: list[Dataset], number: int = 0) -> Dataset:
    image = images[number]
    made = presentation_state(signed(images), image, images, DEVICE, place())
    assert made is not None
    return made


@pytest.mark.parametrize(("species", "side"), [("dog", "R"), ("cat", "L")])
@pytest.mark.parametrize("kind", ["CR", "DX"])
def test_every_companion_is_valid_and_says_whose_animal_it_is(species, side, kind, tmp_path):
    images = small_study(species=species, side=side, kind=kind)
    for image in images:
        image.SpecificCharacterSet, image.PatientName = "ISO_IR 192", "Östergård^Żółć"
    content = signed(images)
    made = {
        "key": key_images(content, images, DEVICE, place()),
        "state": presentation_state(content, images[0], images, DEVICE, place()),
        "pdf": encapsulated_pdf(content, b"%PDF-1.4 odd", images[0], images, DEVICE, place()),
    }
    for name, dataset in made.items():
        assert dataset is not None
        assert outside_problems(saved(dataset, tmp_path, name)) == []
        assert [keyword for keyword in ANIMAL if keyword not in dataset] == []


def test_the_validators_would_have_told(images, tmp_path):
    made = state_of(images)
    del made.Laterality
    made.GraphicAnnotationSequence[0].GraphicLayer = "NOWHERE"
    assert any("Laterality" in line for line in outside_problems(saved(made, tmp_path)))


def test_key_images_are_those_that_findings_and_measurements_point_to(content, images, tmp_path):
    assert key_views(content) == tuple(str(image.SOPInstanceUID) for image in images)
    made = key_images(content, images, DEVICE, place())
    read = highdicom.ko.KeyObjectSelectionDocument.from_dataset(
        pydicom.dcmread(saved(made, tmp_path))
    )
    selected = [
        item.ReferencedSOPSequence[0].ReferencedSOPInstanceUID
        for item in read.content.get_references()
    ]
    assert tuple(selected) == key_views(content)
    assert made.ConceptNameCodeSequence[0].CodeValue == "113000"


def test_a_reading_that_points_to_nothing_has_no_key_images(images):
    normal = signed(images, findings=(), measurements=())
    assert key_images(normal, images, DEVICE, place()) is None


def test_lines_angles_and_variants_are_drawn_on_the_image_they_belong_to(content, images):
    assert annotated_views(content) == tuple(str(i.SOPInstanceUID) for i in images)
    first, second = state_of(images, 0), state_of(images, 1)
    drawn = [
        [
            list(g.GraphicData)
            for a in s.GraphicAnnotationSequence
            for g in a.get("GraphicObjectSequence", [])
        ]
        for s in (first, second)
    ]
    foramen = [60.0, 65.0, 60.0, 75.0, 58.0, 70.0, 62.0, 70.0]
    assert drawn == [[foramen, [60.0, 60.0, 60.0, 90.0]], [[40.0, 40.0, 60.0, 90.0, 40.0, 140.0]]]
    written = [
        t.UnformattedTextValue
        for a in first.GraphicAnnotationSequence
        for t in a.TextObjectSequence
    ]
    assert any("mm" in line for line in written)
    assert "right distal ulna: nutrient foramen, normal variant" in written
    assert "nutrient foramen, normal variant" in written
    greys = {
        layer.GraphicLayer: layer.GraphicLayerRecommendedDisplayGrayscaleValue
        for layer in first.GraphicLayerSequence
    }
    assert greys["VARIANTS"] < greys["MEASURED"] == greys["REMARKS"]
    assert any(line.startswith("right distal radius: ") for line in written)


def test_a_colour_picture_has_no_grayscale_state(content, images):
    images[0].SamplesPerPixel = 3
    assert presentation_state(content, images[0], images, DEVICE, place()) is None


@pytest.mark.parametrize("flip", [False, True])
@pytest.mark.parametrize("rotation", [0, 90, 180, 270])
def test_an_independent_renderer_hangs_the_image_as_the_reader_saw_it(
    images, flip, rotation, tmp_path, program
):
    content = signed(images)
    image = images[0]
    facts = content.facts.images[0].model_copy(
        update={"rotation": rotation, "flip_horizontal": flip}
    )
    rest = content.facts.images[1:]
    bare = signed(images, findings=(), measurements=())
    turned = bare.model_copy(
        update={"facts": content.facts.model_copy(update={"images": (facts, *rest)})}
    )
    made = presentation_state(turned, image, images, DEVICE, place())
    assert made is not None
    made.pop("GraphicAnnotationSequence", None)
    made.pop("GraphicLayerSequence", None)
    picture = tmp_path / "shown.pgm"
    command = [
        program("dcmp2pgm"),
        "-p",
        saved(made, tmp_path),
        saved(image, tmp_path, "i"),
        picture,
    ]
    subprocess.run(list(map(str, command)), check=True, capture_output=True)
    shown = np.asarray(Image.open(picture), dtype=float)
    expected = image.pixel_array.astype(float)
    if flip:
        expected = np.fliplr(expected)
    expected = np.rot90(expected, -rotation // 90)
    assert shown.shape == expected.shape
    sign = -1 if image.PhotometricInterpretation == "MONOCHROME1" else 1
    assert sign * np.corrcoef(shown.ravel(), expected.ravel())[0, 1] > 0.8


def test_the_pdf_comes_back_byte_for_byte_and_points_to_its_report(
    content, images, source, tmp_path
):
    pdf = b"%PDF-1.4 with an odd length"
    made = encapsulated_pdf(content, pdf, source, images, DEVICE, place())
    read = pydicom.dcmread(saved(made, tmp_path))
    assert read.EncapsulatedDocument[: read.EncapsulatedDocumentLength] == pdf
    pointed = read.SourceInstanceSequence[0]
    assert pointed.ReferencedSOPInstanceUID == source.SOPInstanceUID
    assert pointed.PurposeOfReferenceCodeSequence[0].CodeValue == "128225"
    assert read.VerificationFlag == "VERIFIED"
