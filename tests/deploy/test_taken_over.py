"""What an earlier release left is taken over whole by this one, on both engines.

Each file of `frozen` was written by the program of that version (`freezing.py`): signed, withdrawn,
half read, reopened, owed to an archive that was away, of another site, in quarantine, and only in
the journal of a process that was killed.
"""

import contextlib
import hashlib
import json
import tarfile
from pathlib import Path

import psycopg
import pytest
from pydicom import dcmread

from dicom_service import report
from dicom_service.review.model import Reading
from dicom_service.store import Store
from dicom_service.store.backup import restore
from test_pacs.clinic import Clinic
from test_pacs.reader import ReaderClient, RequestRefused
from test_pacs.sending import send
from tests.deploy.freezing import OPTIONS, small
from tests.job.helpers import PASSWORD, read_and_save
from tests.node.conftest import wait_for

FROZEN = sorted((Path(__file__).parent / "frozen").glob("schema-*.tar.xz"))


class Left:
    """The unpacked folder, its index, and what was promised."""

    def __init__(self, packed: Path, folder: Path, url: str) -> None:
        self.folder, self.node, self.url = folder, folder / "node", url
        with tarfile.open(packed) as archive:
            archive.extractall(folder, filter="data")
        self.promised = json.loads((folder / "promised.json").read_text("utf-8"))
        if url:
            self._postgres()

    def _postgres(self) -> None:
        with psycopg.connect(self.url, autocommit=True) as connection:
            connection.execute("DROP SCHEMA public CASCADE")
            connection.execute("CREATE SCHEMA public")
            connection.execute((self.folder / "postgres.sql").read_text("utf-8").encode())
        for file in (self.node / "index.sqlite", *(self.node / "journal").iterdir()):
            file.unlink()  # it was moved into that one
        for file in (self.folder / "node-of-postgres").rglob("*"):
            if file.is_file():
                there = self.node / file.relative_to(self.folder / "node-of-postgres")
                there.parent.mkdir(parents=True, exist_ok=True)
                file.rename(there)

    def study(self, name: str) -> dict:
        return self.promised["studies"][name]


@pytest.fixture(params=["sqlite", "postgres"])
def url(request):
    if request.param == "sqlite":
        yield ""
        return
    server = request.getfixturevalue("postgres")
    url = server.database()
    yield url
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute("DROP SCHEMA public CASCADE")
        connection.execute("CREATE SCHEMA public")
    server.give_back(url)


# The oldest goes through the steps of all that came after it; the others when there is time.
@pytest.fixture(
    params=[
        pytest.param(file, id=file.name.partition(".")[0], marks=[pytest.mark.long] * (number > 0))
        for number, file in enumerate(FROZEN)
    ]
)
def left(request, tmp_path, url):
    return Left(request.param, tmp_path, url)


@pytest.fixture
def clinic(left):
    with Clinic(left.folder, options=OPTIONS | {"index_url": left.url}) as clinic:
        yield clinic


def reader_of(clinic, name="ida") -> ReaderClient:
    client = ReaderClient(clinic.service.address)
    client.sign_in(name, PASSWORD)
    return client


def held(left, store) -> None:
    """Everything that was promised is there."""
    promised = left.promised
    check = store.audit_verify(promised["audit"]["head"])
    assert check.why == ""
    assert check.count >= promised["audit"]["count"]
    there = {
        one.sop_instance_uid: one
        for row in store.studies()
        for one in store.instances(row.study_uid)
    }
    for uid, digest in promised["objects"].items():
        pixels = dcmread(there[uid].path).PixelData
        assert hashlib.sha256(pixels).hexdigest() == digest, uid
    for study in promised["studies"].values():
        papers = store.documents(study["uid"])
        assert set(study["documents"]) <= {paper.sop_instance_uid for paper in papers}
        for paper in papers:
            dataset = dcmread(paper.path)
            assert dataset.SOPInstanceUID == paper.sop_instance_uid
            if paper.role == "report" and paper.signed_by:
                assert report.read(dataset) == store.content(paper.sop_instance_uid)


def test_everything_is_there_and_reads_as_it_was_left(left, clinic):
    store = clinic.service.store
    held(left, store)
    assert set(left.promised["journal"]) <= set(left.promised["objects"])
    assert [row.sop_instance_uid for row in store.quarantined()] == [left.promised["aside"]]
    for name, study in left.promised["studies"].items():
        client = reader_of(clinic, "nora" if name == "north" else "ida")
        opened = client.open(study["uid"])
        assert (opened["state"], opened["version"]) == (study["state"], study["version"]), name
        before = Reading.model_validate(study["reading"])
        assert Reading.model_validate(opened["reading"]) == before, name
    ida = reader_of(clinic)
    assert ida.request("GET", "api/preferences")["language"] == "de"
    with pytest.raises(RequestRefused):
        ida.open(left.study("north")["uid"])


def test_and_the_work_goes_on_where_it_stopped(left, clinic):
    store, reader = clinic.service.store, reader_of(clinic)
    for study in left.promised["studies"].values():
        if study["state"] in ("signed", "withdrawn"):
            reader.wait_for(study["uid"], "committed")  # what was owed finds an archive
    draft, reopened = left.study("draft")["uid"], left.study("reopened")["uid"]
    reader.sign(draft, read_and_save(reader, draft), PASSWORD)
    reader.sign(reopened, reader.open(reopened)["version"], PASSWORD)
    for uid in (draft, reopened):
        reader.wait_for(uid, "committed")
    uid = left.study("signed")["uid"]
    reader.request("POST", f"api/studies/{uid}/addendum", {"text": "New.", "password": PASSWORD})
    images = small("7", "Journal")
    reader.wait_for(str(images[0].StudyInstanceUID), "waiting")
    send(images, clinic.service.dimse_port, "SESAMOID")  # known again by its older digest
    images[0].PatientID = "ANOTHER"
    with pytest.raises(ConnectionError, match="0x0111"):
        send(images[:1], clinic.service.dimse_port, "SESAMOID")
    assert len(store.quarantined()) == 2
    wait_for(lambda: {row.state for row in store.outbox(uid)} == {"committed"}, 30)
    kept = {str(made.SOPInstanceUID) for made in clinic.archive.stored()}
    assert set(left.study("owed")["documents"]) <= kept
    held(left, store)


@pytest.mark.parametrize("url", [""], ids=["restored"])
def test_a_backup_that_an_earlier_release_made_is_restored_into_either_engine(
    left, tmp_path, postgres
):
    for there in ("", postgres.database()):
        to = tmp_path / f"restored-{bool(there)}"
        restore(left.node, to, there)
        with contextlib.closing(Store(to, index_url=there)) as store:
            assert store.sweep().rows_without_blobs == 0
            held(left, store)
        if there:
            postgres.give_back(there)
