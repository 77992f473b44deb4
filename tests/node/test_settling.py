"""From the last image to the template: quiet time, latency, trouble."""

from datetime import timedelta

import pytest

from dicom_service.errors import NotFound, StorageFull
from tests.node.conftest import COMPREHENSIVE_SR, dataset, image, wait_for


def test_a_study_is_handed_on_once_soon_after_its_quiet_time(running):
    study = "1.2.3"
    running.send(*[image(study=study) for _ in range(3)])
    wait_for(lambda: running.settled)
    (settled,) = running.settled
    assert settled[0] == study
    assert settled[1] >= running.settings.settle_seconds
    wait_for(lambda: running.store.study(study).state == "waiting")


def test_images_that_keep_coming_put_the_moment_off(start):
    study, quiet = "1.2.3", 3600.0
    node = start(settle_seconds=quiet)
    due = []
    for _ in range(4):
        node.send(image(study=study))
        due.append(node.store.study(study).last_object_at + timedelta(seconds=quiet))
        assert node.store.due_studies(due[-1], quiet) == [study]
    assert due == sorted(set(due))
    for earlier in due[:-1]:
        assert node.store.due_studies(earlier, quiet) == []
    assert node.settled == []


def test_a_late_image_has_the_study_prepared_again(running):
    study = "1.2.3"
    running.send(image(study=study))
    wait_for(lambda: running.store.study(study).state == "waiting")
    running.send(image(study=study))
    wait_for(lambda: len(running.settled) == 2)
    wait_for(lambda: running.store.preparation(study)[1].revision == 2)


def test_a_study_without_images_is_never_handed_on(running):
    running.send(dataset(COMPREHENSIVE_SR, "1.2.3"))
    running.send(image(study="1.2.4"))
    wait_for(lambda: running.settled)
    assert [study for study, _ in running.settled] == ["1.2.4"]


@pytest.mark.parametrize(
    ("error", "sentence"),
    [
        (NotFound("No region is known."), "No region is known."),
        (ZeroDivisionError("by zero"), "ZeroDivisionError"),
    ],
)
def test_a_template_that_fails_is_told_and_the_node_goes_on(start, error, sentence, caplog):
    done = []

    def prepare(study):
        if study == "1.2.3":
            raise error
        done.append(study)

    node = start(on_settled=prepare)
    node.send(image(study="1.2.3"))
    wait_for(lambda: node.store.study("1.2.3").state == "failed")
    assert sentence in node.store.study("1.2.3").detail
    node.send(image(study="1.2.4"))
    wait_for(lambda: "1.2.4" in done)


def test_a_passing_trouble_leaves_the_study_to_be_tried_again(start, monkeypatch):
    monkeypatch.setattr("dicom_service.node.settler._AGAIN_AFTER_TROUBLE", 0.2)
    tried = []

    def prepare(study):
        tried.append(study)
        if len(tried) == 1:
            raise StorageFull("No room.")
        node.prepare(study)

    node = start(on_settled=prepare)
    node.send(image(study="1.2.3"))
    wait_for(lambda: node.store.study("1.2.3").state == "waiting")
    assert len(tried) == 2


def test_a_study_that_settled_while_the_node_was_down_is_prepared_at_start(start, tmp_path):
    folder = tmp_path / "same"
    folder.mkdir()
    node = start(folder=folder, settle_seconds=3600)
    node.send(image(study="1.2.3"))
    node.stop()
    again = start(folder=folder)
    wait_for(lambda: again.settled)


def test_a_study_that_cannot_settle_does_not_keep_the_machine_busy(start, monkeypatch):
    tried = []
    node = start(on_settled=tried.append)  # prepares nothing, so the study stays due
    monkeypatch.setattr("dicom_service.node.settler._AGAIN", 3600.0)
    node.send(image(study="1.2.3"))
    wait_for(lambda: tried)
    for other in ("1.2.4", "1.2.5"):
        node.send(image(study=other))
        wait_for(lambda uid=other: uid in tried)
    assert tried == ["1.2.3", "1.2.4", "1.2.5"]  # each once, however often others are due
