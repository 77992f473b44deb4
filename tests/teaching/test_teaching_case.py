"""A teaching case names nobody, still teaches, and is sound DICOM."""

import io
import re
import subprocess
import zipfile
from pathlib import Path

import numpy as np
import pydicom
import pytest
from PIL import Image, ImageDraw
from pydicom.dataset import Dataset

from dicom_service.cli import main
from dicom_service.codes import SCHEME_UID
from dicom_service.errors import SetupError
from dicom_service.review.model import Reading
from dicom_service.teaching import write_case
from dicom_service.teaching.attributes import METHODS
from dicom_service.validators import outside_problems
from test_pacs.clinic import Clinic
from test_pacs.sending import send
from tests.job.helpers import PASSWORD, read_and_save, signed_in
from tests.teaching.names import WORDS, named_study

pytestmark = pytest.mark.peer
TEXT_BOX = (slice(14, 34), slice(4, 60))


def write_into(image: Dataset) -> np.ndarray:
    """A name and a number burned into the corner, as old machines do; the pixels before that."""
    values = image.pixel_array
    page = Image.new("L", values.shape[::-1])
    ImageDraw.Draw(page).text((8, 16), "Q31904", fill=255)
    strokes = np.asarray(page) > 120
    image.PixelData = np.where(strokes, values.max(), values).astype(values.dtype).tobytes()
    image.BurnedInAnnotation = "YES"
    return values


@pytest.fixture(scope="module")
def case(tmp_path_factory) -> tuple[Path, list[Dataset], np.ndarray, str]:
    """A signed and taught case: its folder, the originals, pixels before writing, what was said."""
    folder = tmp_path_factory.mktemp("teach")
    options = {"settle_seconds": 0.3, "retry_first_seconds": 0.2}
    with Clinic(folder, options=options) as clinic:
        images = named_study()
        before = write_into(images[0])
        uid = str(images[0].StudyInstanceUID)
        send(images, clinic.archive.port, clinic.archive.ae_title)
        reader = signed_in(clinic.service.store, clinic.service.address)
        reader.wait_for(uid, "waiting")
        version = read_and_save(reader, uid, finding="radius_distal")
        reading = reader.open(uid)["reading"]
        reading["impression"] = (
            "Fracture. Zorbelian of Mrs Quixbury, seen 2026-02-14 by Ada Okonjowicz."
        )
        reading["findings_text"] = "Zorbelian has a fracture line; compare 14.02.2026."
        version = reader.save(uid, version, Reading.model_validate(reading))["version"]
        reader.sign(uid, version, PASSWORD)
        body = {"text": "Hortensia was told.", "password": PASSWORD}
        reader.request("POST", f"api/studies/{uid}/addendum", body)
        out = folder / "case"
        assert main(["--data", str(clinic.service.store.folder), "teach", uid, str(out)]) == 0
        packed = reader.download(f"api/studies/{uid}/teaching.zip")
        names = zipfile.ZipFile(io.BytesIO(packed)).namelist()
        assert {"teaching-case/DICOMDIR", "teaching-case/index.html"} <= set(names)
        documents = [str(row.path) for row in clinic.service.store.documents(uid)]
    made = [pydicom.dcmread(path) for path in documents if Path(path).exists()]
    return out, [*images, *made], before, uid


def files_of(folder: Path) -> list[Path]:
    return [path for path in folder.rglob("*") if path.is_file()]


def datasets(folder: Path) -> list[Dataset]:
    return [
        pydicom.dcmread(path)
        for path in files_of(folder)
        if path.name not in ("DICOMDIR", "index.html")
    ]


def uids_of(dataset: Dataset) -> set[str]:
    found: set[str] = set()

    def look(_ds: Dataset, element: pydicom.DataElement) -> None:
        if element.VR == "UI" and element.value:
            values = element.value if element.VM > 1 else [element.value]
            found.update(str(value) for value in values)

    dataset.walk(look)
    return {uid for uid in found if not uid.startswith("1.2.840.10008.")}


def test_no_byte_of_any_file_holds_an_identifier_of_the_original(case):
    folder, originals, _, _ = case
    uids = set().union(*(uids_of(dataset) for dataset in originals))
    uids.discard(SCHEME_UID)  # of the program, not of the study
    assert len(uids) > 6
    found = []
    for path in files_of(folder):
        data = path.read_bytes()
        lower = data.lower()
        wide = data.replace(b"\0", b"").lower()
        for secret in (*WORDS, *uids):
            needle = secret.lower().encode()
            if needle in lower or needle in wide or needle in path.name.lower().encode():
                found.append((path.name, secret))
    assert not found, found


def test_the_test_above_would_find_them_in_the_original(case):
    _, originals, _, _ = case
    written = io.BytesIO()
    for dataset in originals:
        dataset.save_as(written, enforce_file_format=True)
    missed = {word for word in WORDS if word.encode() not in written.getvalue()}
    assert missed <= {"2012-03-17"}


def test_the_animal_is_still_of_its_kind_and_age(case):
    folder, originals, _, _ = case
    original = originals[0]
    for dataset in datasets(folder):
        assert dataset.PatientIdentityRemoved == "YES"
        assert dataset.PatientName == "Teaching^Case"
        for keyword in ("PatientAge", "PatientSex", "PatientSpeciesCodeSequence"):
            assert dataset.get(keyword) == original.get(keyword), (dataset.Modality, keyword)


def test_references_in_the_report_lead_to_the_images_of_the_case(case):
    folder, _, _, _ = case
    found = datasets(folder)
    images = {str(d.SOPInstanceUID) for d in found if "PixelData" in d}
    everything = {str(d.SOPInstanceUID) for d in found}
    assert len({str(d.StudyInstanceUID) for d in found}) == 1
    reports = [d for d in found if d.Modality in ("SR", "KO")]
    assert len(reports) == 3
    for document in reports:
        named = set(re.findall(r"Referenced SOP Instance UID\s+UI: (\S+)", str(document)))
        assert named & images
        assert named <= everything, document.Modality


def test_dates_are_moved_together_and_by_more_than_days(case):
    folder, _, _, _ = case
    days = {str(d.StudyDate) for d in datasets(folder)}
    assert len(days) == 1
    assert days.pop() < "20251217"


def test_writing_in_a_corner_is_painted_over_and_the_limb_is_untouched(case):
    folder, originals, before, _ = case
    written = originals[0].pixel_array
    first = next(
        d for d in datasets(folder)
        if "PixelData" in d and d.InstanceNumber == originals[0].InstanceNumber
    )  # fmt: skip
    cleaned = first.pixel_array
    assert (written[TEXT_BOX] != before[TEXT_BOX]).sum() > 30
    strokes = written != before
    assert not (cleaned[strokes] == written[strokes]).any()
    changed = cleaned != written
    changed[:40, :70] = False
    assert not changed.any(), "only the corner was changed: the side marker is as it was"
    assert "BurnedInAnnotation" not in first


def test_outside_readers_accept_the_files_and_the_directory(case, program, tmp_path):
    folder, _, _, _ = case
    count = len(datasets(folder))
    dump = subprocess.run(
        [program("dcmdump"), "-q", str(folder / "DICOMDIR")], capture_output=True, check=True
    ).stdout.decode("latin-1")
    assert dump.count("ReferencedFileID") == count
    for number, dataset in enumerate(d for d in datasets(folder) if "PixelData" not in d):
        file = tmp_path / f"{number}.dcm"
        dataset.save_as(file, enforce_file_format=True)
        assert outside_problems(file) == []
    made = subprocess.run(
        [program("dcmmkdir"), "-q", "+r", "+id", str(folder), "+D", str(tmp_path / "DIR2"),
         "-Pgp", "-W"],
        capture_output=True, check=False,
    )  # fmt: skip
    assert made.returncode == 0, made.stderr.decode()


def test_the_page_needs_nothing_from_outside_and_unfolds(case, chromium):
    folder, _, _, _ = case
    page = chromium.new_page(viewport={"width": 1280, "height": 900})
    asked: list[str] = []
    page.on("request", lambda r: r.url.startswith("data:") or asked.append(r.url))
    page.goto((folder / "index.html").as_uri())
    assert page.locator(".step:visible").count() == 1
    shots = Path(__file__).parents[1] / "browser" / "screenshots"
    shots.mkdir(exist_ok=True)
    page.screenshot(path=shots / "teaching-1.png", full_page=True)
    for step in (2, 3, 4):
        page.get_by_role("button", name="Next step").click()
        assert page.locator(".step:visible").count() == step
    page.screenshot(path=shots / "teaching-4.png", full_page=True)
    assert page.get_by_role("button", name="Next step").is_hidden()
    stated = page.locator("footer").inner_text()
    for code in METHODS:
        assert code.meaning in stated
    assert "PS3.15 Annex E, edition 2026c" in stated
    assert "Fracture" in page.locator(".step").last.inner_text()
    assert len(asked) == 1, asked
    page.close()


def test_a_folder_with_something_in_it_is_refused(tmp_path):
    (tmp_path / "old.txt").write_text("older")
    with pytest.raises(SetupError, match="not empty"):
        write_case(None, tmp_path)  # type: ignore[arg-type]
