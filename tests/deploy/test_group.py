"""The whole big set-up: each process of the compose file at work, killed, moved into and out of."""

import contextlib
import hashlib
import io
import signal
import threading
import time
import urllib.error
from datetime import UTC, datetime

import pytest
from pydicom import dcmread
from pynetdicom import AE

from dicom_service.passwords import hash_password
from dicom_service.review.model import Reading, Template
from dicom_service.settings import load
from dicom_service.site import site_store
from dicom_service.store import Store
from dicom_service.store.backup import back_up, restore
from test_pacs.reader import ReaderClient, RequestRefused, normal_reading
from test_pacs.studies import small_study
from tests.deploy.group import Group
from tests.deploy.test_taken_over import FROZEN, Left, held
from tests.job.helpers import PASSWORD, read_and_save
from tests.postgres_server import Server

CALM = 120.0
"""Everything must be done within this; it only bounds a failure."""
SITES = '\n[[sites]]\nid = "north"\nname = "Clinic North"\nae_titles = ["NORTH"]\n'


@pytest.fixture
def group(tmp_path, objects, program, archive, monkeypatch):
    server = Server(durable=True)
    group = Group(tmp_path / "group", server.database(), objects, archive.port, program("haproxy"))
    archive.peers["SESAMOID"] = ("127.0.0.1", group.dicom)
    monkeypatch.setenv("SSL_CERT_FILE", str(group.certificate))
    yield group
    group.close()
    server.close()


def settings_of(group, name="settle"):
    folder = str(group.folder / "data" / name)
    return load(group.settings, {"SESAMOID_DATA_FOLDER": folder})


def with_user(group) -> None:
    with contextlib.closing(site_store(settings_of(group))) as store:
        store.add_user("ida", "Vreeland^Ida^^Dr", hash_password(PASSWORD), ["reader"])


def camera(group, images) -> bool:
    """Whether every one was acknowledged."""
    entity = AE("CAMERA")
    entity.acse_timeout = entity.dimse_timeout = entity.network_timeout = 10
    entity.add_requested_context(images[0].SOPClassUID, images[0].file_meta.TransferSyntaxUID)
    association = entity.associate("127.0.0.1", group.dicom, ae_title="SESAMOID")
    if not association.is_established:
        return False
    try:
        return all(association.send_c_store(made).get("Status") == 0 for made in images)
    except RuntimeError:
        return False
    finally:
        association.abort()


def reader_of(group) -> ReaderClient:
    client = ReaderClient(group.address)
    client.sign_in("ida", PASSWORD)
    return client


def test_every_command_of_the_compose_file_runs_and_a_study_goes_through_all(group, archive):
    group.start()
    with_user(group)
    images = small_study()
    assert camera(group, images)
    reader, uid = reader_of(group), str(images[0].StudyInstanceUID)
    reader.wait_for(uid, "waiting")
    reader.sign(uid, read_and_save(reader, uid, finding="radius_distal"), PASSWORD)
    reader.wait_for(uid, "committed")
    shown = reader.download(f"api/studies/{uid}/report.txt").decode()
    assert "Fracture." in shown
    assert any(made.Modality == "SR" for made in archive.stored(uid))
    assert not any((group.folder / "data").glob("*/index.sqlite"))
    words = [
        word.replace("/backup", str(group.folder / "backup"))
        for word in group.services["backup"]["command"]
    ]
    assert "objects" in group.command(*words, name="settle")
    assert (group.folder / "backup" / "index.sqlite").is_file()


class Way(threading.Thread):
    """One study from the camera to the archive; what is not acknowledged is tried again."""

    def __init__(self, group, number) -> None:
        super().__init__(daemon=True)
        self.group, self.images = group, small_study(seed=f"way {number}")
        self.uid = str(self.images[0].StudyInstanceUID)
        self.text, self.done, self.again = f"Sound, says reader {number}.", False, 0
        self.reader: ReaderClient | None = None

    def run(self) -> None:
        for step in (self._send, self._arrived, self._save, self._sign):
            until = time.monotonic() + CALM
            while not self._tried(step):
                self.again += 1
                if time.monotonic() > until:
                    return
                time.sleep(0.1)
        self.done = True

    def _tried(self, step) -> bool:
        try:
            if self.reader is None:
                self.reader = reader_of(self.group)
            return step(self.reader)
        except (RequestRefused, urllib.error.URLError, OSError, ValueError, TimeoutError):
            return False

    def _send(self, _reader) -> bool:
        return camera(self.group, self.images)

    def _arrived(self, reader) -> bool:
        return reader.open(self.uid)["state"] in ("waiting", "reading")

    def _save(self, reader) -> bool:
        opened = reader.open(self.uid)
        reading = Reading.model_validate(opened["reading"])
        if reading.impression != self.text:  # else it was kept, and the answer was lost
            made = normal_reading(Template.model_validate(opened["template"]), reading)
            made = made.model_copy(update={"impression": self.text})
            reader.save(self.uid, opened["version"], made)
        return True

    def _sign(self, reader) -> bool:
        opened = reader.open(self.uid)
        if opened["state"] != "signed":
            reader.sign(self.uid, opened["version"], PASSWORD)
        return True


@pytest.mark.long
@pytest.mark.parametrize("killed", ["web", "balancer", "all"])
def test_web_workers_and_the_balancer_that_are_killed_under_load_break_no_promise(
    group, archive, killed
):
    group.start()
    with_user(group)
    names = {"web": ["web-1", "web-2"], "balancer": ["balancer"]}.get(
        killed, ["receive-1", "web-1", "settle", "balancer", "send", "web-2", "receive-2"]
    )
    ways = [Way(group, f"{killed} {number}") for number in range(6)]
    for number, way in enumerate(ways):
        way.start()
        name = names[number % len(names)]
        time.sleep(0.7)
        if name == "balancer":
            group.kill_balancer()
            group.start_balancer()
        else:
            group.ours[name].end()
            group.ours[name].start()
            group.ours[name].ready()
    for way in ways:
        way.join(4 * CALM)
    assert [way.uid for way in ways if not way.done] == []
    print(f"{killed}: {sum(way.again for way in ways)} steps were tried again")
    reader = reader_of(group)
    for way in ways:
        reader.wait_for(way.uid, "committed", seconds=CALM)
        opened = reader.open(way.uid)
        assert opened["reading"]["impression"] == way.text
        for made in way.images:
            place = f"studies/{way.uid}/series/{made.SeriesInstanceUID}"
            whole = reader.download(f"dicomweb/{place}/instances/{made.SOPInstanceUID}")
            assert made.PixelData in whole
        reports = [d["sop_instance_uid"] for d in opened["documents"] if d["role"] == "report"]
        assert len(reports) == 1
        kept = [str(made.SOPInstanceUID) for made in archive.stored(way.uid)]
        assert kept.count(reports[0]) == 1


def content(store) -> dict[str, str]:
    """Every object of every study and what its file is, to the byte."""
    rows = [one for row in store.studies(limit=1000) for one in store.instances(row.study_uid)]
    rows += [paper for row in store.studies(limit=1000) for paper in store.documents(row.study_uid)]
    return {one.sop_instance_uid: hashlib.sha256(one.path.read_bytes()).hexdigest() for one in rows}


@pytest.mark.long
def test_one_nodes_data_moves_into_the_whole_set_up_and_back(group, tmp_path):
    left = Left(FROZEN[-1], tmp_path, "")
    with contextlib.closing(Store(left.node)) as store:
        store.sweep()
        before, trail = content(store), store.audit_verify()
    back_up(left.node, tmp_path / "out", user="otto", at=datetime.now(UTC))
    group.settings.write_text(group.settings.read_text() + SITES)
    group.command("restore", str(tmp_path / "out"), name="settle")
    group.start()
    with contextlib.closing(site_store(settings_of(group, "web-2"))) as store:
        assert before.items() <= content(store).items()
        assert store.audit_verify(trail.head).why == ""
        held(left, store)
    reader = reader_of(group)
    images = small_study()
    assert camera(group, images)
    uid, draft = str(images[0].StudyInstanceUID), left.study("draft")["uid"]
    reader.wait_for(uid, "waiting")
    for study in (uid, draft):
        reader.sign(study, read_and_save(reader, study), PASSWORD)
        reader.wait_for(study, "committed")
    reader.wait_for(left.study("owed")["uid"], "committed")
    group.close(signal.SIGTERM)

    with contextlib.closing(site_store(settings_of(group, "settle"))) as store:
        there, trail = content(store), store.audit_verify()
    assert before.items() <= there.items()
    group.command("backup", str(tmp_path / "back"), name="settle")
    restore(tmp_path / "back", tmp_path / "home")
    with contextlib.closing(Store(tmp_path / "home")) as store:
        assert store.sweep().rows_without_blobs == 0
        assert content(store) == there
        assert store.audit_verify(trail.head).why == ""
        held(left, store)
        assert [row.state for row in store.studies() if row.study_uid == uid] == ["signed"]
        for made in images:
            (one,) = [i for i in store.instances(uid) if i.sop_instance_uid == made.SOPInstanceUID]
            assert dcmread(io.BytesIO(one.path.read_bytes())).PixelData == made.PixelData
