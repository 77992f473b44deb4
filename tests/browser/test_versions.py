"""A signed report in the panel: added to, corrected, withdrawn, and two readers at once."""

from collections.abc import Iterator
from contextlib import closing
from typing import Any

import pytest
from playwright.sync_api import Browser, Locator, Page, expect

from dicom_service.review.model import Reading
from test_pacs.clinic import Clinic
from test_pacs.sending import send
from test_pacs.studies import late_image, small_study
from tests.browser import real_node
from tests.browser.real_node import PASSWORD, accessible, client, context_of, open_panel
from tests.browser.waiting import saved
from tests.job.helpers import read_and_save

pytestmark = [pytest.mark.browser, pytest.mark.long]


@pytest.fixture(scope="module")
def clinic(tmp_path_factory) -> Iterator[Clinic]:
    options = {"settle_seconds": 0.3, "retry_first_seconds": 0.2}
    with Clinic(tmp_path_factory.mktemp("versions"), options=options) as clinic:
        real_node.add_readers(clinic)
        yield clinic


def read_study(clinic: Clinic) -> tuple[Any, str, int]:
    """A study that ida has read and not signed; its images, UID and version."""
    images = small_study()
    send(images, clinic.archive.port, clinic.archive.ae_title)
    uid = str(images[0].StudyInstanceUID)
    ida = client(clinic, "ida")
    ida.wait_for(uid, "waiting")
    return images, uid, read_and_save(ida, uid, finding="radius_distal")


def press(panel: Locator, name: str) -> None:
    panel.get_by_role("button", name=name, exact=True).click()


def password(panel: Locator, text: str = PASSWORD) -> None:
    panel.locator("input[name=password]").fill(text)


def refused(panel: Locator, words: str) -> None:
    expect(panel.locator(".conclude [role=alert]")).to_contain_text(words)
    expect(panel.locator(".conclude [role=alert]")).to_be_in_viewport()


def test_a_report_is_added_to_corrected_and_withdrawn_and_what_counts_is_always_said(
    chromium: Browser, clinic: Clinic, shots
) -> None:
    images, uid, _ = read_study(clinic)
    with closing(context_of(chromium, clinic, "ida")) as context:
        page, panel = open_panel(context, clinic, uid)
        standing = panel.locator(".standing")
        press(panel, "Conclude")
        expect(standing).to_have_count(0)
        password(panel, "not the right one")
        press(panel, "Sign the report")
        refused(panel, "Nothing was signed. Enter it again.")
        password(panel)
        press(panel, "Sign the report")
        expect(standing).to_contain_text("Signed report: first report, Dr Ida Vreeland")
        page.screenshot(path=shots / "versions-1-signed.png")

        press(panel, "Add")
        expect(panel.get_by_label("What is to be added")).to_be_focused()
        expect(panel.get_by_role("button", name="Sign the addendum")).to_be_in_viewport()
        panel.get_by_label("What is to be added").fill("The owner was telephoned.")
        password(panel)
        press(panel, "Sign the addendum")
        expect(standing).to_contain_text("Version 2 of 2 counts: with addendum")
        tags = panel.locator(".documents .tag")
        expect(tags).to_have_text(["counts", "replaced"])

        press(panel, "Correct")
        panel.get_by_label("What is wrong").fill("It is the ulna.")
        page.screenshot(path=shots / "versions-2-correct.png")
        press(panel, "Open the report again")
        expect(standing).to_contain_text("Opened again by Dr Ida Vreeland")
        expect(standing).to_contain_text("Version 2 of 2 counts")
        expect(panel.get_by_role("heading", name="Still open")).to_be_in_viewport()
        password(panel)
        press(panel, "Sign the correction")
        refused(panel, "nothing differs from the signed report")
        page.screenshot(path=shots / "versions-3-correcting.png")

        press(panel, "Give the correction up")
        press(panel, "Drop it")
        expect(panel.locator(".save")).to_have_text("signed, read only")

        press(panel, "Correct")
        panel.get_by_label("What is wrong").fill("It is the ulna.")
        press(panel, "Open the report again")
        panel.get_by_label("Impression", exact=True).fill("Fracture of the ulna.")
        saved(page)
        password(panel)
        press(panel, "Sign the correction")
        expect(standing).to_contain_text("Version 3 of 3 counts: corrected")
        expect(tags).to_have_text(["counts", "replaced", "replaced"])

        send([late_image(images)], clinic.archive.port, clinic.archive.ae_title)
        _late_image_is_told(page, panel)

        press(panel, "Withdraw")
        panel.get_by_label("Acting on it could do harm").check()
        panel.get_by_label("What happened").fill("These are another dog's images.")
        page.screenshot(path=shots / "versions-4-withdraw.png")
        accessible(page)
        password(panel, "wrong again, that is")
        press(panel, "Withdraw the report")
        refused(panel, "password is not right")
        password(panel)
        press(panel, "Withdraw the report")
        expect(standing).to_contain_text("none of the 3 versions is to be used")
        expect(panel.locator(".save")).to_have_text("withdrawn")
        expect(panel.locator(".documents")).to_contain_text("not to be used")
        page.screenshot(path=shots / "versions-5-withdrawn.png")
        expect(
            panel.get_by_role("group", name="Change the signed report").locator("button")
        ).to_have_text(["Correct"])

        page.goto(clinic.service.address)
        expect(page.locator(f"tr[data-uid='{uid}'] .state")).to_contain_text("Withdrawn")
        page.screenshot(path=shots / "versions-6-list.png")


def _late_image_is_told(page: Page, panel: Locator) -> None:
    """It is asked for when the reader comes back to the window."""

    def came() -> bool:
        page.evaluate("() => window.dispatchEvent(new Event('focus'))")
        page.wait_for_timeout(150)
        return "came after signing" in panel.locator(".standing").inner_text()

    assert any(came() for _ in range(60))


def test_of_two_readers_at_once_the_second_keeps_what_they_entered(
    chromium: Browser, clinic: Clinic, shots
) -> None:
    _, uid, version = read_study(clinic)
    with closing(context_of(chromium, clinic, "otto")) as context:
        page, panel = open_panel(context, clinic, uid)
        client(clinic, "ida").sign(uid, version, PASSWORD)
        press(panel, "Conclude")
        panel.get_by_label("Impression", exact=True).fill("Otto sees more than that.")
        standing = panel.locator(".standing")
        expect(standing).to_contain_text("signed while you were still reading")
        expect(standing).to_contain_text("Signed report: first report, Dr Ida Vreeland")
        page.screenshot(path=shots / "versions-7-overtaken.png")
        accessible(page)

        page.reload()
        press(panel, "Correct the report with it")
        panel.get_by_label("What is wrong").fill("Something was missed.")
        press(panel, "Open the report again")
        expect(panel.get_by_label("Impression", exact=True)).to_have_value(
            "Otto sees more than that."
        )
        saved(page)

        ida = client(clinic, "ida")
        ida.request("DELETE", f"api/studies/{uid}/correction-of-report")
        password(panel)
        press(panel, "Sign the correction")
        refused(panel, "signed")
        expect(panel.locator(".save")).to_have_text("signed, read only")


def test_a_newer_version_from_elsewhere_is_said_and_opens(
    chromium: Browser, clinic: Clinic, shots
) -> None:
    _, uid, version = read_study(clinic)
    ida = client(clinic, "ida")
    ida.sign(uid, version, PASSWORD)
    ida.wait_for(uid, "committed")
    newer = _corrected_elsewhere(clinic, uid)
    send([newer], clinic.service.dimse_port, "SESAMOID")
    with closing(context_of(chromium, clinic, "ida")) as context:
        page, panel = open_panel(context, clinic, uid)
        standing = panel.locator(".standing")
        expect(standing).to_contain_text(
            "A version that was not signed here follows ours: Dr Elsa Where"
        )
        expect(panel.locator(".documents .tag")).to_have_text("not the newest")
        standing.get_by_role("button", name="Open").click()
        calls = page.evaluate("() => window.host.calls")
        assert ["openDocument", str(newer.SeriesInstanceUID), str(newer.SOPInstanceUID)] in calls
        page.screenshot(path=shots / "versions-8-newer.png")
    assert Reading.model_validate(ida.open(uid)["reading"]).impression == "Fracture."


def _corrected_elsewhere(clinic: Clinic, uid: str) -> Any:
    """Our report as another node has signed it anew, a day later."""
    report = next(
        d for d in clinic.archive.stored(uid)
        if d.Modality == "SR" and d.ConceptNameCodeSequence[0].CodeValue == "18748-4"
    )  # fmt: skip
    before = str(report.SOPInstanceUID)
    report.SOPInstanceUID = report.file_meta.MediaStorageSOPInstanceUID = f"{before}.1"[-64:]
    report.SeriesInstanceUID = f"{report.SeriesInstanceUID}.1"[-64:]
    observer = report.VerifyingObserverSequence[0]
    observer.VerifyingObserverName = "Where^Elsa^^Dr"
    observer.VerificationDateTime = "20991126101500"
    return report
