"""Checks of storage commitment: on the same association, on another, and for what is not there."""

from pydicom.dataset import Dataset

from dicom_service.conformance.association import COMPREHENSIVE, status_text
from dicom_service.conformance.model import Finding
from dicom_service.conformance.run import Run, fresh_uid
from dicom_service.errors import PeerAway
from dicom_service.node.services import (
    COMMITMENT,
    COMMITMENT_INSTANCE,
    UNCOMPRESSED,
    commitment_reason,
)

_NO_SUCH_OBJECT = 0x0112
Reported = tuple[Dataset, bool]


def _ask(run: Run, uids: dict[str, str], *, hold: bool) -> Reported | Finding:
    """Request commitment; `hold` keeps the association open for the report."""
    request = Dataset()
    request.TransactionUID = run.new_transaction()
    request.ReferencedSOPSequence = []
    for uid, sop_class in uids.items():
        item = Dataset()
        item.ReferencedSOPClassUID, item.ReferencedSOPInstanceUID = sop_class, uid
        request.ReferencedSOPSequence.append(item)
    came: Reported | None = None
    try:
        with run.associated([(COMMITMENT, UNCOMPRESSED)]) as association:
            status, _ = association.send_n_action(request, 1, COMMITMENT, COMMITMENT_INSTANCE)
            code = status.get("Status")
            if code != 0x0000:
                return Finding(
                    verdict="FAIL",
                    got=f"It refuses to commit: {status_text(code)}.",
                    ask="Is storage commitment licensed and allowed for us?",
                )
            if hold:
                came = run.wait_report(request.TransactionUID)
    except (PeerAway, ValueError):
        return Finding(
            verdict="SKIP",
            got="It offers no storage commitment.",
            ask="Set commitment = false for it; reports then count as sent only.",
        )
    came = came or run.wait_report(request.TransactionUID)
    stray = run.stray_report()
    if came is None and stray:
        return Finding(
            verdict="FAIL",
            got=f"Its report names another transaction ({stray}) than the request.",
            ask="Does its report repeat the Transaction UID (0008,1195) of the request?",
        )
    if came is None:
        seconds = f"{run.target.report_seconds:.0f} s"
        return Finding(
            verdict="FAIL",
            got=f"It accepted the request and sent no report within {seconds}.",
            ask=f"Does it know where {run.settings.ae_title} listens (this machine, port "
            f"{getattr(run, 'port', run.settings.dimse_port)}) to send its report?",
        )
    return came


def _kept(run: Run) -> dict[str, str]:
    return {uid: str(dataset.SOPClassUID) for uid, dataset in run.kept.items()}


def _judge(run: Run, came: Reported) -> Finding | None:
    """A finding when the report is not the truth about what was stored."""
    report, _ = came
    failed = {
        str(i.ReferencedSOPInstanceUID): int(i.get("FailureReason", 0))
        for i in report.get("FailedSOPSequence") or []
    }
    good = {str(i.ReferencedSOPInstanceUID) for i in report.get("ReferencedSOPSequence") or []}
    if failed:
        why = commitment_reason(next(iter(failed.values())))
        return Finding(
            verdict="FAIL",
            got=f"It will not commit to {len(failed)} of {len(run.kept)} objects "
            f"that it took with success: {why}.",
            ask="Why does it deny objects that it acknowledged (see the read-back above)?",
        )
    if good != set(run.kept):
        return Finding(
            verdict="FAIL",
            got="Its report does not name what was asked about.",
            ask="Does its report repeat every reference of the request?",
        )
    return None


def same_association(run: Run) -> Finding:
    """The request's association stays open: the report may come on it."""
    if not run.kept:
        return Finding(verdict="SKIP", got="The peer took nothing that it could commit to.")
    came = _ask(run, _kept(run), hold=True)
    if isinstance(came, Finding):
        return came
    wrong = _judge(run, came)
    if wrong:
        return wrong
    if came[1]:
        return Finding(
            verdict="PASS",
            got="It reports on an association of its own even while "
            "the asking one is open; that is allowed, and we take it.",
        )
    return Finding(verdict="PASS", got="The report came on the same association.")


def separate_association(run: Run) -> Finding:
    """The request's association ends: the report must come on another."""
    if not run.kept:
        return Finding(verdict="SKIP", got="The peer took nothing that it could commit to.")
    if run.listening:
        return Finding(verdict="SKIP", got=f"We cannot listen: {run.listening}.")
    came = _ask(run, _kept(run), hold=False)
    if isinstance(came, Finding):
        return came
    return _judge(run, came) or Finding(
        verdict="PASS", got="It called us back and committed to everything."
    )


def unknown_object(run: Run) -> Finding:
    """An object that it never got must be reported as missing."""
    uid = fresh_uid()
    came = _ask(run, {uid: COMPREHENSIVE}, hold=True)
    if isinstance(came, Finding):
        return came
    failed = came[0].get("FailedSOPSequence") or []
    reasons = [int(item.get("FailureReason", 0)) for item in failed]
    if reasons == [_NO_SUCH_OBJECT]:
        return Finding(verdict="PASS", got="It says: no such object (0x0112).")
    if not reasons:
        return Finding(
            verdict="FAIL",
            got="It commits to an object that it never got.",
            ask="Does it look into its index before it commits?",
        )
    return Finding(
        verdict="FAIL",
        got=f"It says otherwise: {commitment_reason(reasons[0])}.",
        ask="It should answer no such object (0x0112) for an unknown instance.",
    )
