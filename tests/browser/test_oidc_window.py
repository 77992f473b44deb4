"""The window in which a reader without a password here shows who they are, before a signature."""

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Locator, Page, expect

from dicom_service.passwords import hash_password
from test_pacs.clinic import Clinic
from test_pacs.reader import ReaderClient
from test_pacs.sending import send
from test_pacs.studies import small_study
from tests.browser import real_node
from tests.browser.looking import faults
from tests.browser.waiting import saved
from tests.job.helpers import PASSWORD, read_and_save
from tests.web.oidc.provider import SECRET, LyingProvider

pytestmark = [pytest.mark.browser, pytest.mark.long]


@pytest.fixture
def provider() -> Iterator[LyingProvider]:
    made = LyingProvider()
    made.person |= {"sub": "s-9", "preferred_username": "nia", "family_name": "Okafor"}
    yield made
    made.shutdown()
    made.server_close()


@pytest.fixture
def clinic(tmp_path: Path, provider: LyingProvider) -> Iterator[Clinic]:
    oidc = {
        "issuer": provider.issuer,
        "client_id": "node",
        "client_secret": SECRET,
        "readers": ["radiology"],
        "make_accounts": True,
    }
    with real_node.with_viewer(tmp_path / "clinic", oidc=oidc) as clinic:
        yield clinic


@pytest.fixture
def study_uid(clinic: Clinic) -> str:
    """A study that somebody with a password has read and not signed."""
    clinic.service.store.add_user("mo", "Mo", hash_password(PASSWORD), ["reader"])
    images = small_study()
    send(images, clinic.archive.port, clinic.archive.ae_title)
    uid = str(images[0].StudyInstanceUID)
    reader = ReaderClient(clinic.service.address)
    reader.sign_in("mo", PASSWORD)
    reader.wait_for(uid, "waiting")
    read_and_save(reader, uid, finding="radius_distal")
    return uid


@pytest.fixture
def context(chromium: Browser) -> Iterator[BrowserContext]:
    with closing(chromium.new_context(viewport={"width": 1280, "height": 900})) as context:
        yield context


def opened(context: BrowserContext, clinic: Clinic, study_uid: str) -> Page:
    """Signed in by the provider, with the study at its conclusion."""
    page = context.new_page()
    page.goto(f"{clinic.service.address}plain?StudyInstanceUIDs={study_uid}")
    page.locator("a[href*='/oidc/sign-in']").click()
    panel = page.locator("sesamoid-panel")
    panel.locator(".card h2").wait_for(timeout=30_000)
    page.keyboard.press("c")
    saved(page)
    return page


def pressed(page: Page, panel: Locator) -> Page:
    with page.expect_popup() as popup:
        panel.get_by_role("button", name="Sign the report").click()
    return popup.value


def test_the_window_confirms_and_the_panel_signs(
    context: BrowserContext, clinic: Clinic, study_uid: str, provider: LyingProvider, shots: Path
) -> None:
    page = opened(context, clinic, study_uid)
    panel = page.locator("sesamoid-panel")
    form = panel.get_by_role("form", name="Sign")
    expect(form).to_contain_text("Signing as Ida Okafor")
    expect(form).to_contain_text("A window asks you once more")
    expect(form.locator("input")).to_have_count(0)
    provider.asks = True
    window = pressed(page, panel)
    expect(window.get_by_role("heading", name="Provider")).to_be_visible()
    expect(form.get_by_role("status")).to_contain_text("Waiting for the window")
    form.scroll_into_view_if_needed()
    panel.screenshot(path=shots / "oidc-1-waiting.png")
    assert faults(page) == []
    # Closed without a word: nothing is signed, and another press opens it anew.
    window.close()
    window = pressed(page, panel)
    # A provider that did not ask again: the window says why, the panel still waits.
    provider.honours_login = False
    window.get_by_role("link", name="It is me").click()
    expect(window.locator("main")).to_contain_text("did not ask again")
    expect(window.locator("main")).to_contain_text("Close this window and press the button again")
    window.screenshot(path=shots / "oidc-2-refused.png")
    assert client_state(clinic, study_uid) == "reading"
    window.close()
    provider.honours_login = True
    window = pressed(page, panel)
    window.get_by_role("link", name="It is me").click()
    expect(panel.locator(".documents")).to_contain_text("Ida Okafor", timeout=30_000)
    if not window.is_closed():
        window.screenshot(path=shots / "oidc-3-confirmed.png")
    expect(panel.locator(".documents")).to_contain_text("committed", timeout=30_000)
    panel.screenshot(path=shots / "oidc-4-signed.png")
    assert client_state(clinic, study_uid) == "signed"
    assert len({d.SOPInstanceUID for d in clinic.archive.stored(study_uid) if d.Modality == "SR"})


def client_state(clinic: Clinic, study_uid: str) -> str:
    row = clinic.service.store.study(study_uid)
    assert row is not None
    return row.state


def test_a_browser_that_opens_no_window_is_said_and_nothing_is_signed(
    context: BrowserContext, clinic: Clinic, study_uid: str
) -> None:
    context.add_init_script("window.open = () => null")
    page = opened(context, clinic, study_uid)
    panel = page.locator("sesamoid-panel")
    panel.get_by_role("button", name="Sign the report").click()
    expect(panel.get_by_role("alert")).to_contain_text("Allow windows of this page")
    assert client_state(clinic, study_uid) == "reading"
