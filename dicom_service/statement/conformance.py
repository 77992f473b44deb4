"""The DICOM Conformance Statement, in the order of PS3.2 Annex N, from the code's own tables."""

import ssl
from collections.abc import Iterator, Mapping, Sequence

from pydicom.uid import UID

from dicom_service.anatomy.concepts import concepts
from dicom_service.codes import MAPPING_RESOURCE, SCHEME, SCHEME_UID
from dicom_service.errors import OUTCOMES, SesamoidError
from dicom_service.node.admission import DEVICE
from dicom_service.node.limits import LIMITS
from dicom_service.node.secure import CIPHERS
from dicom_service.node.services import (
    COMMITMENT,
    COMMITMENT_REASONS,
    STORE_RANGES,
    STORE_REASONS,
    STORED_CLASSES,
    TRANSFER_SYNTAXES,
    UNCOMPRESSED,
    VERIFICATION,
    is_stored,
    is_transient,
)
from dicom_service.report.build import PRIVATE_COPY, PRIVATE_CREATOR, PRIVATE_GROUP
from dicom_service.report.header import IMPLEMENTATION_UID, REPORT_TEMPLATE
from dicom_service.report.measurements import DCMR
from dicom_service.report.rules import ANIMAL
from dicom_service.report.states import PURPOSES, STATES
from dicom_service.settings import Settings, Tls
from dicom_service.statement.routes import routes

SENT_CLASSES = (
    "1.2.840.10008.5.1.4.1.1.88.33",
    "1.2.840.10008.5.1.4.1.1.88.59",
    "1.2.840.10008.5.1.4.1.1.104.1",
    "1.2.840.10008.5.1.4.1.1.11.1",
)
"""What the outbox carries: the report and its measurements, key images and the key objects that
withdraw a report, the report as PDF, and presentation states of annotated images."""

_COMPLETE = (
    "Completion Flag is COMPLETE when a person has signed: then every structure in every view in "
    "which it can be seen has an answer, or the document says why the open ones were accepted "
    "(Completion criteria, PS3.3 C.17.2.7). A signed document is VERIFIED and FINAL. Prepared "
    "templates and drafts are PARTIAL, UNVERIFIED and PRELIMINARY."
)


def conformance_statement() -> str:
    """The statement in Markdown."""
    parts = (_overview(), _introduction(), _model(), _services(), _network(), _security(),
             _web(), _annexes())  # fmt: skip
    head = [
        "# DICOM Conformance Statement of Sesamoid", "",
        "Generated from the tables that the node runs on by `sesamoid docs`; do not edit. The "
        "sections follow the order of DICOM PS3.2 Annex N. Invented animals and clinics only.", "",
    ]  # fmt: skip
    return "\n".join([*head, *(line for part in parts for line in part)]).rstrip() + "\n"


def _table(head: Sequence[str], rows: Sequence[Sequence[object]]) -> Iterator[str]:
    yield f"| {' | '.join(head)} |"
    yield f"|{'---|' * len(head)}"
    for row in rows:
        yield f"| {' | '.join(str(cell) for cell in row)} |"
    yield ""


def _named(uid: str) -> tuple[str, str]:
    return UID(uid).name, uid


def _overview() -> Iterator[str]:
    yield from (
        "## 1 Overview", "",
        "Sesamoid receives limb radiographs of dogs, cats and horses, prepares a structured report "
        "for each study, and stores the signed report, its measurements, key images and PDF.", "",
    )  # fmt: skip
    rows = [(*_named(VERIFICATION), "yes", "yes")]
    for uid in dict.fromkeys((*STORED_CLASSES, *SENT_CLASSES)):
        rows.append((*_named(uid), "yes" if uid in SENT_CLASSES else "no",
                     "yes" if uid in STORED_CLASSES else "no"))  # fmt: skip
    rows.append((*_named(COMMITMENT), "yes", "no"))
    yield from _table(("SOP class", "UID", "SCU", "SCP"), rows)
    yield "Media interchange is not offered. DICOMweb is: see section 7."
    yield ""


def _introduction() -> Iterator[str]:
    yield from (
        "## 2 Introduction", "",
        "For the IT staff and integrators of a clinic. Matching statements do not guarantee that "
        "two systems work together: `sesamoid conformance PEER` tries them, with invented animals. "
        f"Private codes are of the scheme {SCHEME} ([codes](codes.md)); the report's template is "
        f"{REPORT_TEMPLATE} of {MAPPING_RESOURCE} ([rows](template-tables.md)).", "",
    )  # fmt: skip


def _model() -> Iterator[str]:
    yield from (
        "## 3 Implementation model", "",
        "One application entity. Real-world activities: a sender stores images (Storage SCP); "
        "when none has come for a while, the study is prepared; a person reads and signs; the "
        "outbox stores the documents in the archive (Storage SCU) and asks it to commit to them "
        "(Storage Commitment SCU). A report of commitment is taken on the asking association or "
        "on one that the archive opens.", "",
    )  # fmt: skip


def _services() -> Iterator[str]:
    settings = Settings()
    yield from (
        "## 4 Services of the application entity", "",
        f"### 4.1 Association policies of {settings.ae_title}", "",
    )  # fmt: skip
    yield from _table(
        ("", "value"),
        [
            ("AE title", f"{settings.ae_title} (setting `ae_title`)"),
            ("Implementation Class UID", "that of pynetdicom"),
            ("Implementation Class UID of files", IMPLEMENTATION_UID),
            ("Called AE title", "must be ours"),
            ("Calling AE title", "any, or only known peers at known addresses (`peers_only`)"),
            (
                "User Identity",
                "taken and ignored, or required: type 2, user name and passcode of "
                f"an account with the role {DEVICE} (`user_identity`)",
            ),
            ("Asynchronous operations", "not offered"),
            ("Wait for any answer", f"{settings.peer_timeout_seconds:g} s"),
        ],
    )
    yield from ("### 4.2 Limits of what is accepted", "")
    yield from _table(
        ("limit", "value"),
        [(name.replace("_", " "), f"{value:g}" if isinstance(value, float) else value)
         for name, value in LIMITS.model_dump().items()],
    )  # fmt: skip
    yield from ("### 4.3 Storage SCP", "", "Transfer syntaxes for every class:", "")
    yield from _table(("transfer syntax", "UID"), [_named(uid) for uid in TRANSFER_SYNTAXES])
    yield from (
        "Every attribute is kept (level 2, full); nothing is coerced. An object is acknowledged "
        "after it is synced to disk. Status:", "",
    )  # fmt: skip
    yield from _table(
        ("status", "kind of failure", "advice"),
        [("0x0000", "success, or stored before with the same content", ""),
         *((f"0x{o.dimse:04X}", _first_line(kind), o.advice) for kind, o in OUTCOMES.items())],
    )  # fmt: skip
    yield from _scu()


def _scu() -> Iterator[str]:
    offered = " and ".join(UID(uid).name for uid in UNCOMPRESSED)
    yield from (
        "### 4.4 Storage SCU", "", f"Offers {offered}. What follows an answer:", "",
    )  # fmt: skip
    rows = [("0x0000, 0xBxxx", "success, warning", "stored")]
    for code, words in STORE_REASONS.items():
        rows.append((f"0x{code:04X}", words, _consequence(code)))
    for high, words in STORE_RANGES.items():
        rows.append((f"0x{high:02X}xx", words, _consequence(high << 8)))
    yield from _table(("status", "meaning", "the document is then"), rows)
    yield from (
        "### 4.5 Storage Commitment SCU", "",
        "Push model, after every delivery, until a report comes; each request has a Transaction "
        "UID of its own. The SCP role is proposed by the peer for reports on associations that it "
        "opens. Failure reasons:", "",
    )  # fmt: skip
    rows_of_reasons = [(f"0x{code:04X}", words) for code, words in COMMITMENT_REASONS.items()]
    yield from _table(("reason", "meaning"), rows_of_reasons)


def _consequence(status: int) -> str:
    if is_stored(status):
        return "stored"
    return "sent again later" if is_transient(status) else "refused, said in the reading list"


def _first_line(kind: type) -> str:
    if kind is SesamoidError:
        return "any other failure"
    return (kind.__doc__ or kind.__name__).strip().split("\n")[0].rstrip(".")


def _network() -> Iterator[str]:
    settings = Settings()
    yield from (
        "## 5 Network and media", "",
        f"TCP/IP. DIMSE port {settings.dimse_port}, web port {settings.http_port} "
        "by default, both on loopback until set. No physical media.", "",
        "Character sets: every document is written in Unicode UTF-8 (ISO_IR 192). Objects in any "
        "character set of PS3.3 C.12.1.1.2 are stored byte for byte; names are decoded as their "
        "Specific Character Set says.", "",
    )  # fmt: skip


def _security() -> Iterator[str]:
    yield from (
        "## 6 Security", "",
        "Readers sign in and give the password again to sign; passwords are kept as argon2id "
        "hashes. Sign-ins, saves, signatures and deliveries are audited in the node's index. "
        "Known peers may be asked for by AE title and address (`peers_only`, `addresses`).", "",
        "Secure transport: BCP 195 RFC 8996, 9325 TLS Secure Transport Connection Profile "
        f"(PS3.15 B.12), off by default (`[tls]`), port {Tls().port}, beside the plain port or "
        "instead of it. Certificates are mutual, in both directions; a peer that we call must "
        "have one for its host's name. The handshake of one caller does not hold up others and "
        f"ends after {LIMITS.handshake_seconds:g} s.", "",
    )  # fmt: skip
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.set_ciphers(CIPHERS)
    suites = sorted((c["protocol"], c["name"]) for c in context.get_ciphers())
    yield from _table(
        ("from version", "cipher suite"), [(v.replace("v", " "), n) for v, n in suites]
    )
    yield from (
        "The web port speaks TLS itself (`http_tls_certificate`, TLS 1.2 and 1.3) or stands behind "
        "a proxy that does.", "",
    )  # fmt: skip


def _web() -> Iterator[str]:
    yield from (
        "## 7 DICOMweb", "",
        "Origin server below /dicomweb, JSON and multipart as stored; nothing is transcoded. The "
        "whole web interface is described in [openapi.json](openapi.json).", "",
    )  # fmt: skip
    rows = [(route.method, f"`{route.path}`", route.summary) for route in routes()
            if route.path.startswith("/dicomweb")]  # fmt: skip
    yield from _table(("method", "address", "does"), rows)


def _annexes() -> Iterator[str]:
    yield from (
        "## 8 Annexes", "", "### 8.1 Created objects", "",
        "Comprehensive SR, Standard Extended with the private attribute of 8.2; each version in a "
        f"series of its own. The report follows {REPORT_TEMPLATE} of {MAPPING_RESOURCE}, the "
        f"measurements TID {DCMR[2]} of {DCMR[0]}. {_COMPLETE}", "",
    )  # fmt: skip
    yield from _table(
        ("state", "Completion", "Verification", "Preliminary", "authors", "Series Description"),
        [(kind, s.completion, s.verification, s.preliminary, ", ".join(s.authors), s.title)
         for kind, s in STATES.items()],
    )  # fmt: skip
    yield from _table(
        ("document", "its predecessor", "purpose of reference"),
        [(kind, earlier, word.replace("_", " ")) for (kind, earlier), word in PURPOSES.items()],
    )
    yield from (
        "Animals: the species comes from the images; of an animal the documents always carry "
        f"{', '.join(ANIMAL)}, empty where the images say nothing.", "",
        "Values of the images that break their VR are not copied as they are. Text is cut to the "
        "limit, ending in an ellipsis; an identifier is cut without one; a backslash becomes a "
        "slash and a control character a space; a date, time, age, weight or code string without "
        "the form of the standard is left out. Each of these patient and study attributes is then "
        "named in Original Attributes Sequence (0400,0561), with what the images have in "
        "Nonconforming Data Element Value (0400,0552). Texts of codes and of the request are "
        "fitted without that; a code value is never cut. UIDs stay what they were, also with "
        "leading zeros.", "",
        "### 8.2 Private attributes", "",
    )  # fmt: skip
    yield from _table(
        ("tag", "creator", "VR", "holds"),
        [(f"({PRIVATE_GROUP:04X},xx{PRIVATE_COPY:02X})", PRIVATE_CREATOR, "UT",
          "the content of the report as JSON in ASCII, for reading it back without loss")],
    )  # fmt: skip
    yield from ("### 8.3 Coding schemes", "")
    count: dict[str, set[str]] = {}
    for concept in concepts():
        count.setdefault(concept.code.scheme, set()).add(concept.code.value)
    yield from _table(("scheme", "UID", "codes"), _schemes(count))
    yield "Private SOP classes and private transfer syntaxes: none."


def _schemes(count: Mapping[str, set[str]]) -> list[tuple[str, str, int]]:
    return [
        (scheme, SCHEME_UID if scheme == SCHEME else "", len(values))
        for scheme, values in sorted(count.items())
    ]
