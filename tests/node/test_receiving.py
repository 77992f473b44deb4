"""What the node accepts from cameras and archives, and how it answers the rest."""

import socket
import subprocess
import sys
import threading
import tracemalloc

import pydicom
import pytest
from pydicom.uid import (
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
)
from pynetdicom.association import Association

from dicom_service.errors import PeerAway, SetupError, StorageFull
from dicom_service.node import echo
from dicom_service.node.services import STORED_CLASSES, TRANSFER_SYNTAXES
from dicom_service.settings import Peer
from tests.node.conftest import COMPREHENSIVE_SR, CR, associate, dataset, image, wait_for, written


def _storescu(program, port, file, *options, called="SESAMOID"):
    command = [program("storescu"), "-aet", "CAMERA", "-aec", called, *options]
    return subprocess.run(
        [*command, "127.0.0.1", str(port), str(file)], capture_output=True, text=True, timeout=60
    )


def _stored_pixels(running, study):
    (instance,) = running.store.instances(study)
    return pydicom.dcmread(instance.path)


@pytest.mark.peer
@pytest.mark.parametrize(
    ("option", "syntax"), [("-xe", "1.2.840.10008.1.2.1"), ("-xi", "1.2.840.10008.1.2")]
)
def test_dcmtk_stores_an_uncompressed_image(running, program, tmp_path, option, syntax):
    made = image()
    (tmp_path / "cr.dcm").write_bytes(written(made))
    run = _storescu(program, running.port, tmp_path / "cr.dcm", option)
    assert run.returncode == 0, run.stderr
    kept = _stored_pixels(running, made.StudyInstanceUID)
    assert kept.file_meta.TransferSyntaxUID == syntax
    assert kept.PixelData == made.PixelData
    (row,) = running.store.studies()
    assert (row.patient_name, row.patient_id, row.images) == ("Vreeland^Rex", "A-1", 1)
    (instance,) = running.store.instances(made.StudyInstanceUID)
    assert (instance.rows, instance.columns, instance.number_of_frames) == (64, 48, 1)
    assert instance.source == "CAMERA@127.0.0.1"
    assert running.leftovers() == []


@pytest.mark.peer
@pytest.mark.parametrize(
    ("encoder", "option", "bits", "syntax"),
    [
        (("dcmcjpeg", "+el"), "", 16, "1.2.840.10008.1.2.4.57"),
        (("dcmcjpeg", "+e1"), "-xs", 16, "1.2.840.10008.1.2.4.70"),
        (("dcmcjpeg", "+eb"), "-xy", 8, "1.2.840.10008.1.2.4.50"),
        (("dcmcrle",), "-xr", 16, "1.2.840.10008.1.2.5"),
        (("dcmcjpls", "+el"), "-xt", 16, "1.2.840.10008.1.2.4.80"),
        (("dcmcjpls", "+en"), "-xu", 16, "1.2.840.10008.1.2.4.81"),
    ],
)
def test_dcmtk_stores_a_compressed_image(running, program, tmp_path, encoder, option, bits, syntax):
    made = image(bits=bits)
    plain, packed = tmp_path / "plain.dcm", tmp_path / "packed.dcm"
    plain.write_bytes(written(made))
    subprocess.run([program(encoder[0]), *encoder[1:], plain, packed], check=True, timeout=30)
    sent = pydicom.dcmread(packed)
    assert sent.file_meta.TransferSyntaxUID == syntax
    if option:
        run = _storescu(program, running.port, packed, option)
        assert run.returncode == 0, run.stderr
    else:  # DCMTK's senders cannot propose this one
        assert running.send(sent)[0].Status == 0
    kept = _stored_pixels(running, made.StudyInstanceUID)
    assert kept.file_meta.TransferSyntaxUID == syntax
    assert kept.PixelData == sent.PixelData


def test_jpeg_2000_is_stored_as_it_comes(running):
    made = image()
    made.compress(JPEG2000Lossless)
    assert running.send(made)[0].Status == 0
    assert _stored_pixels(running, made.StudyInstanceUID).PixelData == made.PixelData


def test_every_class_is_accepted_in_every_syntax_and_nothing_else(running):
    pairs = [(c, s) for c in STORED_CLASSES for s in TRANSFER_SYNTAXES]
    unknown = [
        ("1.2.840.10008.5.1.4.1.1.2", ExplicitVRLittleEndian),  # CT
        (CR, "1.2.840.10008.1.2.1.99"),  # deflated
        (CR, "1.2.840.10008.1.2.2"),  # big endian
    ]
    for start in range(0, len(pairs), 60):
        part = pairs[start : start + 60]
        association = associate(running.port, part + unknown)
        accepted = {
            (c.abstract_syntax, c.transfer_syntax[0]) for c in association.accepted_contexts
        }
        association.release()
        assert accepted == set(part)


def test_an_echo_is_answered_under_the_right_title_only(running):
    peer = Peer(name="node", ae_title="SESAMOID", port=running.port)
    echo(peer, "CAMERA", 5)
    with pytest.raises(PeerAway, match=r"SOMEBODY at 127\.0\.0\.1:\d+\) refuses the association"):
        echo(peer.model_copy(update={"ae_title": "SOMEBODY"}), "CAMERA", 5)
    running.node.stop()
    with pytest.raises(PeerAway, match="cannot be reached"):
        echo(peer, "CAMERA", 5)


def test_a_peer_whose_name_nobody_knows_is_away_and_the_name_is_said(monkeypatch):
    def unknown(host, *_args, **_more):
        raise socket.gaierror(socket.EAI_NONAME, "Name or service not known")

    monkeypatch.setattr(socket, "getaddrinfo", unknown)
    peer = Peer(name="archive", ae_title="ARCHIVE", host="archive.clinic.example", port=104)
    with pytest.raises(PeerAway, match=r"knows no address of archive\.clinic\.example"):
        echo(peer, "CAMERA", 5)


@pytest.mark.peer
def test_a_sender_that_calls_another_title_is_turned_away(running, program, tmp_path):
    (tmp_path / "cr.dcm").write_bytes(written(image()))
    run = _storescu(program, running.port, tmp_path / "cr.dcm", called="OTHER")
    assert run.returncode != 0
    assert "Called AE Title Not Recognized" in run.stderr
    assert running.store.studies() == []


def test_with_peers_only_strangers_and_known_titles_elsewhere_are_turned_away(start):
    peers = (
        Peer(name="camera", ae_title="CAMERA", port=1),
        Peer(name="far", ae_title="FARAWAY", host="192.0.2.1", port=1),
    )
    node = start(peers_only=True, peers=peers)
    contexts = [(CR, ExplicitVRLittleEndian)]
    known = associate(node.port, contexts, calling="CAMERA")
    assert known.is_established
    known.release()
    assert associate(node.port, contexts, calling="STRANGER").is_rejected
    assert associate(node.port, contexts, calling="FARAWAY").is_rejected


def test_with_peers_only_and_no_peers_nobody_is_let_in(start):
    node = start(peers_only=True)
    assert associate(node.port, [(CR, ExplicitVRLittleEndian)]).is_rejected


def test_the_same_image_twice_is_a_success_and_other_bytes_are_not(running):
    made = image()
    first, second = running.send(made, made)
    assert (first.Status, second.Status) == (0, 0)
    made.PatientID = "changed"
    (third,) = running.send(made)
    assert third.Status == 0x0111
    assert "other content" in third.ErrorComment
    assert len(running.store.quarantined()) == 1
    assert running.leftovers() == []


def test_an_image_sent_again_in_implicit_encoding_is_kept_aside_not_over_the_first(running):
    made = image()
    running.send(made)
    made.file_meta.TransferSyntaxUID = ImplicitVRLittleEndian
    assert running.send(made)[0].Status == 0x0111
    (instance,) = running.store.instances(made.StudyInstanceUID)
    assert instance.transfer_syntax == ExplicitVRLittleEndian


def test_a_report_that_comes_back_from_the_archive_makes_no_work(running):
    (answer,) = running.send(dataset(COMPREHENSIVE_SR))
    assert answer.Status == 0
    assert running.store.studies() == []


def test_no_room_tells_the_sender_to_come_again(running, monkeypatch):
    def full(*_args, **_options):
        raise StorageFull("The data folder has no room. Free some room on its disk.")

    with monkeypatch.context() as patch:
        patch.setattr(running.store, "accept", full)
        (answer,) = running.send(image())
    assert answer.Status == 0xA700
    assert "no room" in answer.ErrorComment
    assert running.leftovers() == []


def test_a_disk_that_fills_while_an_object_arrives_is_an_answer_not_an_abort(running, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("dicom_service.node.stream.IncomingFile._write", full)
        (answer,) = running.send(image())
    assert answer.Status == 0xA700
    assert running.leftovers() == []
    assert running.send(image())[0].Status == 0


def test_a_defect_of_ours_never_ends_as_success(running, monkeypatch, caplog):
    def broken(*_args, **_options):
        raise ZeroDivisionError

    monkeypatch.setattr(running.store, "accept", broken)
    (answer,) = running.send(image())
    assert answer.Status == 0xC000
    assert "could not be stored" in caplog.text
    assert running.leftovers() == []


def test_a_call_that_is_only_about_to_begin_does_not_keep_the_node_from_stopping(
    start, monkeypatch
):
    node = start()
    server = node.node._receiver._server
    coming = Association(server.ae, "acceptor")  # made, but its thread not begun
    monkeypatch.setattr(type(server), "active_associations", [coming])
    node.node.stop()
    assert coming.dul.event_queue.get_nowait() == "Evt17"
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", node.port))


SENDER = """
import sys, pydicom
from pynetdicom import AE
made = pydicom.dcmread(sys.argv[1])
entity = AE("CAMERA")
entity.add_requested_context(made.SOPClassUID, made.file_meta.TransferSyntaxUID)
association = entity.associate("127.0.0.1", int(sys.argv[2]), ae_title="SESAMOID")
status = association.send_c_store(made)
association.release()
sys.exit(0 if status.Status == 0 else 1)
"""


def test_memory_stays_flat_while_a_large_image_arrives(running, tmp_path):
    (tmp_path / "large.dcm").write_bytes(written(image(3000, 2500)))
    tracemalloc.start()
    try:
        command = [sys.executable, "-c", SENDER, tmp_path / "large.dcm", str(running.port)]
        subprocess.run(command, check=True, timeout=60)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert running.store.studies()[0].images == 1
    assert peak < 6_000_000, f"{peak} bytes at the peak for an object of 15 MB"


def test_several_senders_at_once_lose_nothing(running):
    studies = [[image(study=f"1.2.{n}") for _ in range(5)] for n in range(4)]
    threads = [threading.Thread(target=running.send, args=s) for s in studies]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(row.images for row in running.store.studies()) == [5, 5, 5, 5]


def test_a_port_in_use_is_a_sentence(start, running, tmp_path):
    with pytest.raises(SetupError, match=f"port {running.port} at 127") as refused:
        start(dimse_port=running.port)
    assert "dimse_port" in str(refused.value)


def test_an_address_of_another_machine_is_a_sentence(start):
    with pytest.raises(SetupError, match="cannot be used"):
        start(dimse_host="192.0.2.7")


def test_stopping_ends_open_associations_and_all_threads(start):
    before = set(threading.enumerate())
    node = start()
    association = node.associate()
    node.node.stop()
    wait_for(lambda: not association.is_established)
    wait_for(lambda: set(threading.enumerate()) <= before)
