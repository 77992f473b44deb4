"""Any views of any parts in any species give a template that can be answered to the end."""

from typing import get_args

from hypothesis import given, settings
from hypothesis import strategies as st

from dicom_service.anatomy import atlas
from dicom_service.intake import corrected
from dicom_service.intake.model import ImageFacts, Side, Signalment, StudyFacts
from dicom_service.review import build_template, check_reading, coverage, findings_text, gaps
from dicom_service.review.model import SECTIONS, Observation, Reading, Template

LABELS = [view.label for view in atlas().all_views]
PARTS = sorted({p for s in ("dog", "cat", "horse") for p in atlas().find_limb("forelimb", s)
                + atlas().find_limb("hindlimb", s)})  # fmt: skip
ANY_ANGLE = st.builds(
    "D{}{}O".format,
    st.integers(1, 179),
    st.sampled_from(["L-PaM", "M-PaL", "L-PlM", "M-PlL", "Pr-PaDi", "Di-PaPr"]),
)


@st.composite
def studies(draw: st.DrawFn) -> StudyFacts:
    images = tuple(
        ImageFacts(
            uid=str(number),
            series_uid="s",
            sop_class_uid="c",
            view=draw(st.sampled_from(["", "mystery", *LABELS]) | ANY_ANGLE),
            side=draw(st.sampled_from(get_args(Side))),
            regions=tuple(draw(st.lists(st.sampled_from([*PARTS, "wing"]), max_size=3))),
            digits=tuple(draw(st.sets(st.integers(1, 5), max_size=2))),
        )
        for number in range(draw(st.integers(0, 4)))
    )
    species = draw(st.sampled_from([None, "dog", "cat", "horse", "rabbit"]))
    age = draw(st.none() | st.floats(0, 300))
    return StudyFacts(
        study_uid="9", images=images, signalment=Signalment(species=species, age_months=age)
    )


def all_normal(template: Template) -> Reading:
    return Reading(
        shown=tuple(item.id for item in template.items),
        observations={
            item.id: {
                uid: Observation(value="normal", by_group=True)
                for uid, seen in item.visibility.items()
                if seen != "no"
            }
            for item in template.items
        },
        impression="Normal.",
    )


@settings(max_examples=30, deadline=None)
@given(studies())
def test_it_can_be_answered_to_the_end_by_groups(facts: StudyFacts) -> None:
    template = build_template(facts)
    assert len({item.id for item in template.items}) == len(template.items)
    uids = {image.uid for image in facts.images}
    assert all(set(item.visibility) <= uids and item.visibility for item in template.items)
    assert [s for s in SECTIONS if any(i.section == s for i in template.items)] == [
        s for s in template.order if any(g.section == s for g in template.groups)
    ]
    reading = all_normal(template)
    check_reading(template, reading)
    done = coverage(template, reading)
    assert done.answered == done.asked
    assert not [g for g in gaps(template, reading) if g.blocking]
    text = findings_text(facts, template, reading)
    assert "abnormal on" not in text
    assert "Not evaluated" not in text


@settings(max_examples=30, deadline=None)
@given(studies(), st.sampled_from(LABELS), st.sampled_from(PARTS))
def test_any_image_can_be_corrected_and_the_study_read_on(
    facts: StudyFacts, view: str, part: str
) -> None:
    for image in facts.images:
        facts = corrected(facts, image.uid, view=view, side="L", regions=[part], digits=[])
    keys = {remark.key for remark in facts.remarks}
    assert not keys & {"view_unknown", "side_unknown", "region_unknown"}
    assert build_template(facts).regions == ((part,) if facts.images else ())


def test_right_angles_are_mutual_between_any_two_views() -> None:
    known = atlas()
    labels = [*LABELS, "D38L-PaMO", "Cr30M-CdLO"]
    for one in labels:
        for other in labels:
            assert known.are_orthogonal(one, other) == known.are_orthogonal(other, one)
        assert not known.are_orthogonal(one, one)
