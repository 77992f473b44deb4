"""From the last image to the template: quiet time, latency, trouble."""

import time

import pytest

from dicom_service.errors import NotFound, StorageFull
from tests.node.conftest import COMPREHENSIVE_SR, dataset, image, wait_for


def test_a_study_is_handed_on_once_soon_after_its_quiet_time(running):
    study = "1.2.3"
    running.send(*[image(study=study) for _ in range(3)])
    wait_for(lambda: running.settled)
    (settled,) = running.settled
    assert settled[0] == study
    assert 0.3 <= settled[1] < 0.3 + 0.25
    wait_for(lambda: running.store.study(study).state == "waiting")


def test_images_that_keep_coming_put_the_moment_off(running):
    study = "1.2.3"
    for _ in range(4):
        running.send(image(study=study))
        deadline = time.monotonic() + 0.15
        wait_for(lambda until=deadline: time.monotonic() > until)
    assert running.settled == []
    wait_for(lambda: running.settled)
    assert running.store.study(study).images == 4


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


def test_a_study_that_cannot_settle_does_not_keep_the_machine_busy(start):
    tried = []
    node = start(on_settled=tried.append)  # prepares nothing, so the study stays due
    node.send(image(study="1.2.3"))
    deadline = time.monotonic() + 1.5
    wait_for(lambda: time.monotonic() > deadline)
    assert 1 <= len(tried) <= 3
