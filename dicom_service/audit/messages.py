"""DICOM audit messages (PS3.15 A.5.1) from events of the audit trail."""

import base64
import re
from typing import NamedTuple
from xml.etree.ElementTree import Element, SubElement, tostring

from dicom_service.audit.events import UNKNOWN, Meaning, meanings
from dicom_service.settings import Settings
from dicom_service.store import AuditRow, StudyRow

_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_APPLICATION, _DESTINATION, _SOURCE = (
    ("110150", "Application"),
    ("110152", "Destination Role ID"),
    ("110153", "Source Role ID"),
)

_SERVER = "4"
"""Audit Source Type Code: an application server process; the schema's own, not of a scheme."""


class Origin(NamedTuple):
    """The node that an event was seen by."""

    ae_title: str
    institution: str = ""


def origin_of(settings: Settings, row: AuditRow) -> Origin:
    """The node as the site of an event knows it."""
    there = settings.at(row.site)
    return Origin(there.ae_title, there.institution)


def audit_message(row: AuditRow, study: StudyRow | None, origin: Origin) -> bytes:
    """The message of one event, as UTF-8 XML on one line.

    Parameters
    ----------
    study
        The study that the event is about, where it is known: adds the patient's ID and name,
        which PS3.15 A.5.3 asks for.
    """
    meaning = meanings().get(row.event, UNKNOWN)
    root = Element("AuditMessage")
    _event(root, row, meaning)
    _participants(root, row, meaning, origin)
    source = SubElement(root, "AuditSourceIdentification", AuditSourceID=_clean(origin.ae_title))
    if origin.institution:
        source.set("AuditEnterpriseSiteID", _clean(origin.institution))
    SubElement(source, "AuditSourceTypeCode", {"csd-code": _SERVER})
    if row.study_uid:
        _study(root, row.study_uid, study)
    _record(root, row)
    text = tostring(root, encoding="unicode")
    return b'<?xml version="1.0" encoding="UTF-8"?>' + text.encode()


def _event(root: Element, row: AuditRow, meaning: Meaning) -> None:
    event = SubElement(
        root,
        "EventIdentification",
        EventActionCode=meaning.action,
        EventDateTime=row.at.isoformat(timespec="milliseconds"),
        EventOutcomeIndicator=str(meaning.outcome),
    )
    SubElement(event, "EventID", _code(meaning.id))
    if meaning.type:
        SubElement(event, "EventTypeCode", _code(meaning.type))
    said = f"{row.event}: {row.detail}" if row.detail else row.event
    SubElement(event, "EventOutcomeDescription").text = _clean(said)


def _participants(root: Element, row: AuditRow, meaning: Meaning, origin: Origin) -> None:
    """Who asked, the node itself and, for transfers, the other side."""
    peer = row.detail.removeprefix("from ").partition(": ")[0] if meaning.peer else ""
    by_peer = meaning.peer == "from" and not row.user
    if row.user:
        person = _participant(root, row.user, requests=True)
        if meaning.peer == "from":
            person.set("NetworkAccessPointID", _clean(peer))
            person.set("NetworkAccessPointTypeCode", "2")
    own = {"from": _DESTINATION, "to": _SOURCE, "": _APPLICATION}[meaning.peer]
    if not row.user or meaning.id[0] != "110114":
        requests = not row.user and not by_peer
        node = _participant(root, origin.ae_title, requests=requests)
        SubElement(node, "RoleIDCode", _code(own))
    if meaning.peer == "to" or by_peer:
        title, _, address = peer.partition("@")
        other = _participant(root, title or "unknown", requests=by_peer)
        if address:
            other.set("NetworkAccessPointID", _clean(address))
            other.set("NetworkAccessPointTypeCode", "2")
        SubElement(other, "RoleIDCode", _code(_SOURCE if by_peer else _DESTINATION))


def _participant(root: Element, name: str, *, requests: bool) -> Element:
    return SubElement(
        root, "ActiveParticipant", UserID=_clean(name), UserIsRequestor=str(requests).lower()
    )


def _study(root: Element, study_uid: str, study: StudyRow | None) -> None:
    seen = SubElement(
        root,
        "ParticipantObjectIdentification",
        ParticipantObjectID=_clean(study_uid),
        ParticipantObjectTypeCode="2",
        ParticipantObjectTypeCodeRole="3",
    )
    SubElement(seen, "ParticipantObjectIDTypeCode", _code(("110180", "Study Instance UID")))
    # The schema asks for a name of everything; a study's is its description.
    words = study.description if study is not None else ""
    SubElement(seen, "ParticipantObjectName").text = _clean(words) or "Study"
    if study is None:
        return
    if study.accession_number:
        about = SubElement(seen, "ParticipantObjectDescription")
        SubElement(about, "Accession", Number=_clean(study.accession_number))
    patient = SubElement(
        root,
        "ParticipantObjectIdentification",
        ParticipantObjectID=_clean(study.patient_id) or "unknown",
        ParticipantObjectTypeCode="1",
        ParticipantObjectTypeCodeRole="1",
    )
    SubElement(patient, "ParticipantObjectIDTypeCode", _code(("2", "Patient Number"), "RFC-3881"))
    SubElement(patient, "ParticipantObjectName").text = _clean(study.patient_name)


def _record(root: Element, row: AuditRow) -> None:
    """The event's number and seal, by which whoever keeps the message can check the trail."""
    record = SubElement(
        root,
        "ParticipantObjectIdentification",
        ParticipantObjectID=f"audit-event-{row.id}",
        ParticipantObjectTypeCode="2",
        ParticipantObjectTypeCodeRole="13",
    )
    kind = _code(("12", "URI"), "RFC-3881")
    SubElement(record, "ParticipantObjectIDTypeCode", kind)
    SubElement(record, "ParticipantObjectName").text = "Security Audit Log"
    seal = base64.b64encode(row.digest.encode()).decode()
    SubElement(record, "ParticipantObjectDetail", type="sha256-chain", value=seal)


def _code(code: tuple[str, str], scheme: str = "DCM") -> dict[str, str]:
    return {"csd-code": code[0], "codeSystemName": scheme, "originalText": code[1]}


def _clean(text: str) -> str:
    """Without what XML cannot hold: a name that somebody tried to sign in with may be anything."""
    return _NOT_XML.sub("\ufffd", text)
