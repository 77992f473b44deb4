"""The panel beside a viewer that is not there, on a node that is: the page is put into its site."""

import fcntl
import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, BrowserContext, Locator, Page, expect
from pydicom.dataset import Dataset

from dicom_service.passwords import hash_password
from dicom_service.viewer_install import ensure_viewer
from test_pacs.clinic import Clinic
from test_pacs.reader import ReaderClient
from test_pacs.sending import send

# Signing makes, checks and prints documents: on a busy machine that takes its time.
expect.set_options(timeout=30_000)

PASSWORD = "a long enough password"
HOST_PAGE = Path(__file__).with_name("fake_host.html")
READERS = {"ida": "Vreeland^Ida^^Dr", "otto": "Brandt^Otto^^Dr"}


def add_readers(clinic: Clinic) -> None:
    for name, display in READERS.items():
        clinic.service.store.add_user(name, display, hash_password(PASSWORD), ["reader"])


def viewer(folder: Path) -> Path:
    """The host viewer's files, unpacked once for all processes of a test run.

    `folder` is a temporary one of the run; those of each process lie in a folder of its own.
    """
    shared = folder.parents[1] if "PYTEST_XDIST_WORKER" in os.environ else folder.parent
    with (shared / "viewer.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        return ensure_viewer(shared, print)


@contextmanager
def with_viewer(folder: Path, **options: Any) -> Iterator[Clinic]:
    """A clinic whose node serves the host viewer, and its readers."""
    settings = {"settle_seconds": 0.3} | options
    with Clinic(folder, viewer(folder), options=settings) as clinic:
        add_readers(clinic)
        yield clinic


def routed(clinic: Clinic, images: Sequence[Dataset]) -> str:
    """Send a study to the clinic's archive; its UID, once the node waits for a reader."""
    send(images, clinic.archive.port, clinic.archive.ae_title)
    uid = str(images[0].StudyInstanceUID)
    client(clinic, "ida").wait_for(uid, "waiting")
    return uid


def client(clinic: Clinic, user: str) -> ReaderClient:
    """This reader, signed in by the API."""
    made = ReaderClient(clinic.service.address)
    made.sign_in(user, PASSWORD)
    return made


def sign_in(context: BrowserContext, clinic: Clinic, user: str) -> None:
    """Let this browser be this reader's."""
    page = context.new_page()
    page.goto(clinic.service.address)
    page.get_by_label("User").fill(user)
    page.get_by_label("Password").fill(PASSWORD)
    page.keyboard.press("Enter")
    page.locator("#rows").wait_for(state="attached")
    page.close()


def context_of(chromium: Browser, clinic: Clinic, user: str) -> BrowserContext:
    """A browser of its own in which this reader is signed in."""
    context = chromium.new_context(viewport={"width": 1280, "height": 1000})
    sign_in(context, clinic, user)
    context.route("**/panel?*", lambda route: route.fulfill(path=HOST_PAGE))
    return context


def open_panel(context: BrowserContext, clinic: Clinic, study_uid: str) -> tuple[Page, Locator]:
    page = context.new_page()
    images = client(clinic, "ida").open(study_uid)["facts"]["images"]
    query = "".join(f"&image={image['uid']}" for image in images)
    page.goto(f"{clinic.service.address}panel?study={study_uid}{query}")
    panel = page.locator("sesamoid-panel")
    panel.locator("h1").wait_for()
    return page, panel


def accessible(page: Page) -> None:
    found = Axe().run(page, context="sesamoid-panel").response["violations"]
    wrong = [v["id"] + str(v["nodes"][0]["html"]) for v in found]
    assert wrong == [], wrong
