"""Priors in the store: stored, shown to no list, and the search for them survives anything."""

from datetime import timedelta

import pytest

from dicom_service.errors import DifferentBytes
from dicom_service.store import PriorStudy


def test_a_prior_is_stored_and_makes_no_work(kit, later):
    kit.prior()
    assert kit.state() == "prior"
    assert kit.store.studies() == []
    assert kit.store.count_studies() == 0
    assert kit.store.due_studies(later(100), 0.0) == []
    assert [row.study_uid for row in kit.store.studies(states=["prior"])] == [kit.study]
    assert len(kit.store.instances(kit.study)) == 1


def test_a_known_object_that_is_routed_makes_its_study_work(kit, later):
    kit.prior(uid="1.9.77")
    assert kit.image(uid="1.9.77") == "duplicate"
    assert kit.state() == "arriving"
    assert kit.store.due_studies(later(100), 0.0) == [kit.study]


def test_a_routed_object_with_other_bytes_than_the_prior_makes_work_too(kit):
    kit.prior(uid="1.9.77")
    with pytest.raises(DifferentBytes):
        kit.image(uid="1.9.77", data=b"as the camera wrote it")
    assert kit.state() == "arriving"


def test_a_prior_that_comes_again_as_a_prior_stays_one(kit):
    kit.prior(uid="1.9.77")
    kit.prior(uid="1.9.77")
    assert kit.state() == "prior"


def test_what_comes_as_a_prior_into_a_study_on_the_list_counts_as_its_image(kit):
    kit.signed()
    kit.prior()
    assert kit.store.study(kit.study).late_objects == 1


def test_every_prepared_study_is_due_until_it_was_searched_for(kit, later):
    kit.image()
    assert kit.store.due_prior_searches(later()) == []
    kit.prepare()
    assert kit.store.due_prior_searches(later()) == [kit.study]
    kit.store.begin_prior_search(kit.study, later())
    assert kit.store.prior_search(kit.study).words == "looking"
    kit.restart()  # a stop in the middle
    assert kit.store.due_prior_searches(later()) == [kit.study]
    kit.store.end_prior_search(kit.study, "found", [])
    assert kit.store.due_prior_searches(later(1e6)) == []
    assert kit.store.prior_search(kit.study).words == "found 0"


def test_a_failed_search_keeps_what_was_found_and_is_due_again(kit, later):
    kit.image()
    kit.prepare()
    known = PriorStudy(prior_uid="1.5", state="fetched", study_date="20250101")
    other = PriorStudy(prior_uid="1.6", state="failed", detail="no")
    kit.store.end_prior_search(kit.study, "found", [known])
    next_at = later(60)
    kit.store.end_prior_search(kit.study, "failed", [other], detail="It is away.", next_at=next_at)
    search = kit.store.prior_search(kit.study)
    assert (search.found, search.attempts, search.next_at) == (1, 1, next_at)
    assert search.words == "archive did not answer: It is away."
    assert kit.store.prior_studies(kit.study) == [known, other]
    assert kit.store.next_prior_search_at() == next_at
    assert kit.store.due_prior_searches(later()) == []
    assert kit.store.due_prior_searches(next_at + timedelta(seconds=1)) == [kit.study]


def test_a_clock_set_back_does_not_put_a_search_off_for_years(kit, later):
    kit.image()
    kit.prepare()
    kit.store.end_prior_search(kit.study, "failed", [], next_at=later(400 * 86400))
    assert kit.store.due_prior_searches(later()) == [kit.study]


def test_a_signed_study_is_not_searched_for(kit, later):
    kit.signed()
    assert kit.store.due_prior_searches(later()) == []
