"""The teaching case as its teacher makes it: pressed, unpacked, its page unfolded step by step."""

import re
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, BrowserContext, Download, Locator, Page, expect

from test_pacs.clinic import Clinic
from test_pacs.reader import ReaderClient
from test_pacs.sending import send
from test_pacs.studies import demo_study
from tests.browser import real_node
from tests.browser.real_node import PASSWORD, client, context_of
from tests.job.helpers import read_and_save
from tests.teaching.names import WORDS, named

pytestmark = [pytest.mark.browser, pytest.mark.long]
STEPS = ("The animal and its images", "Search pattern", "Findings", "Conclusion")


@pytest.fixture(scope="module")
def clinic(tmp_path_factory) -> Iterator[Clinic]:
    with real_node.with_viewer(tmp_path_factory.mktemp("teaching")) as clinic:
        yield clinic


@pytest.fixture(scope="module")
def study_uid(clinic) -> str:
    """A signed study that is full of names."""
    images = named(demo_study("lame labrador").datasets)
    send(images, clinic.archive.port, clinic.archive.ae_title)
    uid = str(images[0].StudyInstanceUID)
    reader = client(clinic, "ida")
    reader.wait_for(uid, "waiting")
    sign(reader, uid)
    return uid


def sign(reader: ReaderClient, uid: str) -> None:
    reader.sign(uid, read_and_save(reader, uid, finding="radius_distal"), PASSWORD)


@pytest.fixture
def context(chromium: Browser, clinic) -> Iterator[BrowserContext]:
    context = context_of(chromium, clinic, "ida")
    yield context
    context.close()


def unpacked(download: Download, folder: Path) -> Path:
    assert download.suggested_filename == "teaching-case.zip"
    packed = folder / "case.zip"
    download.save_as(packed)
    with zipfile.ZipFile(packed) as archive:
        archive.extractall(folder)
    return folder / "teaching-case"


def test_from_the_list_and_from_the_signed_report_the_same_case_without_names(
    context: BrowserContext, clinic: Clinic, study_uid: str, tmp_path: Path, shots: Path
) -> None:
    page = context.new_page()
    with page.expect_download(timeout=60_000) as from_list:
        press_in_list(page, clinic, study_uid, shots)
    expect(page.locator(f"tr[data-uid='{study_uid}'] button")).to_have_text("Teaching case")
    with page.expect_download(timeout=60_000) as from_report:
        press_in_report(page, clinic, study_uid, shots)
    cases = [
        unpacked(download.value, tmp_path / name)
        for download, name in ((from_list, "list"), (from_report, "report"))
    ]
    one, other = (sorted(str(p.relative_to(case)) for p in case.rglob("*")) for case in cases)
    assert len(one) == len(other)
    for case in cases:
        nameless(case)
        unfolds(context, case / "index.html", shots)


def press_in_list(page: Page, clinic: Clinic, study_uid: str, shots: Path) -> None:
    page.goto(f"{clinic.service.address}?state=signed")
    row = page.locator(f"tr[data-uid='{study_uid}']")
    row.get_by_role("button", name=re.compile("Teaching case")).click()
    expect(page.locator("#said")).to_be_visible()
    page.screenshot(path=shots / "teaching-1-list.png")


def press_in_report(page: Page, clinic: Clinic, study_uid: str, shots: Path) -> None:
    page.goto(f"{clinic.service.address}plain?StudyInstanceUIDs={study_uid}")
    panel = page.locator("sesamoid-panel")
    link = panel.get_by_role("link", name="Teaching case")
    link.scroll_into_view_if_needed(timeout=30_000)
    panel.screenshot(path=shots / "teaching-2-report.png")
    link.click()


def nameless(case: Path) -> None:
    """No file has one of the names in it."""
    files = [path for path in case.rglob("*") if path.is_file()]
    found = [
        (path.name, word)
        for path in files
        for word in WORDS
        if word.lower().encode() in path.read_bytes().lower()
    ]
    assert found == []
    assert {"DICOMDIR", "index.html"} <= {path.name for path in files}
    assert len(files) >= 5, "images and report are there, too"


def unfolds(context: BrowserContext, index: Path, shots: Path) -> None:
    """Opened from the disk, without a node: one step after the other, by keys too."""
    page = context.new_page()
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(index.as_uri())
    steps = page.locator("section.step")
    shown = [step for step in steps.all() if step.is_visible()]
    assert len(shown) == 1, "only the first step"
    expect(shown[0].get_by_role("heading", level=2)).to_contain_text(STEPS[0])
    images_are_drawn(shown[0])
    page.screenshot(path=shots / "teaching-3-images.png", full_page=True)
    for number, title in enumerate(STEPS[1:], 2):
        button = page.get_by_role("button", name="Next step")
        button.focus()
        page.keyboard.press("Enter")
        expect(steps.nth(number - 1)).to_be_visible()
        expect(steps.nth(number - 1).get_by_role("heading", level=2)).to_contain_text(title)
        page.screenshot(path=shots / f"teaching-{number + 2}.png", full_page=True)
    expect(page.get_by_role("button", name="Next step")).to_be_hidden()
    expect(steps.nth(2)).to_contain_text("Fracture", ignore_case=True)
    images_are_drawn(steps.nth(2))
    said = page.locator("html").inner_text() + page.title()
    assert [word for word in WORDS if word.lower() in said.lower()] == []
    assert Axe().run(page).response["violations"] == []
    assert [url for url in asked if not url.startswith(("file:", "data:"))] == []
    page.close()


def images_are_drawn(step: Locator) -> None:
    sizes = step.locator("img").evaluate_all("all => all.map(i => [i.complete, i.naturalWidth])")
    assert sizes, "the step shows images"
    assert all(done and width > 50 for done, width in sizes), sizes
