"""Logs without patients: a node's whole day, and then nothing of the animal stands in its logs."""

import json
import os
import subprocess
import sys

import pytest

from dicom_service.review.model import Template
from test_pacs.archive import Archive
from test_pacs.reader import ReaderClient, RequestRefused
from tests.job import secret_animal as animal
from tests.job.helpers import PASSWORD, read_and_save
from tests.job.node_process import NodeProcess
from tests.job.secret_animal import WORDS, asked
from tests.node.conftest import wait_for


class Day:
    """One node with its archive, and what was said in its logs and by its commands."""

    def __init__(self, folder, settings: str) -> None:
        self.archive = Archive(folder / "archive").start()
        with animal.anything_may_be_written():
            self.archive.put(*animal.earlier_study())
        self.log = folder / "log"
        self.node = NodeProcess(
            folder,
            self.archive.port,
            settings=settings,
            of_archive='retrieve = "get"\n',
            log=self.log,
        )
        self.commands: dict[tuple[str, ...], subprocess.CompletedProcess[str]] = {}
        self.command("user", "admin", "--role", "administrator", "--password-stdin", typed=PASSWORD)
        self.reader = self.node.start()
        self.admin = ReaderClient(self.node.address)
        self.admin.sign_in("admin", PASSWORD)

    def command(self, *words: str, typed: str = "") -> subprocess.CompletedProcess[str]:
        done = subprocess.run(
            [sys.executable, "-m", "dicom_service", "--config", str(self.node.config), *words],
            input=typed + "\n",
            capture_output=True,
            text=True,
            timeout=300,
            env=os.environ | {"PYTHONUNBUFFERED": "1"},
        )
        self.commands[words] = done
        return done

    def end(self) -> None:
        self.node.stop()
        self.archive.stop()

    @property
    def said(self) -> str:
        """Everything that was logged or printed; of commands what they say of trouble."""
        logged = self.log.read_text("utf-8")
        for line in logged.splitlines():
            if line.startswith("{"):
                logged += "\n" + "\n".join(str(value) for value in json.loads(line).values())
        return logged + self.node.printed + "".join(c.stderr for c in self.commands.values())


def _arrives(day: Day) -> str:
    """A study by C-STORE, one over the web, and everything that is refused beside them."""
    port = day.node.dimse_port
    images = animal.study()
    uid = str(images[0].StudyInstanceUID)
    assert animal.sent(images, port) == [0, 0]
    assert animal.stored_over_web(day.reader, [animal.as_file(i) for i in animal.study()]) == 200
    day.reader.wait_for(uid, "waiting")
    assert animal.sent([animal.renamed(images[0])], port) == [0x0111]
    other = animal.renamed(images[1])
    assert animal.stored_over_web(day.reader, [animal.as_file(other)]) == 409
    assert animal.sent([animal.beside(images[0])], port) == [0]
    with animal.anything_may_be_written():
        wrong = animal.misspelt()
        assert animal.sent(wrong, port) == [0, 0]
        assert animal.sent([animal.misspelt_uid()], port) == [0xA900]
        bad = animal.as_file(animal.misspelt_uid())
    assert animal.stored_over_web(day.reader, [bad]) == 409
    assert animal.stored_over_web(day.reader, [WORDS["name"].encode() * 99]) == 409
    misspelt = str(wrong[0].StudyInstanceUID)
    day.reader.wait_for(misspelt, "waiting")
    read_and_save(day.reader, misspelt, finding="radius_distal")
    assert animal.signed_with(day.reader, misspelt) in (200, 409)  # a name that no report may hold
    return uid


def _cannot_be_shown(day: Day) -> None:
    """An image whose pixels nobody can decode is asked for in every form."""
    broken = animal.broken_pixels()
    uid = str(broken.StudyInstanceUID)
    assert animal.sent([broken], day.node.dimse_port) == [0]
    day.reader.wait_for(uid, "waiting")
    place = f"dicomweb/studies/{uid}/series/{broken.SeriesInstanceUID}"
    place += f"/instances/{broken.SOPInstanceUID}"
    answers = [asked(day.reader, f"{place}/{form}") for form in ("rendered", "frames/9")]
    assert all(status >= 400 for status in answers), answers
    asked(day.reader, f"{place}/thumbnail")
    view = day.reader.open(uid)["template"]["views"][0]["uid"]
    request = {"kind": "swelling", "view": view, "points": [[1, 1], [5, 5]]}
    assert asked(day.reader, f"api/studies/{uid}/measure", "POST", request) >= 400


def _is_looked_for(day: Day) -> None:
    stranger = ReaderClient(day.node.address)
    with pytest.raises(RequestRefused):
        stranger.sign_in(WORDS["owner"], WORDS["name"])
    for path in (
        f"api/studies?search={WORDS['name']}",
        f"dicomweb/studies?PatientName={WORDS['name']}",
        f"dicomweb/studies?PatientBirthDate={WORDS['written birth date']}",
        f"dicomweb/studies/{WORDS['patient ID']}/metadata",
        f"api/studies/{WORDS['accession number']}/reading",
        f"api/admin/audit?search={WORDS['owner']}",
        "api/admin/quarantine",
        "api/admin/quarantine/1",
        f"nothing/{WORDS['name']}",
    ):
        asked(day.reader, path)
        asked(day.admin, path)


def _is_read_and_signed(day: Day, uid: str) -> None:
    """Measured, saved, mistyped, signed; the archive refuses it, then is away, then takes it."""
    opened = day.reader.open(uid)
    read_and_save(day.reader, uid, finding="radius_distal")
    kept = day.reader.open(uid)
    reading = animal.worded(animal.Reading.model_validate(kept["reading"]))
    with pytest.raises(RequestRefused):
        day.reader.save(uid, opened["version"], reading)  # another was saved meanwhile
    day.reader.save(uid, kept["version"], reading)
    for body in (WORDS["mistyped"], {"impression": {WORDS["mistyped"]: 1}},
                 {"observations": {WORDS["mistyped"]: {"1.2": {"value": "normal"}}}}):  # fmt: skip
        assert asked(day.reader, f"api/studies/{uid}/reading", "PUT", body) >= 400
    assert Template.model_validate(opened["template"]).items
    day.archive.faults.refuse_store = 0xA701
    day.archive.faults.store_comment = WORDS["peer's comment"]
    assert asked(day.reader, f"api/studies/{uid}/sign", "POST",
                 {"version": 0, "password": WORDS["mistyped"]}) >= 400  # fmt: skip
    assert animal.signed_with(day.reader, uid) == 200
    wait_for(lambda: "0xA701" in day.reader.wait_for(uid, "owed")["delivery_detail"])
    day.archive.faults.refuse_store = 0xC123
    assert "0xC123" in day.reader.wait_for(uid, "refused")["delivery_detail"]
    day.archive.faults.refuse_store = 0
    day.archive.stop()
    owed = day.admin.request("GET", "api/admin/outbox")["rows"]
    day.admin.request("POST", "api/admin/outbox/retry", {"ids": [row["id"] for row in owed]})
    wait_for(lambda: "0xC123" not in day.reader.wait_for(uid, "owed")["delivery_detail"])
    day.archive.start()
    day.reader.wait_for(uid, "committed")


def _is_changed(day: Day, uid: str) -> None:
    place = f"api/studies/{uid}"
    said = {"text": WORDS["addendum"], "password": PASSWORD}
    assert asked(day.reader, f"{place}/addendum", "POST", said | {"password": "wrong"}) == 403
    assert asked(day.reader, f"{place}/addendum", "POST", said) == 200
    why = {"reason": WORDS["reason of correction"]}
    assert asked(day.reader, f"{place}/correction-of-report", "POST", why) == 200
    opened = day.reader.open(uid)
    reading = animal.Reading.model_validate(opened["reading"])
    changed = reading.model_copy(update={"impression": f"{WORDS['impression']} 2"})
    day.reader.save(uid, opened["version"], changed)
    assert animal.signed_with(day.reader, uid) == 200
    for form in ("report.pdf", "report.txt", "report.fhir.json", "teaching.zip", "priors"):
        assert asked(day.reader, f"{place}/{form}") == 200


def _is_withdrawn(day: Day, uid: str) -> None:
    taken_back = {"reason": "safety", "text": WORDS["reason of withdrawal"], "password": PASSWORD}
    assert asked(day.reader, f"api/studies/{uid}/withdrawal", "POST", taken_back) == 200
    day.reader.wait_for(uid, "committed")


def _is_asked_for_by_command(day: Day, folder, uid: str) -> None:
    file = folder / "cut.dcm"
    file.write_bytes(animal.as_file(animal.study()[0])[:-500])
    broken = folder / "broken.dcm"
    broken.write_bytes(animal.as_file(animal.broken_pixels()))
    for words, status in (
        (("export", uid, str(folder / "report")), 0),
        (("export", "1.2.3", str(folder / "none")), 1),
        (("template", uid, "--output", str(folder / "template.dcm")), 0),
        (("teach", uid, str(folder / "case")), 0),
        (("check", str(file), str(broken)), 1),
        (("measure", str(broken), "swelling_profile", "--point", "5,5"), 1),
        (("quarantine", "show", "1"), 0),
        (("quarantine", "discard", "1", "--reason", WORDS["comments"]), 0),
        (("audit", "verify"), 0),
        (("backup", str(folder / "backup")), 0),
    ):
        done = day.command(*words)
        assert done.returncode == status, (words, done.stdout[-300:], done.stderr[-900:])


def _whole_day(folder, settings: str) -> Day:
    day = Day(folder, settings)
    try:
        uid = _arrives(day)
        _cannot_be_shown(day)
        _is_looked_for(day)
        _is_read_and_signed(day, uid)
        _is_changed(day, uid)
        _is_asked_for_by_command(day, folder, uid)
        _is_withdrawn(day, uid)
    finally:
        day.end()
    return day


FORMS = pytest.mark.parametrize("form", ["text", pytest.param("json", marks=pytest.mark.long)])


@FORMS
def test_nothing_of_an_animal_stands_in_the_logs_of_its_whole_day(tmp_path, form):
    day = _whole_day(tmp_path, f'log_format = "{form}"\n')
    # What happened is in the log all the same.
    for event in (
        "listening",
        "object from CAMERA",
        "object from web: ida",
        "a sign-in from 127.0.0.1 is refused",
        "0xA701",
        "0xC123",
    ):
        assert event in day.said, event
    assert animal.leaks(day.said) == [], day.said


@FORMS
def test_the_same_day_at_debug_level_shows_that_a_leak_would_be_found(tmp_path, form):
    day = _whole_day(tmp_path, f'log_level = "DEBUG"\nlog_format = "{form}"\n')
    assert {"comments", "weight", "peer's comment"} <= set(animal.leaks(day.said))
