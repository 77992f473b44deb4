"""What has changed in a stored study: its reading, its priors and their images put together."""

from dicom_service.errors import NotFound, NotReady, SesamoidError
from dicom_service.measure import Measured
from dicom_service.roster import Roster
from dicom_service.store import Store
from dicom_service.workflow.accepting import measured, request_of, worked_out
from dicom_service.workflow.comparing import AllChanges, ComparedAsked, changes_of
from dicom_service.workflow.prior_model import PriorMeasurement
from dicom_service.workflow.priors import priors_of


def changes_in_study(
    store: Store, roster: Roster, study_uid: str, asked: ComparedAsked
) -> AllChanges:
    """Each measurement beside the same one before and on the other limb.

    Raises
    ------
    NotFound, NotReady
        No such study, or it is not prepared yet.
    Refused
        A measurement that is asked about is none of this study.
    """
    if store.study(study_uid) is None:
        raise NotFound(f"No study {study_uid} is on this node.")
    prepared = store.preparation(study_uid)
    if prepared is None:
        raise NotReady("The study is not ready to be read; it opens by itself when it is.")
    facts, template = prepared
    kept = store.reading(study_uid)[1].measurements
    images = {image.uid: image for image in facts.images}
    here = [m for m in asked.measurements if m.view in images]
    known = {m.id: m for m in worked_out(store, facts, kept, here)}
    wanted = [known.get(m.id, m) for m in asked.measurements]

    def again(prior: PriorMeasurement) -> Measured | None:
        return _again(store, prior)

    # The other limb as the reader has it now, and what was saved of the rest.
    beside = {m.id: m for m in (*kept, *known.values())}
    priors = priors_of(store, roster, study_uid)
    return changes_of(facts, template, wanted, list(beside.values()), priors, again)


def _again(store: Store, prior: PriorMeasurement) -> Measured | None:
    """An earlier image measured again at its points, if it is on this node."""
    if prior.own is None or prior.own.computed is None:
        return None
    try:
        return measured(store, prior.study_uid, request_of(prior.own))
    except SesamoidError:
        return None
