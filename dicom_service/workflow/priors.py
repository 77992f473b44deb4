"""An animal's earlier studies, put together from what the store has; nothing waits here."""

import logging
from collections.abc import Iterator, Sequence
from functools import lru_cache
from pathlib import Path
from typing import NamedTuple, TypeVar, get_args

import pydicom

from dicom_service import intake, report
from dicom_service.errors import NotFound, SesamoidError
from dicom_service.intake.model import StudyFacts
from dicom_service.roster import SiteRoster
from dicom_service.store import PriorStudy, Store, StoredInstance
from dicom_service.store.model import StudyState
from dicom_service.workflow.headers import read_header
from dicom_service.workflow.prior_model import (
    ForeignSummary,
    PriorImage,
    PriorMeasurement,
    PriorObservation,
    Priors,
    PriorStudyShown,
    SearchShown,
)
from dicom_service.workflow.prior_words import (
    foreign_measurements,
    observations,
    own_measurements,
    summary,
)

log = logging.getLogger(__name__)
MOST_STUDIES = 60
_REPORTS = {
    "1.2.840.10008.5.1.4.1.1.88.11",  # Basic Text SR
    "1.2.840.10008.5.1.4.1.1.88.22",  # Enhanced SR
    "1.2.840.10008.5.1.4.1.1.88.33",  # Comprehensive SR
    "1.2.840.10008.5.1.4.1.1.88.34",  # Comprehensive 3D SR
}
_KEY_OBJECTS = "1.2.840.10008.5.1.4.1.1.88.59"
_COULD_NOT = "A report that could not be read"

Thing = TypeVar("Thing")
Landmarks = dict[str, dict[str, tuple[float, float]]]
"""Image UID -> item id -> its middle."""
Document = report.OwnReport | report.ForeignReport | report.Unreadable


class _Gathered(NamedTuple):
    """One earlier study with what its reports say."""

    shown: PriorStudyShown
    observations: list[PriorObservation]
    measurements: list[PriorMeasurement]


def priors_of(store: Store, roster: SiteRoster, study_uid: str) -> Priors:
    """The earlier studies of a study's animal; see `Desk.priors`."""
    row = store.study(study_uid)
    if row is None:
        raise NotFound(f"No study {study_uid} is on this node.")
    prepared = store.preparation(study_uid)
    facts = prepared[0] if prepared else StudyFacts(study_uid=study_uid)
    # Asked before the studies are gathered: an answer that says "found" must have them all.
    search = _search(store, roster, study_uid)
    named = {prior.prior_uid: prior for prior in store.prior_studies(study_uid)}
    candidates, more = _candidates(store, facts, named, row.site)
    gathered = [_gathered(store, facts, uid, named.get(uid), row.site) for uid in candidates]
    gathered = [one for one in gathered if _is_earlier(one.shown, facts)]
    gathered.sort(key=lambda one: (one.shown.study_date, one.shown.study_uid), reverse=True)
    return Priors(
        search=search,
        studies=tuple(one.shown for one in gathered),
        more=more,
        observations=_by((o.item, o) for one in gathered for o in one.observations),
        measurements=_by(
            (m.item or m.tracking_id or m.site or m.meaning, m)
            for one in gathered
            for m in one.measurements
        ),
    )


def _candidates(
    store: Store, facts: StudyFacts, named: dict[str, PriorStudy], site: str
) -> tuple[list[str], int]:
    """What is here of the same patient ID at this site, then what archives named; how many more.

    The same patient ID at another site is another animal.

    What is here comes first: it can be read and compared, the other is only a line in a list.
    """
    uids: dict[str, None] = {}
    known = 0
    if patient_id := facts.signalment.patient_id:
        states = get_args(StudyState)
        at = (site,)
        rows = store.studies(states=states, patient_id=patient_id, sites=at, limit=MOST_STUDIES)
        uids.update(dict.fromkeys(row.study_uid for row in rows))
        known = store.count_studies(states=states, patient_id=patient_id, sites=at) - len(rows)
    uids.update(dict.fromkeys(named))
    uids.pop(facts.study_uid, None)
    return list(uids)[:MOST_STUDIES], known + max(0, len(uids) - MOST_STUDIES)


def earlier_facts(store: Store, facts: StudyFacts) -> Iterator[tuple[str, StudyFacts]]:
    """The animal's other studies on this node that are not later, with what they are."""
    named = {prior.prior_uid: prior for prior in store.prior_studies(facts.study_uid)}
    site = store.site_of(facts.study_uid) or ""
    for uid in _candidates(store, facts, named, site)[0]:
        instances = _objects(store, uid, site)
        refused = uid in named and named[uid].state == "refused"
        if not instances or refused:
            continue
        theirs = _facts(store, uid, instances)
        dates = (theirs.study_date, facts.study_date)
        if not all(dates) or dates[0] <= dates[1]:
            yield uid, theirs


def _is_earlier(shown: PriorStudyShown, facts: StudyFacts) -> bool:
    return not (shown.study_date and facts.study_date) or shown.study_date <= facts.study_date


def _search(store: Store, roster: SiteRoster, study_uid: str) -> SearchShown:
    found = store.prior_search(study_uid)
    if found is not None:
        return SearchShown(
            state=found.state,
            words=found.words,
            found=found.found,
            detail=found.detail,
            next_at=found.next_at if found.state == "failed" else None,
        )
    if any(peer.retrieve != "none" for peer in roster.peers()):
        return SearchShown(state="looking", words="looking")
    return SearchShown(
        state="off",
        words="no archive is asked",
        detail="An administrator can let an archive be asked (retrieve, in its peer's settings).",
    )


def _objects(store: Store, uid: str, site: str) -> list[StoredInstance]:
    """The objects of a study, if it is this site's: an archive may name any UID."""
    return store.instances(uid) if store.site_of(uid) == site else []


def _gathered(
    store: Store, facts: StudyFacts, uid: str, prior: PriorStudy | None, site: str
) -> _Gathered:
    prior = prior or PriorStudy(prior_uid=uid, state="fetched")
    shown = PriorStudyShown(
        study_uid=uid,
        study_date=prior.study_date,
        description=prior.description,
        state="refused" if prior.state == "refused" else "archive",
        detail=prior.detail,
        peer=prior.peer,
    )
    instances = _objects(store, uid, site)
    if not instances or prior.state == "refused":
        return _Gathered(shown, [], [])
    theirs = _facts(store, uid, instances)
    shown = shown.model_copy(
        update={
            "state": "here",
            "study_date": theirs.study_date or shown.study_date,
            "description": theirs.description or shown.description,
        }
    )
    differ = intake.contradictions(facts.signalment, theirs.signalment)
    if facts.signalment.patient_id and differ:
        detail = "Not taken, it may be another animal's: " + "; ".join(differ) + "."
        return _Gathered(shown.model_copy(update={"state": "refused", "detail": detail}), [], [])
    draft = store.reading(uid)[1].landmarks if store.study(uid) else {}
    return _with_reports(shown, theirs, instances, draft)


def _with_reports(
    shown: PriorStudyShown,
    theirs: StudyFacts,
    instances: Sequence[StoredInstance],
    draft: Landmarks,
) -> _Gathered:
    own, foreign, unreadable = _reports(instances)
    counted = [document for _, document in own]
    withdrawn = _withdrawn(instances)
    newest = report.prevailing_prior([d for d in counted if d.sop_instance_uid not in withdrawn])
    if newest is not None:  # its companion document repeats what it measured
        foreign = [(i, d) for i, d in foreign if d.maker != report.MAKER]
    foreign = [(i, d) for i, d in foreign if i.sop_instance_uid not in withdrawn]
    images = theirs.images
    landmarks = {**(newest.content.reading.landmarks if newest else {}), **draft}
    update = {
        "regions": tuple(dict.fromkeys(r for image in images for r in image.regions)),
        "sides": tuple(dict.fromkeys(i.side for i in images if i.side != "U")),
        "views": tuple(dict.fromkeys(i.view for i in images if i.view)),
        "images": tuple(
            PriorImage(
                **i.model_dump(include=set(PriorImage.model_fields)),
                landmarks=landmarks.get(i.uid, {}),
            )
            for i in images
        ),
        "foreign": tuple(_foreign(*one) for one in foreign),
        "unreadable": tuple(unreadable),
        "withdrawn": sum(d.signed and d.sop_instance_uid in withdrawn for d in counted),
    }
    measured = [
        m for _, other in foreign for m in foreign_measurements(shown.study_uid, other, images)
    ]
    seen: list[PriorObservation] = []
    if newest is not None:
        series = next(i.series_uid for i, d in own if d is newest)
        update["report"] = summary(newest, series, sum(d.signed for d in counted))
        seen = observations(
            shown.study_uid, shown.study_date, newest.content, newest.sop_instance_uid
        )
        own_ones = own_measurements(shown.study_uid, shown.study_date, newest.content, images)
        measured = own_ones + measured
    return _Gathered(shown.model_copy(update=update), seen, measured)


def _reports(
    instances: Sequence[StoredInstance],
) -> tuple[
    list[tuple[StoredInstance, report.OwnReport]],
    list[tuple[StoredInstance, report.ForeignReport]],
    list[str],
]:
    """The reports among the objects: our own, others', and a sentence for each unreadable one."""
    own: list[tuple[StoredInstance, report.OwnReport]] = []
    foreign: list[tuple[StoredInstance, report.ForeignReport]] = []
    unreadable: list[str] = []
    for instance in instances:
        if instance.sop_class_uid not in _REPORTS:
            continue
        document = read_document(instance.path)
        if isinstance(document, report.OwnReport):
            own.append((instance, document))
        elif isinstance(document, report.ForeignReport):
            foreign.append((instance, document))
        else:
            unreadable.append(f"{_COULD_NOT} ({instance.sop_instance_uid}): {document.why}")
    return own, foreign, unreadable


def _withdrawn(instances: Sequence[StoredInstance]) -> frozenset[str]:
    """What key object documents of the study take out of use."""
    kept = (i.path for i in instances if i.sop_class_uid == _KEY_OBJECTS)
    return frozenset(uid for path in kept for uid in _rejected(path))


def _foreign(instance: StoredInstance, document: report.ForeignReport) -> ForeignSummary:
    return ForeignSummary(
        sop_instance_uid=instance.sop_instance_uid,
        series_uid=instance.series_uid,
        title=document.title,
        maker=document.maker,
        date=document.date,
        complete=document.complete,
        verified=document.verified,
        measurements=len(document.measurements),
        texts=document.texts[:40],
        not_read=document.not_read,
    )


def _facts(store: Store, uid: str, instances: Sequence[StoredInstance]) -> StudyFacts:
    """What the headers say of a study: as prepared, or as worked out now."""
    prepared = store.preparation(uid)
    if prepared is not None:
        return prepared[0]
    paths = tuple(instance.path for instance in instances if not instance.own)
    try:
        return _described(paths)
    except (OSError, SesamoidError, ValueError, TypeError, AttributeError) as error:
        log.warning("the headers of the prior %s cannot be read: %s", uid, type(error).__name__)
        first = instances[0]
        animal = intake.Signalment(patient_id=first.patient_id, patient_name=first.patient_name)
        return StudyFacts(study_uid=uid, study_date=first.study_date, signalment=animal)


@lru_cache(maxsize=256)
def _described(paths: tuple[Path, ...]) -> StudyFacts:
    """Kept, as a stored object never changes its name or its content."""
    return intake.describe([read_header(path) for path in paths])


@lru_cache(maxsize=256)
def _rejected(path: Path) -> frozenset[str]:
    try:
        return report.rejected_by(pydicom.dcmread(path))
    except Exception as error:  # noqa: BLE001 - whatever a file's bytes do to the parser
        log.warning("a key object document cannot be read: %s", type(error).__name__)
        return frozenset()


@lru_cache(maxsize=256)
def read_document(path: Path) -> Document:
    """A structured report as we or others wrote it."""
    try:
        return report.read_prior(pydicom.dcmread(path, stop_before_pixels=True))
    except Exception as error:  # noqa: BLE001 - whatever a file's bytes do to the parser
        return report.Unreadable(sop_instance_uid="", why=f"{type(error).__name__}: {error}")


def _by(pairs: Iterator[tuple[str, Thing]]) -> dict[str, tuple[Thing, ...]]:
    grouped: dict[str, list[Thing]] = {}
    for key, thing in pairs:
        grouped.setdefault(key, []).append(thing)
    return {key: tuple(things) for key, things in grouped.items()}
