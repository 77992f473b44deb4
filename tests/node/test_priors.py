"""Earlier studies: asked of archives in the background, fetched within bounds, never work."""

import re
import threading
import time
from datetime import UTC, datetime

import pytest

from dicom_service.intake.model import Signalment, StudyFacts
from dicom_service.review.model import Template
from dicom_service.settings import Peer
from test_pacs.sending import send
from tests.node.conftest import COMPREHENSIVE_SR, CR, HANG_SECONDS, dataset, image, wait_for

REX = {"PatientName": "Vreeland^Rex", "PatientID": "A-1", "PatientBirthDate": "20200401"}


@pytest.fixture
def asking(start, archive):
    """Starts a node that asks the archive for earlier studies."""

    def begin(retrieve="get", host_port=None, **options):
        peer = Peer(name="archive", ae_title=archive.ae_title, port=archive.port, retrieve=retrieve)
        options = {"peers": (peer,), "settle_seconds": 0.05} | options
        animal = options.pop("animal", Signalment(
            patient_id="A-1", patient_name="Vreeland^Rex", species="dog", birth_date="20200401"
        ))  # fmt: skip

        def prepare(study_uid):
            store = box[0].store
            row = store.study(study_uid)
            template = Template(study_uid=study_uid, regions=(), views=(), items=())
            facts = StudyFacts(study_uid=study_uid, study_date="20260601", signalment=animal)
            store.save_preparation(study_uid, row.last_object_at, facts, template)

        box = []
        node = start(on_settled=lambda uid: (wait_for(lambda: box), prepare(uid)), **options)
        box.append(node)
        archive.peers["SESAMOID"] = ("127.0.0.1", node.port)
        return node

    return begin


def earlier(date="20250301", reports=1, **values) -> list:
    first = image(StudyDate=date, **REX | values)
    study = first.StudyInstanceUID
    others = [dataset(COMPREHENSIVE_SR, study, StudyDate=date, **REX | values)] * reports
    return [first, *others]


def arrive(node, **values) -> str:
    made = image(StudyDate="20260601", **REX | values)
    assert node.send(made)[0].Status == 0
    return str(made.StudyInstanceUID)


def searched(node, study, state="found", seconds=20.0):
    def ended():
        search = node.store.prior_search(study)
        return search if search and search.state == state else None

    return wait_for(ended, seconds)


@pytest.mark.parametrize("retrieve", ["get", "move"])
def test_earlier_studies_of_the_animal_are_fetched_and_make_no_work(asking, archive, retrieve):
    before = earlier()
    archive.put(*before)
    node = asking(retrieve)
    study = arrive(node)
    assert searched(node, study).words == "found 1"
    uid = str(before[0].StudyInstanceUID)
    assert len(node.store.instances(uid)) == 2
    assert node.store.study(uid).state == "prior"
    assert [row.study_uid for row in node.store.studies()] == [study]
    assert node.store.due_studies(datetime.now(UTC), 0.0) == []
    assert node.leftovers() == []


@pytest.mark.parametrize("retrieve", ["get", "move"])
def test_reports_of_the_study_itself_that_others_made_are_fetched_without_its_images(
    asking, archive, retrieve
):
    node = asking(retrieve)
    made = image(StudyDate="20260601", **REX)
    study = str(made.StudyInstanceUID)
    theirs = [dataset(COMPREHENSIVE_SR, study, StudyDate="20260601", **REX) for _ in range(2)]
    other = image(study=study, StudyDate="20260601", **REX)
    archive.put(made, theirs[0], other)
    assert node.send(made)[0].Status == 0
    searched(node, study)
    held = {i.sop_instance_uid for i in node.store.instances(study)}
    assert held == {str(d.SOPInstanceUID) for d in (made, theirs[0])}
    assert node.store.study(study).state == "waiting"
    archive.put(theirs[1])
    node.store.ask_again(study)
    node.node.wake()
    wait_for(lambda: len(node.store.instances(study)) == 3, 20.0)


def test_a_prior_that_is_routed_as_well_is_put_on_the_list(asking, archive):
    before = earlier()
    archive.put(*before)
    node = asking()
    searched(node, arrive(node))
    assert node.send(before[0])[0].Status == 0
    uid = str(before[0].StudyInstanceUID)
    wait_for(lambda: node.store.study(uid).state == "waiting")


def test_an_object_that_somebody_else_moves_here_is_work(asking, archive):
    before = earlier()
    archive.put(*before)
    node = asking("none")
    send(before, archive.port, archive.ae_title)
    entry = node.send(before[0])
    assert entry[0].Status == 0
    wait_for(lambda: node.store.study(str(before[0].StudyInstanceUID)).state == "waiting")


@pytest.mark.parametrize(
    ("values", "part"),
    [
        ({"PatientName": "Okonkwo^Bella"}, "name 'Okonkwo^Bella'"),
        ({"PatientSpeciesDescription": "Feline"}, "species cat"),
        ({"PatientBirthDate": "20110101"}, "birth date 2011-01-01"),
    ],
)
def test_another_animal_under_the_same_number_is_said_and_not_taken(asking, archive, values, part):
    archive.put(*earlier(**values))
    node = asking()
    study = arrive(node)
    assert searched(node, study).found == 0
    (known,) = node.store.prior_studies(study)
    assert known.state == "refused"
    assert part in known.detail
    assert node.store.instances(known.prior_uid) == []


def test_only_the_newest_studies_are_fetched_and_the_others_named(asking, archive):
    for year in range(2016, 2024):
        archive.put(*earlier(date=f"{year}0101", reports=0))
    node = asking(priors_studies=2)
    study = arrive(node)
    assert searched(node, study).found == 2
    known = node.store.prior_studies(study)
    assert [p.study_date for p in known if p.state == "fetched"] == ["20230101", "20220101"]
    assert len([p for p in known if p.state == "listed" and "priors_studies" in p.detail]) == 6


def test_later_studies_and_other_modalities_are_not_priors(asking, archive):
    archive.put(image(StudyDate="20270101", **REX))
    archive.put(image(StudyDate="20250101", **REX | {"Modality": "US"}))
    node = asking()
    study = arrive(node)
    searched(node, study)
    assert node.store.prior_studies(study) == []


@pytest.mark.parametrize(
    ("patient_id", "part"), [("", "no patient ID"), ("A*", "wildcard"), ("A\\B", "wildcard")]
)
def test_a_patient_that_cannot_be_asked_for_exactly_is_not_asked_for(
    asking, archive, patient_id, part
):
    archive.put(*earlier())
    node = asking(animal=Signalment(patient_id=patient_id))
    study = arrive(node)
    assert part in searched(node, study).detail
    assert archive.queries == 0


@pytest.mark.parametrize("deaf", [False, True])
def test_a_flood_of_answers_is_cancelled_and_said(asking, archive, deaf):
    archive.put(*earlier())
    archive.faults.many_answers, archive.faults.deaf = 10_000, deaf
    node = asking(priors_studies=1)
    study = arrive(node)
    wait_for(lambda: node.store.prior_studies(study), 20)
    assert "more than 200 studies" in node.store.prior_search(study).detail
    assert len(node.store.prior_studies(study)) <= 200
    assert archive.answered < 9_000


@pytest.mark.parametrize("retrieve", ["get", "move"])
@pytest.mark.parametrize(
    ("fault", "part"),
    [
        ("drop_at_find", "did not answer the query"),
        ("silent_find", "did not answer the query"),
        ("drop_at_retrieve", "did not finish sending"),
        ("refuse_association", "refuses the association"),
    ],
)
def test_an_archive_in_trouble_is_said_and_asked_again(asking, archive, fault, part, retrieve):
    archive.put(*earlier())
    setattr(archive.faults, fault, True)
    node = asking(retrieve, peer_timeout_seconds=0.5)
    study = arrive(node)
    search = searched(node, study, "failed")
    assert search.words.startswith("archive did not answer: ")
    assert part in search.detail
    assert search.next_at is not None
    assert node.store.study(study).state == "waiting"  # it can be read all the while
    setattr(archive.faults, fault, False)
    assert searched(node, study).words == "found 1"


def test_a_refused_query_and_an_unknown_move_destination_are_said_in_words(asking, archive):
    archive.put(*earlier())
    archive.faults.refuse_find = 0xA700
    node = asking("move")
    del archive.peers["SESAMOID"]
    study = arrive(node)
    assert "0xA700" in searched(node, study, "failed").detail
    archive.faults.refuse_find = 0
    detail = wait_for(
        lambda: next((s for s in [node.store.prior_search(study).detail] if "A801" in s), "")
    )
    assert "does not know this node as a destination" in detail


def test_the_waits_between_searches_grow(asking, archive, caplog):
    archive.faults.refuse_association = True
    node = asking(retry_first_seconds=0.2, retry_longest_seconds=100.0)
    study = arrive(node)
    wait_for(lambda: (s := node.store.prior_search(study)) and s.attempts >= 4)
    searched(node, study, "failed")
    waits = [int(w) for w in re.findall(r"asked for again in (\d+) s", caplog.text)]
    assert waits == sorted(waits)
    assert waits[-1] > waits[0]


def test_the_node_stops_at_once_while_an_archive_keeps_it_waiting(asking, archive):
    archive.faults.silent_find = True
    node = asking(peer_timeout_seconds=3600.0)
    arrive(node)
    wait_for(lambda: archive.queries)
    stopping = threading.Thread(target=node.node.stop, daemon=True)
    stopping.start()
    stopping.join(HANG_SECONDS)
    assert not stopping.is_alive(), "it waits for the archive's answer"


def test_a_search_that_a_stop_cut_short_is_done_after_the_next_start(asking, archive, start):
    archive.put(*earlier())
    archive.faults.silent_find = True
    node = asking()
    study = arrive(node)
    wait_for(lambda: archive.queries)
    node.node.stop()
    assert node.store.prior_search(study).state == "looking"
    assert node.store.due_prior_searches(datetime.now(UTC)) == [study]


def test_a_peer_is_not_asked_unless_it_is_set(asking, archive):
    node = asking("none")
    study = arrive(node)
    wait_for(lambda: node.store.study(study).state == "waiting")
    time.sleep(0.2)
    assert archive.queries == 0
    assert node.store.prior_search(study) is None


def test_an_unusable_prior_is_refused_and_the_others_are_kept(asking, archive):
    before = earlier()
    deep = inner = dataset(
        COMPREHENSIVE_SR, before[0].StudyInstanceUID, StudyDate="20250301", **REX
    )
    for _ in range(60):
        below = type(inner)()
        inner.ContentSequence = [below]
        inner = below
    archive.put(before[0], deep)
    node = asking()
    study = arrive(node)
    search = searched(node, study)
    (known,) = node.store.prior_studies(study)
    assert search.found == 1
    assert "could not be taken" in known.detail
    assert [i.sop_class_uid for i in node.store.instances(known.prior_uid)] == [CR]
