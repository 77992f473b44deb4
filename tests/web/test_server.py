"""The real server over a socket, and an independent DICOMweb client against it."""

import io
import socket
import threading
import urllib.error
import urllib.request
from http.client import HTTPConnection
from urllib.parse import urlsplit

import numpy as np
import pydicom
import pytest
import requests
from dicomweb_client.api import DICOMwebClient
from pydicom.uid import JPEGLSLossless

from dicom_service.errors import SetupError
from dicom_service.settings import Settings
from dicom_service.web import serve
from tests.web.conftest import PASSWORD, PDF, SR, dataset, file_of, image


@pytest.fixture
def server(app):
    server = serve(app, Settings(http_port=0))
    yield server
    server.stop()


@pytest.fixture
def session(server):
    session = requests.Session()
    session.trust_env = False
    answer = session.post(
        f"http://127.0.0.1:{server.port}/api/session", json={"user": "ida", "password": PASSWORD}
    )
    session.headers["X-Sesamoid-Token"] = answer.json()["csrf"]
    yield session
    session.close()


@pytest.fixture
def peer(server, session):
    return DICOMwebClient(f"http://127.0.0.1:{server.port}/dicomweb", session=session)


def as_file(made):
    """As read from a file: the client sends nothing that a data set does not have."""
    return pydicom.dcmread(io.BytesIO(file_of(made)))


def test_an_independent_client_stores_finds_and_retrieves(peer):
    made = image(np.arange(96, dtype=np.uint16).reshape(2, 6, 8))
    stored = peer.store_instances([as_file(made)])
    assert stored.ReferencedSOPSequence[0].ReferencedSOPInstanceUID == made.SOPInstanceUID
    ids = (made.StudyInstanceUID, made.SeriesInstanceUID, made.SOPInstanceUID)
    (study,) = peer.search_for_studies(search_filters={"PatientID": "P1"}, fields=["StudyID"])
    assert study["0020000D"]["Value"] == [ids[0]]
    assert peer.search_for_studies(search_filters={"PatientID": "none"}) == []
    (series,) = peer.search_for_series(ids[0])
    assert series["0020000E"]["Value"] == [ids[1]]
    (instance,) = peer.search_for_instances(*ids[:2])
    assert instance["00080018"]["Value"] == [ids[2]]
    (header,) = peer.retrieve_series_metadata(*ids[:2])
    assert header["00100010"]["Value"] == [{"Alphabetic": "Brandt^Bésame"}]
    assert peer.retrieve_instance(*ids) == made
    frames = list(peer.iter_instance_frames(*ids, frame_numbers=[1, 2]))
    assert b"".join(frames) == made.PixelData


def test_an_independent_client_gets_compressed_frames_and_pictures(peer):
    made = image(np.tile(np.arange(64, dtype=np.uint16), (64, 1)) * 50)
    made.compress(JPEGLSLossless, generate_instance_uid=False)
    peer.store_instances([as_file(made)])
    ids = (made.StudyInstanceUID, made.SeriesInstanceUID, made.SOPInstanceUID)
    (frame,) = peer.retrieve_instance_frames(
        *ids, [1], media_types=(("application/octet-stream", "*"),)
    )
    assert frame in made.PixelData
    picture = peer.retrieve_instance_rendered(*ids, media_types=("image/png",))
    assert picture.startswith(b"\x89PNG")


def test_an_independent_client_gets_reports_and_documents(peer, server):
    report = dataset(sop_class=SR, Modality="SR")
    document = dataset(sop_class=PDF, Modality="DOC", StudyInstanceUID=report.StudyInstanceUID)
    document.MIMETypeOfEncapsulatedDocument = "application/pdf"
    document.EncapsulatedDocument = b"%PDF-1.7 even"
    document.EncapsulatedDocument += b"\0"
    peer.store_instances([as_file(report), as_file(document)])
    found = peer.retrieve_study_metadata(report.StudyInstanceUID)
    uris = [item["00420011"]["BulkDataURI"] for item in found if "00420011" in item]
    (content,) = peer.retrieve_bulkdata(f"http://127.0.0.1:{server.port}{uris[0]}")
    assert content.startswith(b"%PDF-1.7")


def test_a_large_object_passes_through_the_server_unchanged(peer, store):
    made = image(np.random.default_rng(1).integers(0, 4095, (3000, 2500), np.uint16))
    peer.store_instances([as_file(made)])
    ids = (made.StudyInstanceUID, made.SeriesInstanceUID, made.SOPInstanceUID)
    (frame,) = peer.retrieve_instance_frames(*ids, [1])
    assert frame == made.PixelData


def test_the_server_does_not_say_what_it_is(server, session):
    assert "Server" not in session.get(f"http://127.0.0.1:{server.port}/login").headers


def test_behind_a_tls_proxy_on_the_same_machine_the_cookie_is_secure(server):
    answer = requests.post(
        f"http://127.0.0.1:{server.port}/api/session",
        json={"user": "ida", "password": PASSWORD},
        headers={"X-Forwarded-Proto": "https", "X-Forwarded-Host": "node.example",
                 "Origin": "https://node.example"},
        timeout=10,
    )  # fmt: skip
    assert answer.status_code == 200
    assert "Secure" in answer.headers["Set-Cookie"]


def test_a_raw_path_outside_is_not_served(server):
    connection = HTTPConnection("127.0.0.1", server.port, timeout=10)
    for path in ("/../../etc/passwd", "/plugin/../../etc/passwd", "/%2e%2e/%2e%2e/etc/passwd"):
        connection.request("GET", path)
        answer = connection.getresponse()
        body = answer.read()
        assert answer.status == 404, path
        assert b"root:" not in body
    connection.close()


def test_a_body_that_claims_to_be_endless_is_refused(server):
    connection = HTTPConnection("127.0.0.1", server.port, timeout=10)
    connection.putrequest("POST", "/api/session")
    connection.putheader("Content-Length", str(1 << 40))
    connection.putheader("Content-Type", "application/json")
    connection.endheaders()
    assert connection.getresponse().status == 413
    connection.close()


def test_a_silent_connection_does_not_hold_up_the_others(server, session):
    silent = [socket.create_connection(("127.0.0.1", server.port)) for _ in range(30)]
    for connection in silent:
        connection.sendall(b"POST /api/session HTTP/1.1\r\nContent-Length: 100\r\n\r\n{")
    answer = session.get(f"http://127.0.0.1:{server.port}/api/health", timeout=5)
    assert answer.status_code == 200
    for connection in silent:
        connection.close()


def test_stopping_ends_the_thread_and_frees_the_port(app):
    server = serve(app, Settings(http_port=0))
    kept = HTTPConnection("127.0.0.1", server.port, timeout=10)
    kept.request("GET", "/api/health")
    kept.getresponse().read()  # an idle connection stays open
    server.stop()
    server.stop()
    assert not [thread for thread in threading.enumerate() if thread.name == "web"]
    again = serve(app, Settings(http_port=server.port))
    with urllib.request.urlopen(f"http://127.0.0.1:{again.port}/api/health", timeout=10) as answer:
        assert answer.status == 200
    again.stop()
    kept.close()


def test_a_port_in_use_is_told_in_a_sentence(app, server):
    with pytest.raises(SetupError, match=rf"port {server.port}: Address already in use"):
        serve(app, Settings(http_port=server.port))


@pytest.mark.parametrize("host", ["no.such.host.invalid", "192.0.2.1"])
def test_an_address_that_is_not_ours_is_told_in_a_sentence(app, host):
    with pytest.raises(SetupError, match="http_host"):
        serve(app, Settings(http_host=host, http_port=0))


def test_requests_run_side_by_side(server, desk, session):
    address = urlsplit(f"http://127.0.0.1:{server.port}")
    barrier = threading.Barrier(6, timeout=10)
    original = desk.open
    desk.open = lambda uid: (barrier.wait(), original(uid))[1]
    statuses = []

    def ask():
        answer = requests.get(
            f"{address.geturl()}/api/studies/1.9/reading", cookies=session.cookies, timeout=15
        )
        statuses.append(answer.status_code)

    threads = [threading.Thread(target=ask) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert statuses == [404] * 6
