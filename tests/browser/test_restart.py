"""The node goes away under an open page, and comes back: nothing is lost, and the panel says so."""

import re
import socket
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Locator, Page, expect

from test_pacs.archive import Archive
from test_pacs.reader import ReaderClient
from test_pacs.sending import send
from test_pacs.studies import demo_study
from tests.browser.waiting import saved, still
from tests.job.helpers import PASSWORD, USER
from tests.job.node_process import NodeProcess

pytestmark = [pytest.mark.browser, pytest.mark.long]
SENTENCE = "Fissure of the proximal phalanx of digit IV, as far as these two views tell. "
SAVES = 9
WITHOUT = "Short, oblique, "
AFTER = "not displaced."
KEY_MS = 25


@pytest.fixture
def archive(tmp_path: Path) -> Iterator[Archive]:
    archive = Archive(tmp_path / "archive")
    archive.start()
    yield archive
    archive.stop()


@pytest.fixture
def node(tmp_path: Path, archive: Archive) -> Iterator[NodeProcess]:
    with closing(socket.create_server(("127.0.0.1", 0))) as free:
        port = free.getsockname()[1]
    node = NodeProcess(tmp_path, archive.port, http_port=port, viewer=True)
    yield node
    node.stop()


@pytest.fixture
def study_uid(node: NodeProcess) -> str:
    client = node.start()
    images = demo_study("lame labrador").datasets
    send(images, node.dimse_port, "SESAMOID")
    uid = str(images[0].StudyInstanceUID)
    client.wait_for(uid, "waiting")
    return uid


@pytest.fixture
def context(chromium: Browser, node: NodeProcess, study_uid: str) -> Iterator[BrowserContext]:
    with closing(chromium.new_context(viewport={"width": 1440, "height": 900})) as context:
        page = context.new_page()
        page.goto(node.address)
        page.get_by_label("User").fill(USER)
        page.get_by_label("Password").fill(PASSWORD)
        page.keyboard.press("Enter")
        page.locator("#rows").wait_for(state="attached")
        yield context


def opened(context: BrowserContext, node: NodeProcess, study_uid: str, host: str) -> Page:
    page = context.new_page()
    page.goto(f"{node.address}{host}?StudyInstanceUIDs={study_uid}")
    page.locator("sesamoid-panel .card h2").wait_for(timeout=60_000)
    still(page, 2)
    return page


def restarted(node: NodeProcess) -> ReaderClient:
    """On the same address, as a service manager does it."""
    address = node.address
    client = node.start()
    assert node.address == address
    return client


def typed_until_it_dies(page: Page, node: NodeProcess) -> str:
    """What was typed until the node was gone, and a few letters after that."""
    for end, letter in enumerate(SENTENCE * 3, 1):
        page.keyboard.type(letter)
        page.wait_for_timeout(KEY_MS)
        if node.process.poll() is not None and end > SAVES:
            assert node.died()
            return (SENTENCE * 3)[:end]
    raise AssertionError("the node did not come to its fault")


def is_whole(page: Page, field: Locator, client: ReaderClient, uid: str, words: str) -> None:
    """The words stand in the field, which keeps the focus, and at the node; nothing is amiss."""
    panel = page.locator("sesamoid-panel")
    expect(panel.locator(".save")).to_have_text(re.compile("^saved"), timeout=40_000)
    saved(page)
    expect(field).to_have_value(words)
    expect(field).to_be_focused()
    expect(panel.get_by_role("alert")).to_have_count(0)
    assert client.open(uid)["reading"]["impression"] == words


@pytest.mark.parametrize(
    ("host", "fault"), [("read", "save.committed"), ("plain", "save.before")], ids=str
)
def test_killed_while_the_reader_types_and_started_again(
    context: BrowserContext,
    node: NodeProcess,
    study_uid: str,
    host: str,
    fault: str,
    shots: Path,
) -> None:
    # The power goes as an entry is written: before it is, or after, with the answer never sent.
    node.stop()
    node.start(f"{fault}:{SAVES}")
    page = opened(context, node, study_uid, host)
    panel = page.locator("sesamoid-panel")
    page.keyboard.press("Space")
    page.keyboard.press("c")
    field = panel.get_by_label("Impression")
    field.focus()
    under = typed_until_it_dies(page, node)
    expect(panel.locator(".save")).to_contain_text("not saved – trying again")
    alert = panel.get_by_role("alert")
    expect(alert).to_contain_text("does not answer")
    page.keyboard.type(WITHOUT, delay=KEY_MS)
    page.screenshot(path=shots / f"restart-1-{host}-away.png")
    expect(field).to_have_value(under + WITHOUT)
    client = restarted(node)
    page.keyboard.type(AFTER, delay=KEY_MS)
    words = under + WITHOUT + AFTER
    is_whole(page, field, client, study_uid, words)
    page.screenshot(path=shots / f"restart-2-{host}-back.png")
    assert len(client.open(study_uid)["reading"]["observations"]) == 1
    # Stopped in an orderly way, with the page reloaded before the node is back.
    node.stop()
    page.keyboard.type(" Rest.")
    expect(alert).to_be_visible()
    page.on("dialog", lambda dialog: dialog.accept())
    with pytest.raises(Exception, match="ERR_CONNECTION_REFUSED"):
        page.reload()
    client = restarted(node)
    page.goto(f"{node.address}{host}?StudyInstanceUIDs={study_uid}")
    panel.locator(".card h2").wait_for(timeout=60_000)
    expect(panel.locator(".message")).to_contain_text("were brought back")
    saved(page)
    assert client.open(study_uid)["reading"]["impression"] == f"{words} Rest."
    # And the work goes on where it was.
    page.keyboard.press("Space")
    saved(page)
    assert len(client.open(study_uid)["reading"]["observations"]) == 2


def test_the_list_says_that_it_is_old_and_goes_on(
    context: BrowserContext, node: NodeProcess, study_uid: str, shots: Path
) -> None:
    page = context.pages[0]
    row = page.locator(f"tr[data-uid='{study_uid}']")
    expect(row).to_be_visible()
    node.kill()
    trouble = page.get_by_role("alert")
    expect(trouble).to_be_visible(timeout=40_000)
    expect(row).to_be_visible()
    page.screenshot(path=shots / "restart-3-list.png")
    restarted(node)
    expect(trouble).to_be_hidden(timeout=40_000)
    expect(row).to_be_visible()
