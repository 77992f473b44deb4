"""Our own rules for a document: what no validator for structured reports looks at."""

from collections.abc import Iterator, Mapping, Sequence
from itertools import chain

from pydicom.dataset import Dataset

from dicom_service.anatomy import atlas
from dicom_service.codes import MAPPING_RESOURCE, SCHEME, SCHEME_UID, all_codes, get
from dicom_service.errors import BadObject
from dicom_service.report.header import REPORT_TEMPLATE
from dicom_service.report.measurements import DCMR
from dicom_service.report.model import ReportContent
from dicom_service.report.names import view_code
from dicom_service.report.patient import first_header, is_animal
from dicom_service.report.reading_back import private_copy
from dicom_service.report.rules_images import image_problems
from dicom_service.report.rules_tree import too_deep, tree_problems
from dicom_service.report.states import STATES
from dicom_service.report.walk import (
    CodeKey,
    Placed,
    child,
    children,
    everything,
    image_of,
    key_of,
    name_of,
    text_below,
    text_of,
    value_of,
)

ANIMAL = (
    "PatientBreedDescription",
    "PatientBreedCodeSequence",
    "BreedRegistrationSequence",
    "ResponsiblePerson",
    "ResponsibleOrganization",
    "PatientSexNeutered",
)
"""Required of an animal beside its species (PS3.3 C.7.1.1, C.7.2.2)."""


def problems(
    report: Dataset, measurements: Dataset | None, evidence: Sequence[Dataset]
) -> tuple[str, ...]:
    """What is wrong with the documents, each in a sentence that says where; () is good.

    Parameters
    ----------
    report, measurements
        As `build` returns them or as they were read from files.
    evidence
        Headers of the instances of the study.
    """
    for document in (report, measurements):
        if document is not None and (deep := too_deep(document)):
            return (deep,)
    try:
        content = private_copy(report)
    except BadObject as error:
        return (str(error),)
    found = _of_report(report, measurements, content)
    documents = [("Report", report)]
    if measurements is not None:
        documents.append(("Measurements", measurements))
    each = (_of_document(name, made, content, evidence) for name, made in documents)
    return tuple(chain(found, *each))


def problems_of_any(document: Dataset) -> tuple[str, ...]:
    """What is wrong with a structured report of any maker, by itself."""
    if deep := too_deep(document):
        return (deep,)
    return tuple(dict.fromkeys(chain(tree_problems(document), _codes(document, None))))


def _of_document(
    name: str, made: Dataset, content: ReportContent | None, evidence: Sequence[Dataset]
) -> Iterator[str]:
    items = list(everything(made))
    checks = chain(
        _flags(made),
        _animal(made, content, evidence),
        _predecessors(made),
        _names(items),
        _codes(made, content),
        image_problems(made, items, content, evidence),
        tree_problems(made),
    )
    return (f"{name}: {sentence}" for sentence in dict.fromkeys(checks))


def _of_report(
    report: Dataset, measurements: Dataset | None, content: ReportContent | None
) -> Iterator[str]:
    yield from _template_id("Report", report, (MAPPING_RESOURCE, SCHEME_UID, REPORT_TEMPLATE))
    if measurements is not None:
        yield from _template_id("Measurements", measurements, DCMR)
    if measurements is not None or report.get("CompletionFlag") == "COMPLETE":
        yield from _tracking(report, measurements)
    if content is not None:
        yield from _answers(report, content)


def _template_id(name: str, made: Dataset, expected: tuple[str, str, str]) -> Iterator[str]:
    for entry in made.get("ContentTemplateSequence") or []:
        keywords = ("MappingResource", "MappingResourceUID", "TemplateIdentifier")
        if tuple(str(entry.get(k, "")) for k in keywords) == expected:
            return
    yield f"{name}: the root does not name its template {expected[0]} {expected[2]}."


def _flags(made: Dataset) -> Iterator[str]:
    flags = tuple(
        made.get(k, "") for k in ("CompletionFlag", "VerificationFlag", "PreliminaryFlag")
    )
    known = {(s.completion, s.verification, s.preliminary) for s in STATES.values()}
    if flags not in known:
        yield f"the flags {', '.join(flags)} do not go together."
    state = child(made, "document_state")
    if state is not None:
        of_code = {get(s.code).key: s for s in STATES.values()}.get(value_of(state))
        expected = of_code and (of_code.completion, of_code.verification, of_code.preliminary)
        if flags in known and flags != expected:
            yield f"the flags {', '.join(flags)} contradict the state printed in the document."
    verified = made.get("VerificationFlag") == "VERIFIED"
    if verified != bool(made.get("VerifyingObserverSequence")):
        yield "a verified document, and only that, names who verified it."


def _animal(
    made: Dataset, content: ReportContent | None, evidence: Sequence[Dataset]
) -> Iterator[str]:
    header = first_header(evidence)
    if content is None or not is_animal(content, header):
        return
    if not (made.get("PatientSpeciesCodeSequence") or made.get("PatientSpeciesDescription")):
        yield "the patient is an animal, but its species is missing."
    for keyword in ANIMAL:
        if keyword not in made:
            yield f"the patient is an animal, but the attribute {keyword} is missing."


def _predecessors(made: Dataset) -> Iterator[str]:
    state = child(made, "document_state")
    later = {get(STATES[kind].code).key for kind in ("addendum", "correction")}
    named = made.get("PredecessorDocumentsSequence")
    if state is not None and value_of(state) in later and not named:
        yield "it continues or replaces a report, but does not name it."
    known = {get(f"{w}_report").key for w in ("replaced", "addended", "preliminary", "partial")}
    for study in made.get("PredecessorDocumentsSequence") or []:
        for series in study.get("ReferencedSeriesSequence") or []:
            for row in series.get("ReferencedSOPSequence") or []:
                if key_of(row.get("PurposeOfReferenceCodeSequence")) not in known:
                    uid = row.get("ReferencedSOPInstanceUID", "")
                    yield f"the predecessor {uid} is named without a purpose."


def _names(items: Sequence[Placed]) -> Iterator[str]:
    for item, where in items:
        if not all(name_of(item)):
            yield f"the item {where} ({item.get('ValueType', '')}) has no concept name."


def _meanings(content: ReportContent | None) -> Mapping[CodeKey, set[str]]:
    """Every code that we may write and how it may be worded."""
    known: dict[CodeKey, set[str]] = {}
    template = content.template if content else None
    items = template.items if template else ()
    candidates = template.rule_outs if template else ()
    views = template.views if template else ()
    sources = chain(
        all_codes().values(),
        atlas().codes(),
        (item.code for item in items),
        (item.site for item in items),
        (code for view in views if (code := view_code(view))),
        (candidate.code for candidate in candidates),
    )
    for code in sources:
        known.setdefault(code.key, set()).add(code.meaning)
    return known


def _codes(made: Dataset, content: ReportContent | None) -> Iterator[str]:
    known = _meanings(content)
    descriptors = (get("descriptor").key, get("finding").key)
    for item, where in everything(made):
        measured = item.get("MeasuredValueSequence") or []
        units = [u for m in measured for u in m.get("MeasurementUnitsCodeSequence") or []]
        names = item.get("ConceptNameCodeSequence") or []
        for entry in [*names, *(item.get("ConceptCodeSequence") or []), *units]:
            key, meaning = key_of([entry]), str(entry.get("CodeMeaning", ""))
            if key not in known:
                # The atlas may have dropped a descriptor since a report with it was signed.
                if key[1] == SCHEME and name_of(item) not in descriptors:
                    yield f"the item {where} has the code {key[0]}, which is not in our list."
            elif meaning not in known[key]:
                expected = " or ".join(sorted(known[key]))
                yield f"the item {where} calls the code {key[0]} '{meaning}', not '{expected}'."


def _tracking(report: Dataset, measurements: Dataset | None) -> Iterator[str]:
    coded = child(report, "coded_observations")
    group = child(coded, "coded_measurements") if coded is not None else None
    ours = {text_below(n, "tracking_unique_identifier") for n in (children(group) if group else [])}
    theirs: set[str] = set()
    if measurements is not None:
        theirs = {
            text_of(item)
            for item, _ in everything(measurements)
            if name_of(item) == get("tracking_unique_identifier").key
        }
    for uid in sorted(ours ^ theirs):
        where = "measurement document" if uid in ours else "report"
        yield f"The measurement tracked as {uid} is missing in the {where}."


def _answers(report: Dataset, content: ReportContent) -> Iterator[str]:
    """Each structure has an answer or "Not Evaluated" in each view; signed means complete."""
    answered: dict[tuple[str, str], CodeKey] = {}
    coded = child(report, "coded_observations")
    for item, _ in everything(coded) if coded is not None else ():
        if name_of(item) == get("normality").key and item.get("RelationshipType") == "CONTAINS":
            answered[text_below(item, "tracking_identifier"), image_of(item)] = value_of(item)
    open_count = 0
    for entry in content.template.items:
        for uid, visibility in entry.visibility.items():
            value = answered.get((entry.id.rstrip(), uid))
            if visibility != "no" and value is None:
                yield f"Report: {entry.name} has neither answer nor open question for image {uid}."
            open_count += visibility != "no" and value == get("not_evaluated").key
    limits = child(report, "limits_heading")
    accepted = text_below(limits, "open_accepted")
    if report.get("VerificationFlag") == "VERIFIED" and open_count and not accepted:
        yield (
            f"Report: it is signed with {open_count} questions open, and no reason is given why "
            "that was accepted."
        )
