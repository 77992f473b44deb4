"""What the rules make of a reading, put together for the panel."""

from dicom_service import review
from dicom_service.intake.model import StudyFacts
from dicom_service.review.model import Reading, Template
from dicom_service.workflow.model import Advice, MergedText


def advise(facts: StudyFacts, template: Template, reading: Reading) -> Advice:
    """Proposals, differentials, next steps, certainties and, if needed, a merged text."""
    proposals = review.propose(template, reading)
    differentials = review.differentials(proposals, reading)
    return Advice(
        proposals=proposals,
        differentials=differentials,
        next_steps=review.next_steps(differentials),
        certainties={f.id: review.certainty(template, f)._asdict() for f in reading.findings},
        aggressiveness={f.id: review.aggressiveness(f) for f in reading.findings},
        merged=_merged(facts, template, reading),
    )


def _merged(facts: StudyFacts, template: Template, reading: Reading) -> MergedText | None:
    """Only where the reader has words of their own and the observations say more since."""
    if reading.findings_text is None or not reading.findings_generated:
        return None
    generated = review.findings_text(facts, template, reading)
    if generated == reading.findings_generated:
        return None
    text, marks = review.merge_edit(reading.findings_generated, reading.findings_text, generated)
    return MergedText(text=text, generated=generated, marks=tuple(m._asdict() for m in marks))
