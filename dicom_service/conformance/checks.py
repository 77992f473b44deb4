"""The table of checks, in the order in which they are made."""

import logging
import ssl
import time
from collections.abc import Callable, Iterator, Sequence
from typing import NamedTuple

from dicom_service.conformance import association, committing, ours, storing, tls, web
from dicom_service.conformance.model import Finding, Result
from dicom_service.conformance.run import SPECIES, Run
from dicom_service.errors import SesamoidError, SetupError

log = logging.getLogger(__name__)


class Check(NamedTuple):
    """One row: what is looked at, what is expected, and the function that looks."""

    id: str
    group: str
    title: str
    expected: str
    look: Callable[[Run], Finding]
    needs_association: bool = True


def _of_species(species: str) -> tuple[Check, Check]:
    return (
        Check(f"store-{species}", "Images", f"Store an invented {species}'s study",
              "Every object is taken with success, promptly.",
              storing.store(lambda run: run.studies[species])),
        Check(f"read-{species}", "Images", f"Read the {species}'s study back",
              "Every attribute and pixel comes back as it was sent.",
              storing.read_back(lambda run: run.studies[species])),
    )  # fmt: skip


CHECKS: tuple[Check, ...] = (
    Check("configuration", "Connection", "Addresses and titles", "The peer's port is open; we can "
          "listen on ours.", association.configuration, False),
    Check("clock", "Connection", "Time", "Both clocks agree within 5 s.", association.clock, False),
    Check("echo-out", "Connection", "C-ECHO to the peer", "It takes the association and answers "
          "with success.", association.echo_out, False),
    Check("wrong-title", "Connection", "Call for another AE title", "It is refused.",
          association.wrong_title),
    Check("contexts", "Connection", "SOP classes and transfer syntaxes", "CR, DX and Comprehensive "
          "SR are accepted.", association.contexts),
    Check("objects", "Documents", "Our objects are valid", "No rule and no validator objects.",
          ours.objects, False),
    *(check for species in SPECIES for check in _of_species(species)),
    Check("store-report", "Documents", "Store a signed report and its measurements",
          "Both documents are taken with success, promptly.",
          storing.store(lambda run: [run.report, run.documents["measurements.dcm"]])),
    Check("find-report", "Documents", "Find the report (C-FIND at IMAGE level)",
          "Exactly the report is found.", storing.find_report),
    Check("read-report", "Documents", "Read report and measurements back",
          "Every content item and attribute comes back as it was signed.",
          storing.read_back(lambda run: [run.report, run.documents["measurements.dcm"]])),
    Check("amendment", "Documents", "Addendum to the report", "Both versions are kept, and their "
          "chain names the addendum as the one that prevails.", storing.amendment),
    Check("commit-same", "Commitment", "Commitment while the association is open",
          "The peer commits to everything that it took.", committing.same_association),
    Check("commit-separate", "Commitment", "Commitment on another association",
          "The peer calls back and commits.", committing.separate_association),
    Check("commit-unknown", "Commitment", "Commitment to an object that it never got",
          "Failure: no such object (0x0112).", committing.unknown_object),
    Check("get", "Retrieval", "C-GET with role selection", "The object comes on the same "
          "association.", storing.get_with_role),
    Check("move", "Retrieval", "C-MOVE to us", "The object comes on an association that the peer "
          "opens.", storing.move),
    Check("tls-1.2", "Security", "TLS 1.2", "It is taken.",
          tls.taken(ssl.TLSVersion.TLSv1_2), False),
    Check("tls-1.3", "Security", "TLS 1.3", "It is taken.",
          tls.taken(ssl.TLSVersion.TLSv1_3), False),
    Check("tls-old", "Security", "TLS 1.1", "It is refused.", tls.old_refused, False),
    Check("tls-stranger", "Security", "Client without a certificate", "It is refused.",
          tls.stranger_refused, False),
    Check("tls-plain", "Security", "Plain DICOM on the secure port", "It is refused.",
          tls.plain_refused, False),
    Check("stow", "DICOMweb", "Store (STOW-RS)", "The object is taken.", web.stow, False),
    Check("qido", "DICOMweb", "Search (QIDO-RS)", "Exactly one study is found.", web.qido, False),
    Check("wado", "DICOMweb", "Retrieve (WADO-RS)", "The object comes back as it was sent.",
          web.wado, False),
    Check("echo-in", "Connection", "The peer calls us", "It has called us in any way since this "
          "began.", association.echo_in, False),
    Check("audit", "Record", "Our audit record", "The examination stands in our audit trail.",
          ours.audit_record, False),
)  # fmt: skip


def chosen(only: Sequence[str] = ()) -> tuple[Check, ...]:
    """The checks with these names, in their order; all when none is named.

    Raises
    ------
    SetupError
        A name is not that of a check.
    """
    known = {check.id for check in CHECKS}
    for name in only:
        if name not in known:
            raise SetupError(f"There is no check '{name}'; there are {', '.join(sorted(known))}.")
    return tuple(check for check in CHECKS if not only or check.id in only)


def run_checks(run: Run, only: Sequence[str] = ()) -> Iterator[Result]:
    """Make every check, or only those named; a result as soon as it is there."""
    for check in chosen(only):
        began = time.monotonic()
        if check.needs_association and run.reachable is False:
            finding = Finding(verdict="SKIP", got="There is no association with the peer.")
        else:
            finding = _looked(check, run)
        yield Result(
            id=check.id, group=check.group, title=check.title, expected=check.expected,
            seconds=time.monotonic() - began, **finding.model_dump(),
        )  # fmt: skip


def _looked(check: Check, run: Run) -> Finding:
    try:
        return check.look(run)
    except SesamoidError as error:
        return Finding(verdict="FAIL", got=f"{str(error).rstrip('.')}.",
                       ask="Why does the peer end or refuse this association?")  # fmt: skip
    except Exception as error:
        # One peer's odd answer must not end the examination; it is said, and the rest goes on.
        log.debug("check %s", check.id, exc_info=True)
        return Finding(verdict="FAIL", got=f"Its answer cannot be understood: {str(error)[:160]}.",
                       ask="Please send this page to the vendor and to us.")  # fmt: skip
