"""An answer of several objects, of which the bucket gives the first and then no more."""

import http.client
import logging

import pytest
import requests

from dicom_service.passwords import hash_password
from dicom_service.service import Service
from dicom_service.settings import Settings
from tests.node.conftest import CR, associate, image
from tests.object_store import KEY, SECRET

PASSWORD = "a long enough password"


@pytest.fixture
def service(tmp_path, objects, way):
    place = objects.place(way.url)
    bucket = {"name": place.name, "endpoint": way.url, "prefix": place.prefix, "access_key": KEY,
              "secret_key": SECRET, "cache_mb": 0}  # fmt: skip
    settings = Settings.model_validate(
        {"data_folder": tmp_path / "data", "dimse_port": 0, "http_port": 0, "bucket": bucket}
    )
    with Service(settings) as service:
        service.store.add_user("ida", "Ida", hash_password(PASSWORD), ["reader"])
        yield service
        way.mode = ""


@pytest.fixture
def study(service):
    """Three images that are in the bucket only."""
    first = image(rows=600, columns=500)
    made = [first, *(image(rows=600, columns=500, study=first.StudyInstanceUID) for _ in "12")]
    association = associate(service.dimse_port, [(CR, first.file_meta.TransferSyntaxUID)])
    assert [association.send_c_store(one).Status for one in made] == [0, 0, 0]
    association.release()
    service.store.drain()
    for folder in ("blobs", "cache"):
        for file in (service.store.folder / folder).rglob("*"):
            if file.is_file():
                file.unlink()
    return str(first.StudyInstanceUID)


@pytest.fixture
def asked(service, study):
    """Address and headers of a request for all of it."""
    browser = requests.Session()
    browser.trust_env = False
    account = {"user": "ida", "password": PASSWORD}
    browser.post(f"{service.address}api/session", json=account, timeout=20).raise_for_status()
    cookie = "; ".join(f"{one.name}={one.value}" for one in browser.cookies)
    accept = 'multipart/related; type="application/dicom"'
    return f"dicomweb/studies/{study}", {"Cookie": cookie, "Accept": accept}


def breaks(way, after: int, mode="away") -> None:
    """The bucket gives so many objects."""
    given = []

    def of(method, path):
        if method == "GET" and "/blobs/" in path:
            given.append(path)
            return len(given) > after
        return False

    way.of, way.mode = of, mode


@pytest.mark.parametrize("mode", ["away", "cut"])
def test_is_cut_off_so_that_the_client_knows_and_the_log_says_why(
    service, way, asked, study, caplog, mode
):
    breaks(way, 1, mode)
    address, headers = asked
    answer = requests.get(service.address + address, headers=headers, stream=True, timeout=20)
    assert answer.status_code == 200
    with caplog.at_level(logging.WARNING), pytest.raises(requests.RequestException):
        _ = answer.content
    assert f"of study {study}: The object store of the bucket" in caplog.text
    assert SECRET not in caplog.text
    way.mode = ""
    whole = requests.get(service.address + address, headers=headers, timeout=20)
    assert whole.content.count(b"DICM") == 3


def test_says_its_length_first_where_chunks_are_not_known(service, way, asked, monkeypatch):
    monkeypatch.setattr(http.client.HTTPConnection, "_http_vsn", 10)
    monkeypatch.setattr(http.client.HTTPConnection, "_http_vsn_str", "HTTP/1.0")
    address, headers = asked
    port = int(service.address.rstrip("/").rpartition(":")[2])
    for after in (1, 3):
        breaks(way, after)
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
        connection.request("GET", f"/{address}", headers=headers)
        answer = connection.getresponse()
        assert answer.status == 200
        if after == 1:
            with pytest.raises(http.client.IncompleteRead):
                answer.read()
        else:
            assert answer.read().count(b"DICM") == 3
        connection.close()


def test_where_already_the_first_cannot_be_had_it_is_said(service, way, asked):
    breaks(way, 0)
    address, headers = asked
    answer = requests.get(service.address + address, headers=headers, timeout=20)
    assert answer.status_code == 503
