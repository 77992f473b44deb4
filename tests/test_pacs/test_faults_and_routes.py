"""Faults are switched on and off while the archive runs; routes forward what their rule wants."""

import socket
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import pytest
from pydicom import Dataset
from pydicom.uid import RLELossless
from pynetdicom import AE

from test_pacs.archive import Archive, Route

CR = "1.2.840.10008.5.1.4.1.1.1"


def store(archive: Archive, image: Dataset, calling: str = "SENDER") -> int | None:
    """The status of one C-STORE; None when the association was refused."""
    ae = AE(calling)
    ae.add_requested_context(CR)
    association = ae.associate("127.0.0.1", archive.port)
    if not association.is_established:
        assert association.is_rejected
        return None
    status = association.send_c_store(image)
    association.release()
    return int(status.Status)


def test_it_stops_at_once_also_while_somebody_has_only_connected(archive: Archive) -> None:
    with socket.create_connection(("127.0.0.1", archive.port), 5) as caller:
        while not archive._ae.active_associations:
            time.sleep(0.001)
        archive.stop()
        caller.settimeout(5)
        assert caller.recv(1) == b""


def test_a_refused_store_keeps_nothing_until_the_fault_is_off(
    archive: Archive, make_image: Callable
) -> None:
    archive.faults.refuse_store = 0xA700
    image = make_image()
    assert store(archive, image) == 0xA700
    assert archive.stored() == []
    archive.faults.refuse_store = 0
    assert store(archive, image) == 0
    assert len(archive.stored()) == 1


def test_a_forgetting_archive_says_success_and_keeps_nothing(
    archive: Archive, make_image: Callable
) -> None:
    archive.faults.forgets = True
    assert store(archive, make_image()) == 0
    assert archive.stored() == []


def test_a_slow_archive_answers_late(
    archive: Archive, make_image: Callable, monkeypatch: pytest.MonkeyPatch
) -> None:
    waited: list[tuple[float, int]] = []
    slept = time.sleep

    def sleep(seconds: float) -> None:
        if seconds == archive.faults.slow_seconds:
            waited.append((seconds, len(archive.stored())))
        else:
            slept(seconds)

    archive.faults.slow_seconds = 12.5
    monkeypatch.setattr("test_pacs.archive.time", SimpleNamespace(sleep=sleep))
    assert store(archive, make_image()) == 0
    assert waited == [(12.5, 0)]


def test_associations_are_refused_until_the_fault_is_off(
    archive: Archive, make_image: Callable
) -> None:
    archive.faults.refuse_association = True
    assert store(archive, make_image()) is None
    archive.faults.refuse_association = False
    assert store(archive, make_image()) == 0


def test_a_route_forwards_what_its_rule_wants_as_it_was_stored(
    archive: Archive, node: object, make_image: Callable
) -> None:
    archive.routes.append(
        Route("NODE", "127.0.0.1", node.port, lambda header: header.Modality == "CR")
    )
    wanted = make_image()
    wanted.compress(RLELossless)
    archive.put(wanted, make_image(Modality="DX"))
    assert archive.wait_routed()
    assert [d.SOPInstanceUID for d in node.received] == [wanted.SOPInstanceUID]
    assert node.received[0].file_meta.TransferSyntaxUID == RLELossless
    assert node.received[0].PixelData == wanted.PixelData
    assert [d.ok for d in archive.deliveries] == [True]


def test_an_object_is_not_sent_back_to_its_sender(
    archive: Archive, node: object, make_image: Callable
) -> None:
    archive.routes.append(Route("NODE", "127.0.0.1", node.port))
    assert store(archive, make_image(), calling="NODE") == 0
    other = make_image()
    assert store(archive, other) == 0
    assert archive.wait_routed()
    assert [d.SOPInstanceUID for d in node.received] == [other.SOPInstanceUID]


def test_a_stored_study_is_pushed_on_request(
    archive: Archive, node: object, make_image: Callable
) -> None:
    image = make_image()
    archive.put(image, make_image())
    archive.route(image.StudyInstanceUID, Route("NODE", "127.0.0.1", node.port))
    assert archive.wait_routed()
    assert [d.SOPInstanceUID for d in node.received] == [image.SOPInstanceUID]


def test_an_object_waits_for_a_receiver_that_is_away(tmp_path: Path, make_image: Callable) -> None:
    with Archive(tmp_path / "receiver", "NODE") as receiver, Archive(tmp_path / "sender") as sender:
        receiver.faults.refuse_association = True
        sender.routes.append(Route("NODE", "127.0.0.1", receiver.port))
        sender.put(make_image())
        assert not sender.wait_routed(0.5)
        receiver.faults.refuse_association = False
        assert sender.wait_routed()
        assert len(receiver.stored()) == 1
        assert [d.status for d in sender.deliveries if d.ok] == [0]
