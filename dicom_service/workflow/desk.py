"""The desk: one object through which web pages and commands work on a study."""

import logging
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from dicom_service import intake, review
from dicom_service.errors import NotAllowed, NotFound, NotReady
from dicom_service.passwords import WrongPassword, password_fits
from dicom_service.report.model import Device, ReportContent
from dicom_service.review.model import Reading, Template
from dicom_service.roster import Roster, SiteRoster
from dicom_service.settings import Settings
from dicom_service.store import Store, StudyRow
from dicom_service.store.events import CLOSED
from dicom_service.workflow import correcting, exporting, signing, versions, withdrawing
from dicom_service.workflow.accepting import worked_out
from dicom_service.workflow.advice import advise
from dicom_service.workflow.documents import (
    PREPARED,
    display_name,
    document_states,
    node_device,
)
from dicom_service.workflow.headers import read_header
from dicom_service.workflow.model import (
    Correcting,
    Correction,
    OpenReading,
    Prevailing,
    Preview,
    Saved,
    WithdrawalReason,
)
from dicom_service.workflow.of_site import at_site_of
from dicom_service.workflow.prior_model import Priors
from dicom_service.workflow.priors import priors_of
from dicom_service.workflow.vocabulary import correction_choices, descriptor_choices

log = logging.getLogger(__name__)


def utc_now() -> datetime:
    """The present moment, with its time zone."""
    return datetime.now(UTC)


class Desk:
    """Prepares, opens, saves and signs readings.

    Parameters
    ----------
    store
        Where everything is kept.
    settings
        Of the node.
    clock
        Gives the present moment; tests give their own.
    wake
        Called after something was put into the outbox, or archives are to be asked.
    roster
        The peers; None: those of the settings and of the store.
    """

    def __init__(
        self,
        store: Store,
        settings: Settings,
        clock: Callable[[], datetime] = utc_now,
        wake: Callable[[], None] = lambda: None,
        roster: Roster | None = None,
    ) -> None:
        self.store = store
        self.settings = settings
        self.roster: SiteRoster = roster or Roster(settings, store)
        self.clock = clock
        self.wake = wake
        self.device: Device = node_device(Path(settings.data_folder), settings)

    def prepare(self, study_uid: str) -> None:
        """Make the template of a settled study and put it on the reading list.

        A reading that exists already is carried over to the new template when it is opened.
        """
        there = at_site_of(self, study_uid)
        instances = self.store.instances(study_uid)
        if not instances:
            raise NotFound(f"No objects of study {study_uid} are stored.")
        seen_at = max(instance.received_at for instance in instances)
        own = {row.sop_instance_uid for row in self.store.documents(study_uid)}
        headers = [read_header(i.path) for i in instances if i.sop_instance_uid not in own]
        corrections = self.store.corrections(study_uid)
        facts = intake.describe(headers, species=corrections.pop(correcting.ANIMAL, None))
        for image_uid, said in corrections.items():
            if any(image.uid == image_uid for image in facts.images):
                correction = Correction.model_validate_json(said)
                facts = intake.corrected(facts, image_uid, **dict(correction))
        before = self.store.preparation(study_uid)
        revision = before[1].revision + 1 if before else 1
        template = review.build_template(
            facts, revision=revision, order=there.settings.section_order
        )
        content = ReportContent(kind="template", facts=facts, template=template, reading=Reading())
        document = signing.template_document(content, there.device, headers, self.clock())
        archive = there.roster.archive
        destinations = [archive] if archive and self.settings.store_templates else []
        kept = self.store.save_preparation(
            study_uid,
            seen_at,
            facts,
            template,
            document,
            destinations=destinations,
            priority=intake.request_priority(headers),
        )
        if not kept:
            log.info("study %s: another object arrived meanwhile; waiting again", study_uid)
        elif destinations:
            self.wake()

    def open(self, study_uid: str) -> OpenReading:
        """Everything a panel shows of a study.

        Raises
        ------
        NotFound
            No such study.
        NotReady
            Its template is not there yet.
        """
        row = self.row(study_uid)
        facts, template = self.preparation(row)
        version, reading = self._reading(row, facts, template)
        return OpenReading(
            version=version,
            state=row.state,
            reader=row.reader,
            reader_name=display_name(self.store, row.reader),
            facts=facts,
            template=template,
            reading=reading,
            coverage=review.coverage(template, reading),
            gaps=review.gaps(template, reading),
            documents=document_states(self.store, study_uid),
            descriptors=descriptor_choices(),
            choices=correction_choices(facts.signalment.species),
            advice=advise(facts, template, reading),
            prevailing=self.prevailing(study_uid),
            newer_in_archive=versions.newer_elsewhere(self, study_uid),
            correcting=self._correcting(study_uid),
            late_objects=row.late_objects,
        )

    def save(self, study_uid: str, version: int, reading: Reading, user: str) -> Saved:
        """Keep what the reader has entered.

        Parameters
        ----------
        version
            The version that the panel started from; 0 before the first save.

        Raises
        ------
        VersionConflict
            Somebody saved since; nothing was overwritten.
        Refused
            The reading names structures, views or findings that the study does not have.
        NotReady
            It has no template yet, or the report is signed already.
        """
        facts, template = self.store.preparation(study_uid) or self.preparation(self.row(study_uid))
        if reading.template_revision != template.revision:
            reading = review.carry_over(reading, template)
        review.check_reading(template, reading)
        computed = any(m.computed for m in reading.measurements)
        before = self.store.reading(study_uid)[1].measurements if computed else ()
        measurements = worked_out(self.store, facts, before, reading.measurements)
        reading = reading.model_copy(update={"measurements": measurements})
        now = self.clock()
        kept = self.store.save_reading(study_uid, reading, expected=version, user=user, at=now)
        return Saved(
            version=kept,
            reading=reading,
            coverage=review.coverage(template, reading),
            gaps=review.gaps(template, reading),
            saved_at=now,
            advice=advise(facts, template, reading),
        )

    def preview(self, study_uid: str) -> Preview:
        """The text of the report as it stands."""
        row = self.row(study_uid)
        facts, template = self.preparation(row)
        _, reading = self._reading(row, facts, template)
        return Preview(
            findings_text=review.findings_text(facts, template, reading),
            text=review.report_text(facts, template, reading),
            summary=review.summary(facts, template, reading),
        )

    def correct(self, study_uid: str, image_uid: str, said: Correction, user: str) -> None:
        """Take the reader's word on what an image shows, and prepare the study anew.

        Raises
        ------
        NotFound, Refused
            No such image, view or region.
        NotReady
            The report is signed already.
        """
        correcting.correct(self, study_uid, image_uid, said, user)

    def correct_species(self, study_uid: str, species: str, user: str) -> None:
        """Take the reader's word on the species, and prepare the study anew.

        What was entered is carried over as far as this species has the structures.

        Raises
        ------
        Refused
            There is no such species.
        NotReady
            The report is signed already.
        """
        correcting.correct_species(self, study_uid, species, user)

    def sign(self, study_uid: str, version: int, user: str, password: str | None) -> None:
        """Sign the reading; the report and its measurements go into the outbox.

        Signing the same version twice makes one report. A reading that was opened again for
        correction becomes a correction, which replaces what was signed before.

        Raises
        ------
        NotAllowed
            Wrong password, or the user is no reader.
        NotReady
            Something is still open, or the study is signed already.
        VersionConflict
            The reading was changed since the reader saw it.
        """
        self.verify(user, password, study_uid)
        signing.sign(at_site_of(self, study_uid), study_uid, version, user)
        self.wake()

    def add_addendum(self, study_uid: str, text: str, user: str, password: str | None) -> None:
        """Add a remark to a signed report, as a new document that continues it."""
        self.verify(user, password, study_uid)
        signing.add_addendum(at_site_of(self, study_uid), study_uid, text, user)
        self.wake()

    def reopen_for_correction(self, study_uid: str, user: str, reason: str) -> None:
        """Make the signed (or withdrawn) report a draft again; `reason` goes into the report.

        Late images are taken in: the study is prepared anew and the reading carried over.

        Raises
        ------
        NotReady
            There is no signed report, or somebody is correcting it already.
        """
        self._may_sign(user, study_uid)
        if not reason.strip():
            raise NotReady("Say in words why the report is corrected.")
        late = self.row(study_uid).late_objects
        self.store.reopen(study_uid, reason=reason.strip(), user=user, at=self.clock())
        # Somebody else may have been quicker: a newer version in the archive is to be known.
        self.store.ask_again(study_uid)
        self.wake()
        if late:
            self.prepare(study_uid)

    def give_up_correction(self, study_uid: str, user: str) -> None:
        """Drop a correction that was not signed; the signed report is as it was."""
        self._may_sign(user, study_uid)
        self.store.give_up(study_uid, user=user, at=self.clock())

    def withdraw(
        self, study_uid: str, reason: WithdrawalReason, text: str, user: str, password: str | None
    ) -> None:
        """Say to everybody that the signed report, in all its versions, is not to be used."""
        self.verify(user, password, study_uid)
        withdrawing.withdraw(at_site_of(self, study_uid), study_uid, reason, text, user)
        self.wake()

    def prevailing(self, study_uid: str) -> Prevailing | None:
        """The version of the report to go by; None while nothing is signed."""
        return versions.prevailing(self, study_uid)

    def draft_document(self, study_uid: str, user: str) -> bytes:
        """The reading as it stands, as a DICOM file that says that nobody has signed it."""
        return withdrawing.draft_document(at_site_of(self, study_uid), study_uid, user)

    def teaching_file(self, study_uid: str) -> bytes:
        """The signed study as a teaching case without names, in a ZIP file."""
        from dicom_service import teaching  # It builds on this package.

        return teaching.zipped(teaching.teaching_case(at_site_of(self, study_uid), study_uid))

    def template_document(self, study_uid: str) -> bytes:
        """The prepared structured-report template as a DICOM file."""
        self.preparation(self.row(study_uid))
        rows = [r for r in self.store.documents(study_uid) if r.kind == PREPARED]
        return rows[-1].path.read_bytes()

    def priors(self, study_uid: str) -> Priors:
        """Earlier studies of the same animal, from what is on this node; nothing waits for them.

        Raises
        ------
        NotFound
            No such study.
        """
        return priors_of(self.store, at_site_of(self, study_uid).roster, study_uid)

    def report_pdf(self, study_uid: str, document_uid: str = "") -> bytes:
        """The newest signed report as it is printed; before one is signed, the draft.

        With `document_uid` the version of the report that was signed with this document.
        """
        return exporting.pdf(self, study_uid, document_uid)

    def report_text(self, study_uid: str) -> str:
        """The same as plain text."""
        return exporting.plain_text(self, study_uid)

    def report_fhir(self, study_uid: str) -> str:
        """The same as a FHIR R4 bundle in JSON."""
        return exporting.fhir(self, study_uid)

    def verify(self, user: str, password: str | None, study_uid: str) -> None:
        """Check that `user` may sign a study; audited when the password is wrong.

        A password of None: they have just shown in another way who they are.
        """
        row = self.store.user(user)
        fits = password is None or password_fits(row.hash_in_use if row else None, password)
        if not fits:
            self.store.audit("password refused", user=user, at=self.clock())
            raise WrongPassword("The password is not right. Nothing was signed.")
        self._may_sign(user, study_uid)

    def _may_sign(self, user: str, study_uid: str) -> None:
        row, site = self.store.user(user), self.store.site_of(study_uid) or ""
        if row is None or row.disabled or "reader" not in row.at(site):
            raise NotAllowed(f"{user} may not sign: only users with the role reader do.")

    def _correcting(self, study_uid: str) -> Correcting | None:
        known = self.store.reopening(study_uid)
        if known is None:
            return None
        by = display_name(self.store, known.user)
        return Correcting(reason=known.reason, by=by, at=known.at)

    def row(self, study_uid: str) -> StudyRow:
        """The line of a study; NotFound when there is none."""
        row = self.store.study(study_uid)
        if row is None:
            raise NotFound(f"No study {study_uid} is on this node.")
        return row

    def preparation(self, row: StudyRow) -> tuple[intake.StudyFacts, Template]:
        """What a study is and what is asked about it; NotReady while it is not prepared."""
        prepared = self.store.preparation(row.study_uid)
        if prepared is None:
            why = row.detail or "Its images are still arriving; it opens by itself when they stop."
            raise NotReady(f"The study is not ready to be read. {why}")
        return prepared

    def _reading(
        self, row: StudyRow, facts: intake.StudyFacts, template: Template
    ) -> tuple[int, Reading]:
        version, reading = self.store.reading(row.study_uid)
        if version == 0:
            return 0, review.opening_reading(facts, template)
        if reading.template_revision != template.revision and row.state not in CLOSED:
            reading = review.carry_over(reading, template)
        return version, reading
