"""HL7 v2.5.1 ORU^R01: the result for practice systems that take no other form."""

from collections.abc import Iterator
from datetime import datetime

import hl7

from dicom_service.report import computed, sentences
from dicom_service.report.items import name_parts, tidy
from dicom_service.report.model import Person, ReportContent
from dicom_service.report.names import Names
from dicom_service.report.text import plain_text

STATUS = {"template": "O", "draft": "P", "final": "F", "addendum": "C", "correction": "C"}
"""Result status (table 0123): order received, preliminary, final, correction to results."""
_UNITS = {"mm": "mm", "deg": "deg", "px": "{pixels}", "1": "1"}
_CODING = "43468-8^XR unspecified body region^LN"
_REPORT = "18748-4^Diagnostic imaging study^LN"
_STUDY = "113014^DICOM Study^DCM"
_ESCAPES = str.maketrans({"\\": "\\E\\", "|": "\\F\\", "^": "\\S\\", "&": "\\T\\", "~": "\\R\\"})


def oru_message(
    content: ReportContent,
    *,
    at: datetime,
    control_id: str,
    sender: str = "SESAMOID",
    facility: str = "",
) -> str:
    """The report as one ORU^R01 message, segments ended by carriage returns, in UTF-8.

    Parameters
    ----------
    at
        The time of the message.
    control_id
        MSH-10; the receiver answers with it. At most 20 characters.
    sender, facility
        MSH-3 and MSH-4.
    """
    names = Names(content)
    segments = [
        _header(at, control_id, sender, facility),
        _animal(content),
        _order(content),
        _result(content),
        *_observations(names),
    ]
    text = "".join(f"{segment.rstrip('|')}\r" for segment in segments)
    # It refuses what it cannot read back: nothing malformed is handed out.
    hl7.parse(text)  # type: ignore[no-untyped-call]
    return text


def escaped(text: str) -> str:
    """Text with the standard's own characters and line ends written as escapes (2.7)."""
    clean = tidy(text).replace("\f", "\n").translate(_ESCAPES)
    return clean.replace("\n", "\\.br\\")


def _segment(kind: str, fields: dict[int, str]) -> str:
    """A segment from its fields by number, already escaped."""
    return "|".join([kind, *(fields.get(number, "") for number in range(1, max(fields) + 1))])


def _header(at: datetime, control_id: str, sender: str, facility: str) -> str:
    rest = _segment(
        "MSH",
        {
            2: escaped(sender),
            3: escaped(facility),
            6: _moment(at),
            8: "ORU^R01^ORU_R01",
            9: escaped(control_id[:20]),
            10: "P",
            11: "2.5.1",
            17: "UNICODE UTF-8",
        },
    )
    return rest.replace("MSH|", r"MSH|^~\&", 1)


def _animal(content: ReportContent) -> str:
    """PID-35 species, PID-36 breed, PID-38 production class left empty (2.5.1 chapter 3)."""
    animal = content.facts.signalment
    species = ""
    if animal.species_code:
        code = animal.species_code
        species = "^".join(escaped(p) for p in (code.value, code.meaning, code.scheme))
    elif animal.species or animal.species_text:
        species = f"^{escaped(animal.species_text or animal.species or '')}"
    return _segment(
        "PID",
        {
            1: "1",
            3: escaped(animal.patient_id),
            5: _name(animal.patient_name),
            7: animal.birth_date,
            8: animal.sex or "U",
            35: species,
            36: f"^{escaped(animal.breed)}" if animal.breed else "",
        },
    )


def _order(content: ReportContent) -> str:
    return _segment("ORC", {1: "RE", 3: escaped(content.facts.accession_number)})


def _result(content: ReportContent) -> str:
    facts = content.facts
    fields = {
        1: "1",
        3: escaped(facts.accession_number),
        4: _CODING,
        7: f"{facts.study_date}{facts.study_time.split('.')[0]}",
        13: escaped(facts.question),
        24: "RAD",
        25: STATUS[content.kind],
    }
    if content.signed_at:
        fields[22] = _moment(content.signed_at)
    if content.signer:
        fields[32] = f"{escaped(content.signer.login)}&{_reader(content.signer)}"
    return _segment("OBR", fields)


def _observations(names: Names) -> Iterator[str]:
    content = names.content
    status = STATUS[content.kind]
    number = 1
    yield _observation(number, "ST", _STUDY, escaped(content.facts.study_uid), status)
    for number, m in enumerate(content.reading.measurements, 2):
        code = computed.concept(m)
        kind = f"{code.value}^{escaped(code.meaning)}^{code.scheme}"
        value = f"{m.value:.2f}"
        segment = _observation(number, "NM", kind, value, status, escaped(m.id), _UNITS[m.unit])
        yield segment
        said = escaped(sentences.measurement_sentence(names, m))
        yield _segment("NTE", {1: "1", 3: said})
    number = len(content.reading.measurements) + 2
    for line, text in enumerate(plain_text(content).strip().splitlines(), 1):
        if text.strip():
            yield _observation(number, "TX", _REPORT, escaped(text), status, str(line))
            number += 1


def _observation(
    number: int, kind: str, code: str, value: str, status: str, sub: str = "", unit: str = ""
) -> str:
    unit = f"{unit}^^UCUM" if unit else ""
    return _segment(
        "OBX", {1: str(number), 2: kind, 3: code, 4: sub, 5: value, 6: unit, 11: status}
    )


def _name(written: str) -> str:
    """A DICOM person name as XPN: family, given, middle, suffix, prefix."""
    first = name_parts(written).split("=")[0]
    family, given, middle, prefix, suffix = [*first.split("^"), "", "", "", ""][:5]
    parts = [escaped(part) for part in (family, given, middle, suffix, prefix)]
    return "^".join(parts).rstrip("^")


def _reader(who: Person) -> str:
    """The principal result interpreter's name as subcomponents (NDL.1, CNN)."""
    return _name(who.name).replace("^", "&")


def _moment(at: datetime) -> str:
    return at.strftime("%Y%m%d%H%M%S%z")
