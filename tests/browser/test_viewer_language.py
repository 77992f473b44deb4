"""The host viewer's own tools speak the language of the panel, whatever the browser's is."""

from collections.abc import Iterator
from contextlib import closing

import pytest
from playwright.sync_api import Browser, expect

from test_pacs.clinic import Clinic
from test_pacs.studies import small_study
from tests.browser import real_node
from tests.browser.real_node import client

pytestmark = [pytest.mark.browser, pytest.mark.long]


@pytest.fixture(scope="module")
def clinic(tmp_path_factory) -> Iterator[Clinic]:
    with real_node.with_viewer(tmp_path_factory.mktemp("language")) as clinic:
        yield clinic


@pytest.mark.parametrize(
    ("chosen", "browser", "tool", "section"),
    [("de", "en-US", "Helligkeit/Kontrast", "Knochen"), ("en", "de-DE", "Window Level", "Bone")],
)
def test_the_viewers_own_tools_speak_as_the_panel_does(
    chromium: Browser, clinic: Clinic, chosen: str, browser: str, tool: str, section: str
) -> None:
    uid = real_node.routed(clinic, small_study())
    ida = client(clinic, "ida")
    ida.request("PATCH", "api/preferences", {"language": chosen})
    with closing(chromium.new_context(locale=browser)) as context:
        context.add_cookies(
            [{"name": "sesamoid_language", "value": chosen, "url": clinic.service.address}]
        )
        page = context.new_page()
        # What the viewer noted for itself on an earlier visit does not count any more.
        page.add_init_script("localStorage.setItem('i18nextLng', 'fr')")
        page.goto(f"{clinic.service.address}read?StudyInstanceUIDs={uid}")
        page.locator("input[name=user], #user").first.fill("ida")
        page.locator("input[type=password]").fill(real_node.PASSWORD)
        page.keyboard.press("Enter")
        panel = page.locator("sesamoid-panel")
        expect(panel.get_by_role("button", name=section).first).to_be_visible(timeout=60_000)
        expect(page.get_by_role("button", name=tool)).to_be_visible()
        expect(page.locator("html")).to_have_attribute("lang", chosen)
