"""Every error has a DIMSE status, an HTTP status and an advice."""

import pytest

from dicom_service import errors


def _kinds(kind: type[errors.SesamoidError]) -> list[type[errors.SesamoidError]]:
    ours = [sub for sub in kind.__subclasses__() if sub.__module__ == errors.__name__]
    return [kind, *(k for sub in ours for k in _kinds(sub))]


@pytest.mark.parametrize("kind", _kinds(errors.SesamoidError))
def test_each_error_stands_in_the_tree_and_in_the_table(kind):
    assert kind.__name__ in (errors.__doc__ or "")
    assert kind in errors.OUTCOMES
    outcome = errors.OUTCOMES[kind]
    assert outcome.dimse != 0
    assert 400 <= outcome.http < 600
    assert outcome.advice.endswith(".")


def test_only_errors_that_may_pass_invite_the_sender_to_retry():
    # PS3.4 B.2.3: A7xx is "out of resources", the only class that senders retry by themselves.
    for kind, outcome in errors.OUTCOMES.items():
        may_pass = issubclass(kind, errors.TryLater | errors.SetupError)
        assert (outcome.dimse & 0xFF00 == 0xA700) is may_pass


def test_an_unknown_error_counts_as_ours():
    assert errors.outcome_of(ValueError("x")) == errors.OUTCOMES[errors.SesamoidError]
