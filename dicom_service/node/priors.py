"""Earlier studies: asks archives about every animal on the reading list, and has them sent.

Nobody waits for this: the study is read with whatever is here, and what arrives later is shown
when the study is looked at again.
"""

import logging
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

from pydicom.dataset import Dataset

from dicom_service.errors import SesamoidError
from dicom_service.intake import StudyFacts, contradictions, signalment_of
from dicom_service.node.asking import MOST_ANSWERS, Asking
from dicom_service.node.headers import valid_uid
from dicom_service.node.services import plain
from dicom_service.node.turns import Turns, seconds_until
from dicom_service.quiet_logs import said_in_log
from dicom_service.roster import Roster
from dicom_service.settings import Peer, Settings
from dicom_service.store import PriorStudy, Store

log = logging.getLogger(__name__)
MOST_OBJECTS = 500
"""A study with more is no radiographic study of a limb; it is listed and not fetched."""
MOST_REPORTS = 20
"""Of the study that is read; each version of ours is a series of its own."""
_LEASE_SECONDS = 900.0
"""After which another node searches for a study that this one began with and never ended."""
_WANTED = {"CR", "DX", "RG", "SC", "OT", "SR", "DOC", "KO", "PR"}
_NOTHING = ("", "", "")
"""Site, study and sender of what is being fetched, when nothing is."""
_ON_THE_LIST = ("arriving", "waiting", "reading", "signed", "failed")


class Candidate(NamedTuple):
    """An answer of an archive: the study, and of how many objects the archive speaks."""

    study: PriorStudy
    objects: int


class PriorFinder(Turns):
    """A thread that looks for earlier studies."""

    def __init__(self, settings: Settings, store: Store, roster: Roster) -> None:
        super().__init__("priors", "earlier studies could not be looked for")
        self._settings = settings
        self._store = store
        self._roster = roster
        self._moving = _NOTHING
        self._asking: Asking | None = None

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self) -> None:
        """Stop; what is under way is aborted and done again after the next start."""
        self._stopping.set()
        asking = self._asking
        if asking is not None:
            asking.end()
        super().stop()

    def asked_for(self, site: str, study_uid: str, sender: str, mover: str) -> bool:
        """Whether an object that is being received comes because this node asked for it.

        Parameters
        ----------
        site
            That was called.
        sender
            AE title of who sends it.
        mover
            AE title of who had it moved. Some archives do not say, some name themselves: then it
            counts what is being fetched from whom just now.
        """
        if mover not in ("", sender):
            return mover == self._settings.at(site).ae_title
        return (site, study_uid, sender) == self._moving

    def _peers(self, site: str) -> list[Peer]:
        """Those that are to be asked about animals of a site."""
        return [peer for peer in self._roster.at(site).peers() if peer.retrieve != "none"]

    def _turn(self) -> float:
        """Do what is due; returns how long to sleep."""
        if all(peer.retrieve == "none" for peer in self._roster.all_peers()):
            return seconds_until(None)
        lease = self._store.claim_prior_search(datetime.now(UTC), _LEASE_SECONDS)
        if lease is not None:
            try:
                self._search(lease.of)
            finally:
                self._store.give_back(lease)
            return 0.0
        return seconds_until(self._store.next_prior_search_at())

    def _search(self, study_uid: str) -> None:
        prepared = self._store.preparation(study_uid)
        if prepared is None:
            return
        now = datetime.now(UTC)
        self._store.begin_prior_search(study_uid, now)
        facts, site = prepared[0], self._store.site_of(study_uid) or ""
        unaskable = _unaskable(facts.signalment.patient_id)
        if unaskable:
            self._store.end_prior_search(study_uid, "found", [], detail=unaskable)
            return
        listed: dict[str, PriorStudy] = {}
        trouble: list[str] = []
        notes: list[str] = []
        for peer in self._peers(site):
            try:
                self._ask(peer, facts, listed, notes)
            except SesamoidError as error:
                trouble.append(str(error))
        trouble += [f"{p.detail}." for p in listed.values() if p.state == "failed"]
        if not self._stopping.is_set():
            self._record(study_uid, list(listed.values()), trouble, notes)

    def _record(
        self, study_uid: str, listed: list[PriorStudy], trouble: list[str], notes: list[str]
    ) -> None:
        if not trouble:
            self._store.end_prior_search(study_uid, "found", listed, detail=" ".join(notes))
            return
        before = self._store.prior_search(study_uid)
        wait = self._wait(before.attempts if before else 0)
        detail = " ".join(dict.fromkeys(trouble))
        log.warning("priors of %s are asked for again in %.0f s: %s", study_uid, wait, detail)
        next_at = datetime.now(UTC) + timedelta(seconds=wait)
        self._store.end_prior_search(study_uid, "failed", listed, detail=detail, next_at=next_at)

    def _ask(
        self, peer: Peer, facts: StudyFacts, listed: dict[str, PriorStudy], notes: list[str]
    ) -> None:
        """Ask one archive; what it has goes into `listed` by Study Instance UID."""
        self._asking = Asking(self._settings.at(peer.site), self._store, peer)
        if self._stopping.is_set():
            return
        try:
            with self._asking as asking:
                found = asking.studies(facts.signalment.patient_id)
                if found.cut:
                    notes.append(
                        f"{peer.name} has more than {MOST_ANSWERS} studies under this patient ID; "
                        "only the first it named were looked at."
                    )
                self._fetch_reports(asking, facts.study_uid, notes)
                answers = [c for a in found.answers if (c := _considered(peer, facts, a))]
                for candidate in _newest(answers, self._settings.priors_studies):
                    uid = candidate.study.prior_uid
                    if uid not in listed or listed[uid].state == "failed":
                        listed[uid] = self._fetched(asking, candidate)
        finally:
            self._asking = None

    def _fetch_reports(self, asking: Asking, study_uid: str, notes: list[str]) -> None:
        """Reports of the study itself that are not here: another system may have a newer one."""
        unknown = [
            series
            for series in asking.reports(study_uid)
            if valid_uid(series) and not self._store.instances(study_uid, series)
        ]
        for series in unknown[:MOST_REPORTS]:
            self._moving = (asking.site, study_uid, asking.ae_title)
            try:
                wrong = asking.retrieve(study_uid, series)
            finally:
                self._moving = _NOTHING
            if wrong:
                notes.append(f"A report of this very study could not be fetched: {wrong}.")

    def _fetched(self, asking: Asking, candidate: Candidate) -> PriorStudy:
        """The study as it is known after it was fetched, unless it need not be."""
        study = candidate.study
        if study.state != "failed":
            return study
        if self._is_here(candidate, asking.site):
            return study.model_copy(update={"state": "fetched", "detail": ""})
        self._moving = (asking.site, study.prior_uid, asking.ae_title)
        try:
            wrong = asking.retrieve(study.prior_uid)
        except SesamoidError as error:
            return study.model_copy(update={"detail": str(error).rstrip(".")})
        finally:
            self._moving = _NOTHING
        if not self._objects(study.prior_uid, asking.site):
            wrong = wrong or f"{study.peer} sent nothing of study {study.prior_uid}"
            return study.model_copy(update={"detail": wrong})
        return study.model_copy(update={"state": "fetched", "detail": wrong})

    def _is_here(self, candidate: Candidate, site: str) -> bool:
        uid = candidate.study.prior_uid
        row = self._store.study(uid)
        if row is not None and row.site == site and row.state in _ON_THE_LIST:
            return True
        return self._objects(uid, site) >= candidate.objects > 0

    def _objects(self, study_uid: str, site: str) -> int:
        """How many objects of a study are here, if it is this site's."""
        if self._store.site_of(study_uid) != site:
            return 0
        return len(self._store.instances(study_uid))

    def _wait(self, attempts: int) -> float:
        first = self._settings.retry_first_seconds
        longest = max(first, self._settings.retry_longest_seconds)
        return float(min(first * 2 ** min(attempts, 30), longest))


def _unaskable(patient_id: str) -> str:
    """Why an archive cannot be asked for exactly this patient; "" when it can."""
    if not patient_id.strip():
        return "The images carry no patient ID, so no archive can be asked for earlier studies."
    if any(c in patient_id for c in "*?\\"):
        return (
            f"The patient ID '{plain(patient_id)}' has a character that queries treat as a "
            "wildcard, so earlier studies of just this animal cannot be asked for."
        )
    return ""


def _considered(peer: Peer, facts: StudyFacts, answer: Dataset) -> Candidate | None:
    """An answer as a study to fetch ("failed" until it is here) or not; None: not worth naming."""
    try:
        uid = str(answer.get("StudyInstanceUID", ""))
        theirs = signalment_of(answer)
        modalities = answer.get("ModalitiesInStudy") or []
        objects = int(answer.get("NumberOfStudyRelatedInstances") or 0)
        date = str(answer.get("StudyDate") or "")
        description = plain(answer.get("StudyDescription") or "")
    except (ValueError, TypeError, AttributeError) as error:
        log.warning("an answer of %s cannot be read: %s", peer.name, plain(said_in_log(error)))
        return None
    kinds = {modalities} if isinstance(modalities, str) else {str(m) for m in modalities}
    if not valid_uid(uid) or uid == facts.study_uid or (kinds and not kinds & _WANTED):
        return None
    if theirs.patient_id.strip() != facts.signalment.patient_id.strip():
        return None  # a query that was matched too widely
    if date and facts.study_date and date > facts.study_date:
        return None
    known = {"prior_uid": uid, "peer": peer.name, "study_date": date, "description": description}
    differ = contradictions(facts.signalment, theirs)
    if differ:
        detail = "Not taken, it may be another animal's: " + "; ".join(differ) + "."
        return Candidate(PriorStudy(**known, state="refused", detail=detail), objects)
    if objects > MOST_OBJECTS:
        detail = f"Not fetched: {objects} objects."
        return Candidate(PriorStudy(**known, state="listed", detail=detail), objects)
    detail = f"{peer.name} has not sent it"
    return Candidate(PriorStudy(**known, state="failed", detail=detail), objects)


def _newest(candidates: list[Candidate], most: int) -> list[Candidate]:
    """Newest first; those beyond the first `most` that could be fetched are only listed."""
    ordered = sorted(candidates, key=lambda c: c.study.study_date, reverse=True)
    kept, wanted = [], 0
    for candidate in ordered:
        study = candidate.study
        if study.state == "failed":
            wanted += 1
            if wanted > most:
                detail = f"Not fetched: only the newest {most} are (priors_studies)."
                study = study.model_copy(update={"state": "listed", "detail": detail})
        kept.append(Candidate(study, candidate.objects))
    return kept
