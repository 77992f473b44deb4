"""The second image of a measurement: the other limb, an earlier study, or a view across."""

from pathlib import Path

from dicom_service import intake
from dicom_service.anatomy import atlas
from dicom_service.errors import NotFound, Refused
from dicom_service.intake.model import ImageFacts, StudyFacts
from dicom_service.store import Store
from dicom_service.workflow.comparing import same_view
from dicom_service.workflow.priors import earlier_facts

ACROSS = ("fracture_angulation",)
"""Kinds that need a view at a right angle; the others need the same view."""


def control_path(
    store: Store, study_uid: str, facts: StudyFacts | None, kind: str, image_uid: str,
    control_uid: str,
) -> Path:  # fmt: skip
    """The file of a second image that goes with the first one.

    Raises
    ------
    NotFound
        It is neither in the study nor in an earlier one of the same animal.
    Refused
        It shows the limb otherwise than this measurement needs.
    """
    here = _image(facts, image_uid)
    own = store.instances(study_uid, None, control_uid)
    if own:
        _check(kind, here, _image(facts, control_uid), earlier=False)
        return own[0].path
    for uid, theirs in earlier_facts(store, facts) if facts else ():
        if found := store.instances(uid, None, control_uid):
            if facts and intake.contradictions(facts.signalment, theirs.signalment):
                raise Refused("That image may be another animal's; it is no control.")
            _check(kind, here, _image(theirs, control_uid), earlier=True)
            return found[0].path
    raise NotFound(
        f"No image {control_uid} is in this study or in an earlier one of the animal on this node."
    )


def _image(facts: StudyFacts | None, uid: str) -> ImageFacts | None:
    return next((i for i in facts.images if i.uid == uid), None) if facts else None


def _check(kind: str, here: ImageFacts | None, there: ImageFacts | None, *, earlier: bool) -> None:
    if here is None or there is None:
        return  # a study that was never prepared says nothing of its views
    sides = {here.side, there.side}
    if kind in ACROSS:
        if not earlier and len(sides) == 1 and atlas().are_orthogonal(here.view, there.view):
            return
        raise Refused(
            "The second view must show the same limb at a right angle to the first, such as ML "
            "with CrCd."
        )
    if not same_view(here.view, there.view):
        raise Refused(
            f"The control must be the same view: this is {here.view or 'not stated'}, that "
            f"{there.view or 'not stated'}. Put the view right at the image if it is wrong."
        )
    if earlier and len(sides) > 1 and "U" not in sides:
        raise Refused("The earlier image is of the other limb; take one of the same side.")
    if not earlier and len(sides) == 1:
        raise Refused("The control in the same study must be of the other limb.")
