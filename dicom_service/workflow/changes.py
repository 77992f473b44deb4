"""What has changed in a stored study: its reading, its priors and their images put together."""

from collections.abc import Sequence

from dicom_service.errors import NotFound, NotReady, SesamoidError
from dicom_service.intake.model import StudyFacts
from dicom_service.measure import Measured, Said
from dicom_service.review.computed import Before, computed_name
from dicom_service.review.model import Measurement
from dicom_service.roster import SiteRoster
from dicom_service.store import Store
from dicom_service.workflow.accepting import kept_of, measured, request_of, worked_out
from dicom_service.workflow.comparing import AllChanges, ComparedAsked, changes_of
from dicom_service.workflow.prior_model import PriorMeasurement, Priors
from dicom_service.workflow.priors import earlier_facts, priors_of


def changes_in_study(
    store: Store, roster: SiteRoster, study_uid: str, asked: ComparedAsked
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
    priors = with_today(store, facts, wanted, priors_of(store, roster, study_uid))
    return changes_of(facts, template, wanted, list(beside.values()), priors, again)


def with_today(
    store: Store, facts: StudyFacts, wanted: Sequence[Measurement], priors: Priors
) -> Priors:
    """Also what the reader has measured today on images of before, newest first."""
    measurements = dict(priors.measurements)
    for measurement in wanted:
        places = measurement.computed.before if measurement.computed else ()
        found = [there for place in places if (there := _there(store, facts, measurement, place))]
        own = (*found, *measurements.get(measurement.item, ()))
        newest = sorted(own, key=lambda prior: prior.date, reverse=True)
        measurements[measurement.item] = tuple(newest)
    return priors.model_copy(update={"measurements": measurements})


def _there(store: Store, facts: StudyFacts, now: Measurement, place: Before
           ) -> PriorMeasurement | None:  # fmt: skip
    """The same on an earlier image; None when that image is none of this animal's."""
    theirs = next((f for uid, f in earlier_facts(store, facts) if uid == place.study_uid), None)
    image = next((i for i in theirs.images if i.uid == place.view), None) if theirs else None
    made = now.computed
    if theirs is None or image is None or made is None:
        return None
    bare = made.model_copy(update={"control_view": "", "control_points": (), "scale": None})
    moved = now.model_copy(update={"view": place.view, "points": place.points, "computed": bare})
    try:
        found = measured(store, place.study_uid, request_of(moved))
    except SesamoidError as error:
        found = Measured(kind=made.kind, method=made.method, version=made.version,
                         refusal=Said(str(error)))  # fmt: skip
    kept = kept_of(bare, found)
    kept = kept.model_copy(update={"why": str(found.refusal)}) if found.refusal else kept
    first = found.numbers[0] if found.numbers else None
    own = moved.model_copy(update={"computed": kept, "calibration": str(found.calibration)})
    return PriorMeasurement(
        study_uid=place.study_uid, date=theirs.study_date, item=now.item, image_uid=place.view,
        meaning=computed_name(kept), value=first.value if first else 0.0,
        unit=first.unit if first else "", view=image.view, view_side=image.side,
        spacing=image.spacing, own=own,
    )  # fmt: skip


def _again(store: Store, prior: PriorMeasurement) -> Measured | None:
    """An earlier image measured again at its points, if it is on this node."""
    if prior.own is None or prior.own.computed is None:
        return None
    try:
        return measured(store, prior.study_uid, request_of(prior.own))
    except SesamoidError:
        return None
