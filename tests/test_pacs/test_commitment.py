"""Storage commitment is reported on the asking association, or on a new one, or as ordered."""

import threading
import time
from collections.abc import Callable, Iterator

import pytest
from pydicom import Dataset
from pydicom.uid import generate_uid
from pynetdicom import AE, evt

from test_pacs.archive import Archive

PUSH_MODEL = "1.2.840.10008.1.20.1"
PUSH_INSTANCE = "1.2.840.10008.1.20.1.1"


class Requester:
    """An AE that asks for commitment and listens for reports, on both ways they can come."""

    def __init__(self, archive: Archive) -> None:
        self.archive = archive
        self.reports: list[tuple[str, int, Dataset]] = []
        self.arrived = threading.Event()
        self.ae = AE("ASKER")
        self.ae.add_requested_context(PUSH_MODEL)
        self.ae.add_supported_context(PUSH_MODEL, scu_role=False, scp_role=True)
        server = self.ae.start_server(
            ("127.0.0.1", 0), block=False, evt_handlers=[self._handler("separate")]
        )
        archive.peers["ASKER"] = ("127.0.0.1", server.server_address[1])

    def _handler(self, way: str) -> tuple:
        def report(event: evt.Event) -> tuple[int, None]:
            self.reports.append((way, event.event_type, event.event_information))
            self.arrived.set()
            return 0x0000, None

        return evt.EVT_N_EVENT_REPORT, report

    def ask(self, *images: Dataset, stay: bool = True, wait: float = 5.0) -> int:
        action = Dataset()
        action.TransactionUID = generate_uid()
        action.ReferencedSOPSequence = []
        for image in images:
            item = Dataset()
            item.ReferencedSOPClassUID = image.SOPClassUID
            item.ReferencedSOPInstanceUID = image.SOPInstanceUID
            action.ReferencedSOPSequence.append(item)
        association = self.ae.associate(
            "127.0.0.1", self.archive.port, evt_handlers=[self._handler("same")]
        )
        status, _ = association.send_n_action(action, 1, PUSH_MODEL, PUSH_INSTANCE)
        if not stay:
            association.release()
        self.arrived.wait(wait)
        self._wait_until_the_archive_knows()
        if association.is_established:
            association.release()
        return int(status.Status)

    def _wait_until_the_archive_knows(self) -> None:
        deadline = time.monotonic() + 5
        while self.reports and not self.archive.commitments[-1].reported:
            assert time.monotonic() < deadline
            time.sleep(0.01)


@pytest.fixture
def requester(archive: Archive) -> Iterator[Requester]:
    running = Requester(archive)
    yield running
    running.ae.shutdown()


def test_kept_objects_are_committed_on_the_same_association(
    archive: Archive, requester: Requester, make_image: Callable
) -> None:
    image = make_image()
    archive.put(image)
    assert requester.ask(image) == 0
    ((way, kind, report),) = requester.reports
    assert (way, kind) == ("same", 1)
    assert [i.ReferencedSOPInstanceUID for i in report.ReferencedSOPSequence] == [
        image.SOPInstanceUID
    ]
    assert archive.commitments[0].committed == [image.SOPInstanceUID]


def test_an_object_that_is_not_kept_fails_with_no_such_instance(
    archive: Archive, requester: Requester, make_image: Callable
) -> None:
    kept, unknown = make_image(), make_image()
    archive.put(kept)
    requester.ask(kept, unknown)
    ((_, kind, report),) = requester.reports
    assert kind == 2
    assert [i.ReferencedSOPInstanceUID for i in report.ReferencedSOPSequence] == [
        kept.SOPInstanceUID
    ]
    (failed,) = report.FailedSOPSequence
    assert failed.ReferencedSOPInstanceUID == unknown.SOPInstanceUID
    assert failed.FailureReason == 0x0112


def test_a_requester_that_has_left_is_called_back(
    archive: Archive, requester: Requester, make_image: Callable
) -> None:
    image = make_image()
    archive.put(image)
    requester.ask(image, stay=False)
    assert [way for way, _, _ in requester.reports] == ["separate"]


def test_the_report_can_be_ordered_on_a_separate_association(
    archive: Archive, requester: Requester, make_image: Callable
) -> None:
    archive.faults.commitment_separate = True
    image = make_image()
    archive.put(image)
    requester.ask(image)
    assert [(way, kind) for way, kind, _ in requester.reports] == [("separate", 1)]


def test_a_lying_archive_fails_what_it_keeps(
    archive: Archive, requester: Requester, make_image: Callable
) -> None:
    archive.faults.commitment_lies = True
    image = make_image()
    archive.put(image)
    requester.ask(image)
    assert requester.reports[0][1] == 2
    assert archive.stored()


def test_a_silent_archive_accepts_and_never_reports(
    archive: Archive, requester: Requester, make_image: Callable
) -> None:
    archive.faults.silent_commitment = True
    image = make_image()
    archive.put(image)
    assert requester.ask(image, wait=0.5) == 0
    assert not requester.reports
    assert archive.commitments[0].reported == ""


def test_a_request_without_references_is_refused(requester: Requester) -> None:
    assert requester.ask(wait=0.3) == 0x0115
