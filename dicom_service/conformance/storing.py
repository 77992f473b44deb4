"""Checks of storage: images and documents go in, are found, and come back as they were."""

from collections.abc import Callable, Sequence

from pydicom.dataset import Dataset

from dicom_service import report
from dicom_service.conformance.association import NO_ANSWER, status_text
from dicom_service.conformance.compare import differences, listed
from dicom_service.conformance.model import Finding
from dicom_service.conformance.run import Run
from dicom_service.errors import BadObject, PeerAway
from dicom_service.node.services import store_reason

_NOT_TAKEN = Finding(verdict="SKIP", got="The peer did not take it, so it cannot give it back.")


def store(choose: Callable[[Run], Sequence[Dataset]]) -> Callable[[Run], Finding]:
    """A check that stores what `choose` gives."""

    def check(run: Run) -> Finding:
        answers = run.send(choose(run))
        bad = [(d, s) for d, s, _ in answers if s is None or (s and s >> 12 != 0xB)]
        if bad:
            dataset, status = bad[0]
            why = NO_ANSWER if status is None else store_reason(status)
            return Finding(
                verdict="FAIL",
                got=f"{len(bad)} of {len(answers)} {dataset.Modality} not taken: {why}.",
                ask=f"Why does it refuse {dataset.SOPClassUID.name}? Its log tells.",
            )
        slowest = max(seconds for _, _, seconds in answers)
        if slowest > run.target.prompt_seconds:
            return Finding(
                verdict="FAIL",
                got=f"It answers slowly: {slowest:.1f} s for one small object.",
                ask="What keeps it busy? A report waits as long, and senders may give up.",
            )
        warned = [status_text(s) for _, s, _ in answers if s]
        said = f" with warnings ({', '.join(warned)}: it changes what it keeps)" if warned else ""
        return Finding(verdict="PASS", got=f"{len(answers)} objects taken{said}.")

    return check


def read_back(choose: Callable[[Run], Sequence[Dataset]]) -> Callable[[Run], Finding]:
    """A check that retrieves what `choose` gives and compares it attribute by attribute."""

    def check(run: Run) -> Finding:
        sent = [d for d in choose(run) if str(d.SOPInstanceUID) in run.kept]
        if not sent:
            return _NOT_TAKEN
        came, how = retrieved(run, sent)
        if how is None:
            return Finding(
                verdict="SKIP",
                got="It offers neither C-GET nor a C-MOVE that arrives.",
                ask="Enter our AE title as a destination of C-MOVE.",
            )
        lost = [d for d in sent if str(d.SOPInstanceUID) not in came]
        if lost:
            return Finding(
                verdict="FAIL",
                got=f"{len(lost)} of {len(sent)} objects that it took are not there ({how}).",
                ask="Where do objects go that it acknowledges? Quarantine, filters, a queue?",
            )
        changed = [x for d in sent for x in differences(d, came[str(d.SOPInstanceUID)])]
        if changed:
            return Finding(
                verdict="FAIL",
                got=f"It changed what it keeps ({how}): {listed(changed)}.",
                ask="Turn coercion of attributes off for objects from us; a signed report that was "
                "changed is called damaged.",
            )
        return Finding(verdict="PASS", got=f"{len(sent)} objects came back unchanged ({how}).")

    return check


def retrieved(run: Run, sent: Sequence[Dataset]) -> tuple[dict[str, Dataset], str | None]:
    """Objects by whichever service works, and its name; None: neither."""
    try:
        came, status = run.get(sent)
        if came or status is not None:
            return came, "C-GET"
    except (PeerAway, ValueError):
        pass  # the peer offers no C-GET: that is what C-MOVE is for
    if run.listening:
        return {}, None
    try:
        for dataset in sent:
            run.move(dataset)
    except (PeerAway, ValueError):
        return {}, None
    uids = {str(d.SOPInstanceUID) for d in sent}
    came = {uid: d for uid, d in run.moved.items() if uid in uids}
    return came, "C-MOVE" if came or run.called_by else None


def find_report(run: Run) -> Finding:
    """C-FIND at IMAGE level for the report, with all unique keys."""
    if str(run.report.SOPInstanceUID) not in run.kept:
        return _NOT_TAKEN
    try:
        found, status = run.find(run.report)
    except (PeerAway, ValueError) as error:
        return Finding(verdict="SKIP", got=f"C-FIND is not possible: {error}.")
    if status is None:
        return Finding(verdict="FAIL", got=f"C-FIND: {NO_ANSWER}.", ask="What does its log say?")
    uids = [str(d.get("SOPInstanceUID", "")) for d in found]
    if uids == [str(run.report.SOPInstanceUID)]:
        return Finding(verdict="PASS", got="Exactly this report is found.")
    among = "among" if str(run.report.SOPInstanceUID) in uids else "not among"
    return Finding(
        verdict="FAIL",
        got=f"{len(uids)} answers, the report {among} them.",
        ask="Does it answer C-FIND at IMAGE level with all unique keys?",
    )


def get_with_role(run: Run) -> Finding:
    """C-GET, with us as SCP of the storage classes."""
    kept = _one_image(run)
    if kept is None:
        return _NOT_TAKEN
    try:
        came, status = run.get([kept])
    except (PeerAway, ValueError):
        return Finding(verdict="SKIP", got="It offers no C-GET; C-MOVE serves as well.")
    if str(kept.SOPInstanceUID) in came:
        return Finding(verdict="PASS", got="The object came on the same association.")
    return Finding(
        verdict="FAIL",
        got=f"Nothing came: {status_text(status)}.",
        ask="Does it honour SCP/SCU role selection for C-GET?",
    )


def move(run: Run) -> Finding:
    """C-MOVE of one image to ourselves."""
    kept = _one_image(run)
    if kept is None:
        return _NOT_TAKEN
    if run.listening:
        return Finding(verdict="SKIP", got=f"We cannot listen: {run.listening}.")
    try:
        arrived, status = run.move(kept)
    except (PeerAway, ValueError):
        return Finding(verdict="SKIP", got="It offers no C-MOVE.")
    if arrived:
        return Finding(verdict="PASS", got="The object came on an association that it opened.")
    known = "it does not know us as a destination" if status == 0xA801 else status_text(status)
    return Finding(
        verdict="FAIL",
        got=f"Nothing came: {known}.",
        ask=f"Enter {run.settings.ae_title} at this machine's address, port {run.port}, "
        "as a destination of C-MOVE.",
    )


def amendment(run: Run) -> Finding:
    """Store the addendum too; both versions come back, and the chain names the prevailing one."""
    if str(run.report.SOPInstanceUID) not in run.kept:
        return _NOT_TAKEN
    stored = store(lambda r: [r.addendum])(run)
    if stored.verdict == "FAIL":
        return stored
    pair = [run.report, run.addendum]
    came, how = retrieved(run, pair)
    if how is None:
        return Finding(verdict="SKIP", got="It took the addendum; nothing can be retrieved.")
    if len(came) < len(pair):
        return Finding(
            verdict="FAIL",
            got=f"Only {len(came)} of the two versions came back.",
            ask="Does it keep several reports of one study, each in its own series?",
        )
    try:
        for version in came.values():
            report.read(version)
    except BadObject as error:
        return Finding(verdict="FAIL", got=str(error), ask="Which part of it changes objects?")
    newest = set(came) - _continued(list(came.values()))
    if newest == {str(run.addendum.SOPInstanceUID)}:
        return Finding(
            verdict="PASS",
            got="Both versions are there; the chain names the addendum as the one that prevails.",
        )
    return Finding(
        verdict="FAIL",
        got="The chain of versions does not name the newest.",
        ask="Does it remove Predecessor Documents Sequence (0040,A360)?",
    )


def _continued(versions: Sequence[Dataset]) -> set[str]:
    return {
        str(row.ReferencedSOPInstanceUID)
        for version in versions
        for study in version.get("PredecessorDocumentsSequence") or []
        for series in study.ReferencedSeriesSequence
        for row in series.ReferencedSOPSequence
    }


def _one_image(run: Run) -> Dataset | None:
    images = [d for d in run.kept.values() if "Rows" in d]
    return images[0] if images else None
