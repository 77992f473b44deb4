"""Many objects over one association: as they are, the next one read while the last is sent."""

import contextlib
import socket
import threading
from types import SimpleNamespace

import pydicom
import pytest
from pydicom.uid import ExplicitVRLittleEndian, ImplicitVRLittleEndian, generate_uid
from pynetdicom import AE, evt
from pynetdicom.dimse_primitives import N_EVENT_REPORT
from pynetdicom.dsutils import split_dataset

from dicom_service.errors import TryLater
from dicom_service.node import delivery, outgoing
from dicom_service.node.outgoing import Carrier, NotOffered, prepare, read_ahead
from dicom_service.node.parting import partable
from dicom_service.node.services import COMMITMENT, COMMITMENT_INSTANCE
from tests.node.conftest import CR, HANG_SECONDS, image, wait_for, written


@contextlib.contextmanager
def carrying(association):
    carrier = Carrier(association, 5.0)
    try:
        with carrier:
            yield carrier
    finally:
        association.release()
        carrier.close()


def files(folder, *made):
    paths = [folder / f"{number}.dcm" for number in range(len(made))]
    for path, dataset in zip(paths, made, strict=True):
        path.write_bytes(written(dataset))
    return paths


def rows_of(paths):
    return [SimpleNamespace(path=path) for path in paths]


def data_set(path):
    return path.read_bytes()[split_dataset(path)[1] :]


def test_objects_of_all_sizes_arrive_byte_for_byte(running, tmp_path):
    made = [image(rows=rows, columns=300) for rows in (1, 30, 218, 219, 5000)]
    paths = files(tmp_path, *made)
    association = running.associate()
    with carrying(association) as carrier:
        answers = [carrier.store(ready) for ready in read_ahead(association, rows_of(paths))]
    assert [answer.Status for answer in answers] == [0] * len(paths)
    for dataset, path in zip(made, paths, strict=True):
        (kept,) = running.store.instances(dataset.StudyInstanceUID)
        assert data_set(kept.path) == data_set(path)


def test_a_peer_that_takes_only_implicit_gets_it_encoded_anew(running, tmp_path):
    made = image()
    (path,) = files(tmp_path, made)
    association = running.associate([(CR, ImplicitVRLittleEndian)])
    with carrying(association) as carrier:
        assert carrier.store(prepare(association, path)).Status == 0
    (kept,) = running.store.instances(made.StudyInstanceUID)
    assert kept.transfer_syntax == ImplicitVRLittleEndian
    assert pydicom.dcmread(kept.path) == pydicom.dcmread(path)


def test_an_object_that_the_peer_has_no_syntax_for_is_not_offered(running, tmp_path):
    made = image()
    made.file_meta.TransferSyntaxUID = pydicom.uid.JPEGLosslessSV1
    made.PixelData = pydicom.encaps.encapsulate([made.PixelData])
    made["PixelData"].is_undefined_length = True
    (path,) = files(tmp_path, made)
    association = running.associate([(CR, ExplicitVRLittleEndian)])
    with pytest.raises(NotOffered, match=CR):
        prepare(association, path)
    association.release()


def test_the_next_object_is_read_while_the_last_is_sent_and_no_more(monkeypatch, tmp_path):
    paths = [tmp_path / name for name in "abc"]
    read = []
    monkeypatch.setattr(outgoing, "prepare", lambda _, path: read.append(path))
    objects = read_ahead(None, rows_of(paths))
    next(objects)
    wait_for(lambda: len(read) == 2)
    assert read == paths[:2]
    assert len(list(objects)) == 2
    assert read == paths


def test_an_association_that_ended_before_it_could_be_used_is_not_waited_for(running, tmp_path):
    """Its reactor is gone and never said that it stands still."""
    (path,) = files(tmp_path, image())
    association = running.associate()
    ready = prepare(association, path)
    association.abort()
    association.join(HANG_SECONDS)
    association._is_paused = False
    answers = []

    def use():
        with carrying(association) as carrier:
            answers.append((carrier.is_open, carrier.store(ready)))

    user = threading.Thread(target=use, daemon=True)
    user.start()
    user.join(HANG_SECONDS)
    assert answers == [(False, pydicom.Dataset())]


def test_nothing_is_read_for_a_peer_that_has_gone(monkeypatch, tmp_path):
    """A file may have to be fetched from a bucket first."""
    read = []

    def prepared(_, path):
        read.append(path)
        return path

    class Gone:
        is_open = True

        def store(self, _):
            self.is_open = False
            return pydicom.Dataset()

    monkeypatch.setattr(outgoing, "prepare", prepared)
    rows = [SimpleNamespace(path=tmp_path / name, state="owed") for name in "abcdef"]
    peer = SimpleNamespace(name="archive")
    made = delivery.Delivery(None, None, None, peer, threading.Event(), None)
    assert made._store_all(Gone(), None, rows) == []
    assert [row for row, _ in made._outcome.later] == rows
    assert len(read) <= 2


def test_a_file_that_is_gone_is_the_outcome_of_that_one_alone(running, tmp_path):
    paths = files(tmp_path, image(), image(), image())
    paths[1].unlink()
    association = running.associate()
    first, second, third = read_ahead(association, rows_of(paths))
    association.release()
    assert isinstance(second, FileNotFoundError)
    assert {type(first), type(third)} == {outgoing.Prepared}


class Away:
    @property
    def path(self):
        raise TryLater("The object store does not answer")


def test_a_document_that_cannot_be_fetched_now_is_the_outcome_of_that_one_alone(running, tmp_path):
    rows = rows_of(files(tmp_path, image(), image()))
    association = running.associate()
    first, second, third = read_ahead(association, [rows[0], Away(), rows[1]])
    association.release()
    assert isinstance(second, TryLater)
    assert {type(first), type(third)} == {outgoing.Prepared}


def test_deliveries_share_one_prompt_association(delivering, monkeypatch):
    seen = []

    class Watched(Carrier):
        def __enter__(self):
            connection = self._dul.socket.socket
            option = connection.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
            seen.append(("association", option))
            return super().__enter__()

        def store(self, prepared):
            seen.append(("object", 1))
            return super().store(prepared)

    monkeypatch.setattr(delivery, "Carrier", Watched)
    node = delivering(commitment=False)
    studies = [node.ready_study() for _ in range(3)]
    claim = node.store.claim_outbox
    node.store.claim_outbox = lambda *_: []
    for study in studies:
        node.sign(study)
    node.store.claim_outbox = claim
    node.node.wake()
    wait_for(lambda: all(node.delivery(study)[0] == "sent" for study in studies))
    assert [kind for kind, _ in seen] == ["association", *["object"] * 3]
    assert all(option for _, option in seen)


def test_a_peer_that_goes_away_within_an_object_is_no_answer(tmp_path):
    def handle(event):
        event.assoc.abort(block=False)
        return 0

    with peer({evt.EVT_C_STORE: handle}) as (association, _):
        (path,) = files(tmp_path, image())
        with carrying(association) as carrier:
            assert "Status" not in carrier.store(prepare(association, path))
            wait_for(lambda: not carrier.is_open)


def test_a_commitment_report_between_objects_is_taken_and_answered(tmp_path):
    answered = threading.Event()

    def handle(event):
        tell(event.assoc)
        return 0

    def sent(event):
        if type(event.message).__name__ == "N_EVENT_REPORT_RSP":
            answered.set()

    handlers = {evt.EVT_C_STORE: handle, evt.EVT_DIMSE_RECV: sent}
    with peer(handlers) as (association, reports):
        with carrying(association) as carrier:
            for path in files(tmp_path, image(), image()):
                assert carrier.store(prepare(association, path)).Status == 0
        assert len(reports) == 2
        assert answered.wait(5.0)


def test_a_report_while_the_reactor_stands_still_does_not_keep_the_association_from_ending():
    theirs, answered = [], threading.Event()
    handlers = {
        evt.EVT_ESTABLISHED: lambda event: theirs.append(event.assoc),
        evt.EVT_DIMSE_RECV: lambda _: answered.set(),
    }
    with peer(handlers) as (association, reports):
        release = partable(association)
        association._reactor_checkpoint.clear()
        wait_for(lambda: association._is_paused)
        tell(theirs[0])
        assert answered.wait(5.0)
        wait_for(lambda: not any("_serve_request" in t.name for t in threading.enumerate()))
        ending = threading.Thread(target=release, daemon=True)
        ending.start()
        ending.join(10.0)
        assert association.is_released
        assert len(reports) == 1


def tell(association):
    """Report a commitment over an association that the other side opened."""
    report = N_EVENT_REPORT()
    report.MessageID, report.EventTypeID = 7, 1
    report.AffectedSOPClassUID = COMMITMENT
    report.AffectedSOPInstanceUID = COMMITMENT_INSTANCE
    association.dimse.send_msg(report, association.accepted_contexts[-1].context_id)


@contextlib.contextmanager
def peer(handlers):
    """A peer with these handlers, an association with it, and the reports that came on it."""
    entity = AE("PEER")
    entity.add_supported_context(CR)
    entity.add_supported_context(COMMITMENT)
    server = entity.start_server(("127.0.0.1", 0), block=False, evt_handlers=list(handlers.items()))
    reports = []

    def report(event):
        reports.append(event.event_type)
        return 0, None

    calling = AE(f"OURS{generate_uid()[-4:]}")
    calling.dimse_timeout = calling.network_timeout = calling.acse_timeout = 5.0
    calling.add_requested_context(CR, ExplicitVRLittleEndian)
    calling.add_requested_context(COMMITMENT)
    association = calling.associate(
        "127.0.0.1", server.server_address[1], evt_handlers=[(evt.EVT_N_EVENT_REPORT, report)]
    )
    assert association.is_established
    yield association, reports
    server.shutdown()
