"""What the node offers and asks for: SOP classes, transfer syntaxes, words for their codes."""

import re

from dicom_service.quiet_logs import all_is_said

VERIFICATION = "1.2.840.10008.1.1"
COMMITMENT = "1.2.840.10008.1.20.1"
COMMITMENT_INSTANCE = "1.2.840.10008.1.20.1.1"

IMPLICIT_LITTLE = "1.2.840.10008.1.2"
EXPLICIT_LITTLE = "1.2.840.10008.1.2.1"
UNCOMPRESSED = (EXPLICIT_LITTLE, IMPLICIT_LITTLE)
TRANSFER_SYNTAXES = (
    *UNCOMPRESSED,
    "1.2.840.10008.1.2.4.50",  # JPEG Baseline
    "1.2.840.10008.1.2.4.51",  # JPEG Extended
    "1.2.840.10008.1.2.4.57",  # JPEG Lossless
    "1.2.840.10008.1.2.4.70",  # JPEG Lossless, first-order prediction
    "1.2.840.10008.1.2.4.80",  # JPEG-LS Lossless
    "1.2.840.10008.1.2.4.81",  # JPEG-LS Near-lossless
    "1.2.840.10008.1.2.4.90",  # JPEG 2000 Lossless
    "1.2.840.10008.1.2.4.91",  # JPEG 2000
    "1.2.840.10008.1.2.5",  # RLE
)
"""Accepted for storage. Deflated is not: it can inflate without bound."""

STORED_CLASSES = (
    "1.2.840.10008.5.1.4.1.1.1",  # Computed Radiography
    "1.2.840.10008.5.1.4.1.1.1.1",  # Digital X-Ray, for presentation
    "1.2.840.10008.5.1.4.1.1.1.1.1",  # Digital X-Ray, for processing
    "1.2.840.10008.5.1.4.1.1.7",  # Secondary Capture
    "1.2.840.10008.5.1.4.1.1.88.59",  # Key Object Selection
    "1.2.840.10008.5.1.4.1.1.11.1",  # Grayscale Softcopy Presentation State
    "1.2.840.10008.5.1.4.1.1.11.2",  # Color Softcopy Presentation State
    "1.2.840.10008.5.1.4.1.1.11.3",  # Pseudo-Color Softcopy Presentation State
    "1.2.840.10008.5.1.4.1.1.11.4",  # Blending Softcopy Presentation State
    "1.2.840.10008.5.1.4.1.1.88.11",  # Basic Text SR
    "1.2.840.10008.5.1.4.1.1.88.22",  # Enhanced SR
    "1.2.840.10008.5.1.4.1.1.88.33",  # Comprehensive SR
    "1.2.840.10008.5.1.4.1.1.88.34",  # Comprehensive 3D SR
    "1.2.840.10008.5.1.4.1.1.88.67",  # X-Ray Radiation Dose SR
    "1.2.840.10008.5.1.4.1.1.104.1",  # Encapsulated PDF
)

STORE_REASONS = {
    0x0110: "processing failure",
    0x0111: "it has another object with this UID",
    0x0117: "it calls the UID invalid",
    0x0122: "it does not keep this kind of object",
    0x0124: "this node may not store there",
    0x0213: "out of resources",
}
STORE_RANGES = {0xA7: "out of resources", 0xA8: "not the class it expects", 0xA9: "data set error"}
COMMITMENT_REASONS = {
    0x0110: "processing failure",
    0x0112: "no such object",
    0x0119: "class and instance do not fit",
    0x0122: "class not supported",
    0x0131: "duplicate transaction UID",
    0x0213: "out of resources",
}
_TRANSIENT = {0x0110, 0x0124, 0x0213}


def store_reason(status: int, comment: str = "") -> str:
    """Words for a C-STORE status."""
    words = STORE_REASONS.get(status) or STORE_RANGES.get(status >> 8) or "it was refused"
    return f"{words} (status 0x{status:04X}{', ' + plain(comment) if comment else ''})"


def without_comment(reason: str) -> str:
    """A reason for the log: in a peer's own words the patient may be named."""
    if all_is_said():
        return reason
    return re.sub(r"(\(status 0x[0-9A-F]{4}), .*\)", r"\1)", reason)


def commitment_reason(code: int) -> str:
    """Words for a Failure Reason of storage commitment (PS3.3 C.14.1.1)."""
    return f"{COMMITMENT_REASONS.get(code, 'no reason given')} (0x{code:04X})"


def is_stored(status: int) -> bool:
    """Whether the peer has the object: success, warning, or it had it already."""
    return status in (0x0000, 0x0111, 0x0107, 0x0116) or status >> 12 == 0xB


def is_transient(status: int) -> bool:
    """Whether sending again later may help."""
    return status >> 8 == 0xA7 or status in _TRANSIENT


def plain(text: object, most: int = 120) -> str:
    """A peer's text on one line, without control characters, for logs and sentences."""
    text = str(text)
    if text.isprintable():  # nearly always, and at once
        return text[:most]
    return "".join(c if c.isprintable() else "?" for c in text)[:most]
