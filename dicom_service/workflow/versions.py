"""The versions of a study's report: which there are, which one counts, what a new one names."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, NamedTuple, cast

from dicom_service import report
from dicom_service.errors import NotReady
from dicom_service.report.model import Addendum, Kind, Reference, ReportContent
from dicom_service.report.states import STATES, continued_by
from dicom_service.store import DocumentRow
from dicom_service.workflow.documents import display_name
from dicom_service.workflow.headers import read_header
from dicom_service.workflow.model import Prevailing

if TYPE_CHECKING:
    from dicom_service.workflow.desk import Desk

FIRST_SERIES = 9001
"""Series Number of our first document of a study; each version has a series of its own."""


class Earlier(NamedTuple):
    """What a new version names as its predecessors."""

    reports: tuple[Reference, ...]
    measurements: tuple[Reference, ...]


def signed_reports(desk: "Desk", study_uid: str) -> list[DocumentRow]:
    """Every signed version of the report of a study, oldest first."""
    rows = desk.store.documents(study_uid)
    return [row for row in rows if row.role == "report" and row.signed_at is not None]


def earlier(desk: "Desk", study_uid: str, kind: Kind) -> Earlier:
    """The documents that a new one of this kind continues or replaces.

    A template counts only where the archive got it; one that stayed here is nobody's business.
    """
    sent = {row.sop_instance_uid for row in desk.store.outbox(study_uid)}
    rows = [
        row
        for row in desk.store.documents(study_uid)
        if row.kind in STATES and (row.signed_at is not None or row.sop_instance_uid in sent)
    ]
    reports = continued_by(kind, [_reference(row) for row in rows if row.role == "report"])
    # Measurements go with the versions of the report that are named, not with older ones.
    first = reports[0].sop_instance_uid if reports else ""
    since = [row.sop_instance_uid for row in rows].index(first) if first else len(rows)
    measured = [_reference(row) for row in rows[since:] if row.role == "measurements"]
    return Earlier(reports, tuple(m for m in measured if STATES[m.kind].signed))


def _reference(row: DocumentRow) -> Reference:
    return Reference(
        sop_instance_uid=row.sop_instance_uid,
        sop_class_uid=row.sop_class_uid,
        series_uid=row.series_uid,
        kind=cast("Kind", row.kind),
    )


def corrected_content(
    desk: "Desk", study_uid: str, content: ReportContent, reason: str
) -> ReportContent:
    """A reading as the correction of the signed report, with what it changes.

    Raises
    ------
    NotReady
        It says the same as the signed report.
    """
    before = desk.store.content(signed_reports(desk, study_uid)[-1].sop_instance_uid)
    changed = report.changes(before, content)
    if not changed or content.signer is None or content.signed_at is None:
        raise NotReady(
            "Not signed: nothing differs from the signed report. "
            "Give the correction up, or write an addendum."
        )
    text = "\n".join((reason.strip(), "What was changed:", *changed))
    remark = Addendum(text=text, author=content.signer, at=content.signed_at)
    continued = earlier(desk, study_uid, "correction")
    return content.model_copy(
        update={
            "kind": "correction",
            "addenda": before.addenda,
            "corrections": (*before.corrections, remark),
            "predecessors": continued.reports,
            "measured_before": continued.measurements,
        }
    )


def moment(desk: "Desk", study_uid: str) -> datetime:
    """Now, and later than every earlier signature, also when the clock was set back."""
    now = desk.clock()
    rows = signed_reports(desk, study_uid)
    last = rows[-1].signed_at if rows else None
    return now if last is None else max(now, last + timedelta(microseconds=1))


def next_series(desk: "Desk", study_uid: str) -> int:
    """A Series Number that none of our documents of this study has."""
    return FIRST_SERIES + 10 * len(desk.store.documents(study_uid))


def prevailing(desk: "Desk", study_uid: str) -> Prevailing | None:
    """See `Desk.prevailing`."""
    rows = signed_reports(desk, study_uid)
    chosen = report.prevailing(_ours(rows))
    if chosen is None:
        return None
    number = [row.sop_instance_uid for row in rows].index(chosen.sop_instance_uid) + 1
    row = rows[number - 1]
    last = [d.role for d in desk.store.documents(study_uid) if d.signed_at is not None][-1]
    return Prevailing(
        kind=row.kind,
        number=number,
        of=len(rows),
        sop_instance_uid=row.sop_instance_uid,
        signed_by=display_name(desk.store, row.signed_by),
        signed_at=chosen.signed_at,
        withdrawn=last == "withdrawal",
    )


def newer_elsewhere(desk: "Desk", study_uid: str) -> tuple[report.Version, ...]:
    """Signed versions that came to us from elsewhere and follow the ones made here."""
    held = [
        version
        for instance in desk.store.instances(study_uid)
        if instance.modality == "SR" and not instance.own
        if (version := report.version_of(read_header(instance.path))) is not None
    ]
    return report.newer_in_archive(_ours(signed_reports(desk, study_uid)), held)


def _ours(rows: Sequence[DocumentRow]) -> list[report.Version]:
    """Each of our versions follows the one before it."""
    before: tuple[str, ...] = ()
    found = []
    for row in rows:
        if row.signed_at is not None:
            uid = row.sop_instance_uid
            found.append(
                report.Version(
                    sop_instance_uid=uid,
                    signed_at=row.signed_at,
                    signed_by=row.signed_by,
                    replaces=before,
                )
            )
            before = (uid,)
    return found
