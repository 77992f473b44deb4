"""Checks of the connection: reachable, both ways, titles, what is accepted, time."""

import socket
import urllib.error
import urllib.request
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime

from dicom_service.conformance.model import Finding
from dicom_service.conformance.run import FIND, GET, MOVE, Run
from dicom_service.errors import PeerAway
from dicom_service.node.services import (
    COMMITMENT,
    EXPLICIT_LITTLE,
    IMPLICIT_LITTLE,
    UNCOMPRESSED,
    VERIFICATION,
)

CR = "1.2.840.10008.5.1.4.1.1.1"
DX = "1.2.840.10008.5.1.4.1.1.1.1"
COMPREHENSIVE = "1.2.840.10008.5.1.4.1.1.88.33"
NEEDED = {CR: "Computed Radiography", DX: "Digital X-Ray", COMPREHENSIVE: "Comprehensive SR"}
USEFUL = {
    "1.2.840.10008.5.1.4.1.1.88.59": "Key Object Selection",
    "1.2.840.10008.5.1.4.1.1.11.1": "Grayscale Presentation State",
    "1.2.840.10008.5.1.4.1.1.104.1": "Encapsulated PDF",
    FIND: "Study Root C-FIND",
    MOVE: "Study Root C-MOVE",
    GET: "Study Root C-GET",
    COMMITMENT: "Storage Commitment",
}
_MOST_SECONDS_OFF = 5.0
_NOBODY = "SESAMOID-NOBODY"


def configuration(run: Run) -> Finding:
    """The settings that both sides must agree on, and whether the port is open."""
    peer, ours = run.target.peer, run.settings
    said = (
        f"Peer {peer.ae_title} at {peer.host}:{peer.port}; we are {ours.ae_title}, listening on "
        f"{ours.dimse_host}:{getattr(run, 'port', ours.dimse_port)}"
    )
    try:
        socket.create_connection((peer.host, peer.port), run.target.answer_seconds).close()
    except OSError as error:
        run.reachable = False
        return Finding(
            verdict="FAIL",
            got=f"{said}. The port does not answer: {error.strerror or error}.",
            ask="Is the address right, the archive running, the firewall open from this machine?",
        )
    if run.listening:
        return Finding(
            verdict="FAIL",
            got=f"{said}. But {run.listening}.",
            ask="Stop the node while this runs, or give another port with --listen.",
        )
    return Finding(verdict="PASS", got=f"{said}.")


def clock(run: Run) -> Finding:
    """Our clock and the peer's, as far as its web server tells."""
    now = datetime.now().astimezone()
    here = f"Here it is {now:%Y-%m-%d %H:%M:%S} (UTC{now:%z})"
    if not run.target.web:
        return Finding(
            verdict="SKIP",
            got=f"{here}; DICOM does not tell the peer's time.",
            ask="Compare with the archive's clock by eye, or give --web.",
        )
    # An address that the person who runs this has given.
    request = urllib.request.Request(  # noqa: S310
        f"{run.target.web}/studies?limit=1&PatientID={run.patient_id}",
        method="GET",
        headers=dict(run.target.web_headers),
    )
    try:
        with urllib.request.urlopen(request, timeout=run.target.answer_seconds) as answer:  # noqa: S310
            stated = answer.headers.get("Date", "")
    except urllib.error.HTTPError as error:
        stated = error.headers.get("Date", "")
    except OSError as error:
        return Finding(verdict="SKIP", got=f"{here}; {run.target.web} does not answer: {error}.")
    if not stated:
        return Finding(verdict="SKIP", got=f"{here}; the web server tells no time.")
    off = abs((parsedate_to_datetime(stated) - datetime.now(UTC)).total_seconds())
    good = off <= _MOST_SECONDS_OFF
    return Finding(
        verdict="PASS" if good else "FAIL",
        got=f"{here}; the peer is {off:.0f} s off.",
        ask="" if good else "Let both machines take their time from the same NTP server.",
    )


def echo_out(run: Run) -> Finding:
    """C-ECHO to the peer."""
    try:
        with run.associated([(VERIFICATION, UNCOMPRESSED)]) as association:
            status = association.send_c_echo().get("Status")
    except PeerAway as error:
        run.reachable = False
        return Finding(
            verdict="FAIL",
            got=f"{error}.",
            ask=f"Enter {run.settings.ae_title} with this machine's address as a known "
            "application entity in the archive, allowed to associate.",
        )
    run.reachable = True
    if status == 0x0000:
        return Finding(verdict="PASS", got="It answers with success.")
    return Finding(
        verdict="FAIL",
        got=f"It answers with {status_text(status)}.",
        ask="Why does the archive not answer C-ECHO with success?",
    )


def echo_in(run: Run) -> Finding:
    """Whether the peer has called us in any way since this began; asked last."""
    if run.listening:
        return Finding(verdict="SKIP", got=f"We cannot listen: {run.listening}.")
    if run.called_by:
        return Finding(verdict="PASS", got=f"{', '.join(sorted(run.called_by))} called us.")
    return Finding(
        verdict="SKIP",
        got="It had no reason to call us, and nobody made it echo.",
        ask=f"In the archive enter {run.settings.ae_title} with this machine's address and port "
        f"{run.port}, then press its echo (verify) button while 'sesamoid serve' runs.",
    )


def wrong_title(run: Run) -> Finding:
    """An association that calls somebody else must be refused."""
    try:
        with run.associated([(VERIFICATION, UNCOMPRESSED)], called=_NOBODY):
            return Finding(
                verdict="FAIL",
                got=f"It takes calls to {_NOBODY} as if they were for itself.",
                ask="Turn on its check of the called AE title: it shows wrong addresses.",
            )
    except PeerAway as error:
        return Finding(verdict="PASS", got=f"{error}.")


def contexts(run: Run) -> Finding:
    """Each SOP class with each uncompressed transfer syntax, by itself."""
    asked = {**NEEDED, **USEFUL}
    pairs = [(uid, [syntax]) for uid in asked for syntax in UNCOMPRESSED]
    try:
        with run.associated(pairs) as association:
            accepted = {
                (str(c.abstract_syntax), str(c.transfer_syntax[0]))
                for c in association.accepted_contexts
            }
    except PeerAway as error:
        return Finding(verdict="FAIL", got=f"{error}.", ask="Why does it accept nothing?")
    short = {EXPLICIT_LITTLE: "explicit", IMPLICIT_LITTLE: "implicit"}
    words = []
    for uid, name in asked.items():
        taken = [short[s] for s in UNCOMPRESSED if (uid, s) in accepted]
        words.append(f"{name}: {' and '.join(taken) or 'refused'}")
    missing = [n for u, n in NEEDED.items() if not any((u, s) in accepted for s in UNCOMPRESSED)]
    return Finding(
        verdict="FAIL" if missing else "PASS",
        got="; ".join(words) + ".",
        ask=f"Let it accept {', '.join(missing)} for storage." if missing else "",
    )


NO_ANSWER = "no answer: it ended the association or took too long"


def status_text(status: int | None) -> str:
    """A DIMSE status as people read it."""
    return NO_ANSWER if status is None else f"status 0x{status:04X}"
