"""Studies and readings for the review's tests, as fixtures that make them."""

from collections.abc import Callable, Sequence

import pytest

from dicom_service.intake.model import ImageFacts, Side, Signalment, Spacing, StudyFacts
from dicom_service.review.model import Observation, Reading, Template, Value

Shot = tuple[str, Side, tuple[str, ...]]
"""View, side and parts of the limb of one image."""


Study = Callable[..., StudyFacts]
AllObserved = Callable[..., Reading]


def make_study(shots: Sequence[Shot], question: str = "", **animal: object) -> StudyFacts:
    images = tuple(
        ImageFacts(
            uid=str(number),
            series_uid="s",
            sop_class_uid="c",
            rows=3000,
            columns=2500,
            view=view,
            side=side,
            regions=regions,
            spacing=Spacing(kind="detector", row_mm=0.14, column_mm=0.14),
        )
        for number, (view, side, regions) in enumerate(shots, start=1)
    )
    signalment = Signalment.model_validate({"species": "dog", **animal})
    return StudyFacts(
        study_uid="9",
        study_date="20250102",
        question=question,
        signalment=signalment,
        images=images,
    )


def observe_all(template: Template, value: Value = "normal") -> Reading:
    return Reading(
        template_revision=template.revision,
        observations={
            item.id: {
                uid: Observation(value=value)
                for uid, shows in item.visibility.items()
                if shows != "no"
            }
            for item in template.items
        },
    )


@pytest.fixture(scope="session")
def study() -> Study:
    """Makes a study of a dog from views and signalment; its images are "1", "2", and so on."""
    return make_study


@pytest.fixture(scope="session")
def all_observed() -> AllObserved:
    """Makes a reading with one value wherever its template asks for one."""
    return observe_all
