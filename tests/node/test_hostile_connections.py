"""Connections that are silent, endless or absurd: closed, while others are served."""

import struct
import time
import tracemalloc

import pytest
from pynetdicom.acse import ACSE

from dicom_service.node import limits
from dicom_service.node.services import COMMITMENT
from tests.hostile.wire import associate_request, connected, hung_up
from tests.node.conftest import associate, image, wait_for


@pytest.mark.parametrize("pdu_type", [1, 4, 0x41])
def test_a_pdu_that_claims_a_gigabyte_ends_the_connection_at_once(running, pdu_type):
    tracemalloc.start()
    try:
        with connected(running.port) as connection:
            connection.sendall(struct.pack(">BBL", pdu_type, 0, 1 << 30) + bytes(1000))
            assert hung_up(connection)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 5_000_000
    assert running.send(image())[0].Status == 0


def test_silent_connections_do_not_keep_others_out(running):
    silent = [connected(running.port) for _ in range(20)]
    try:
        assert running.send(image())[0].Status == 0
    finally:
        for connection in silent:
            connection.close()


def test_more_connections_than_the_limit_are_closed_at_once(start, monkeypatch):
    monkeypatch.setattr("dicom_service.node.transport.LIMITS", limits.Limits(connections=3))
    node = start()
    held = [connected(node.port) for _ in range(3)]
    wait_for(lambda: len(node.node._receiver._server.active_associations) == 3)
    with connected(node.port) as one_more:
        assert hung_up(one_more)
    for connection in held:
        connection.close()
    wait_for(lambda: not node.node._receiver._server.active_associations)
    assert node.send(image())[0].Status == 0


def test_a_peer_that_stops_within_a_pdu_is_hung_up_on(start, monkeypatch):
    monkeypatch.setattr("dicom_service.node.transport.LIMITS", limits.Limits(idle_seconds=0.3))
    node = start()
    with connected(node.port) as connection:
        connection.sendall(struct.pack(">BBL", 1, 0, 200) + b"half")
        assert hung_up(connection)


def test_more_associations_than_the_limit_are_told_to_come_again(start, monkeypatch):
    monkeypatch.setattr("dicom_service.node.receiver.LIMITS", limits.Limits(associations=2))
    node = start()
    held = [node.associate() for _ in range(2)]
    third = associate(node.port, [("1.2.840.10008.1.1", "1.2.840.10008.1.2")])
    assert third.is_rejected
    for association in held:
        association.release()
    node.associate().release()


def test_of_requests_at_the_same_moment_no_more_than_the_limit_are_let_in(start, monkeypatch):
    monkeypatch.setattr("dicom_service.node.receiver.LIMITS", limits.Limits(associations=2))
    accept = ACSE.send_accept
    monkeypatch.setattr(ACSE, "send_accept", lambda acse: (accept(acse), time.sleep(0.3)))
    node = start()
    callers = [connected(node.port) for _ in range(20)]
    for caller in callers:
        caller.sendall(associate_request(["1.2.840.10008.1.1"]))
    answers = [caller.recv(1) for caller in callers]
    for caller in callers:
        caller.close()
    assert sorted(answers) == [b"\x02"] * 2 + [b"\x03"] * 18  # A-ASSOCIATE-AC, -RJ


def test_one_address_cannot_take_all_associations_or_connections(start, monkeypatch):
    few = limits.Limits(associations_per_peer=1)
    monkeypatch.setattr("dicom_service.node.receiver.LIMITS", few)
    monkeypatch.setattr(
        "dicom_service.node.transport.LIMITS", limits.Limits(connections_per_peer=2)
    )
    node = start()
    held = node.associate()
    second = associate(node.port, [("1.2.840.10008.1.1", "1.2.840.10008.1.2")])
    assert second.is_rejected
    assert second.acceptor.primitive.result == 2  # transient: it may come again
    wait_for(lambda: len(node.node._receiver._server.active_associations) == 1)
    silent = connected(node.port)
    wait_for(lambda: len(node.node._receiver._server.active_associations) == 2)
    with connected(node.port) as one_more:
        assert hung_up(one_more)
    silent.close()
    held.release()


def test_garbage_instead_of_a_command_ends_only_that_association(running):
    association = running.associate()
    context = association.accepted_contexts[0].context_id
    garbage = b"\x03" + b"no command at all"
    pdv = struct.pack(">LB", len(garbage) + 1, context) + garbage
    association.dul.socket.socket.sendall(struct.pack(">BBL", 4, 0, len(pdv)) + pdv)
    wait_for(lambda: not association.is_established)
    assert running.send(image())[0].Status == 0


def test_a_command_without_an_end_is_cut_off(running):
    association = running.associate()
    context = association.accepted_contexts[0].context_id
    part = b"\x01" + bytes(60_000)
    pdv = struct.pack(">LB", len(part) + 1, context) + part
    pdu = struct.pack(">BBL", 4, 0, len(pdv)) + pdv
    sock = association.dul.socket.socket
    with pytest.raises(OSError, match=r"reset|pipe|descriptor"):
        sock.sendall(pdu * 1000)
    sock.close()
    association.kill()
    assert running.send(image())[0].Status == 0


def test_a_stranger_cannot_report_a_commitment(delivering, archive):
    from pydicom.dataset import Dataset
    from pynetdicom import AE, build_role

    node = delivering()
    archive.faults.silent_commitment = True
    study = node.ready_study()
    uid = node.sign(study)
    wait_for(lambda: node.delivery(study)[0] == "sent")
    entity = AE("STRANGER")
    entity.add_requested_context(COMMITMENT)
    association = entity.associate(
        "127.0.0.1",
        node.port,
        ae_title="SESAMOID",
        ext_neg=[build_role(COMMITMENT, scu_role=False, scp_role=True)],
    )
    report, item = Dataset(), Dataset()
    item.ReferencedSOPClassUID, item.ReferencedSOPInstanceUID = "1.2", uid
    report.TransactionUID, report.ReferencedSOPSequence = "1.2.3", [item]
    status, _ = association.send_n_event_report(report, 1, COMMITMENT, "1.2.840.10008.1.20.1.1")
    association.release()
    assert status.Status == 0x0115
    assert node.delivery(study)[0] == "sent"
