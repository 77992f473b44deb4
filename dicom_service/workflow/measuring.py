"""From a stored image to a measurement: its picture loaded, the pure part asked."""

from dataclasses import replace
from pathlib import Path

from dicom_service.errors import NotFound
from dicom_service.intake.model import Signalment, Spacing
from dicom_service.measure import (
    Measured,
    MeasureRequest,
    NotMeasurable,
    Picture,
    Said,
    measure,
    picture,
    refused,
    say,
)
from dicom_service.measure.catalogue import entry
from dicom_service.measure.population import Animal
from dicom_service.measure.sides import named
from dicom_service.review.computed import Scale
from dicom_service.store import Store
from dicom_service.workflow.controls import control_path
from dicom_service.workflow.loading import across_limb_in, load


class StudyMeasureRequest(MeasureRequest):
    """A request on one image of a study, with a second image where the kind knows one.

    `control_uid` is the other limb or an earlier image of a swelling or fat plane, or the view
    across of a fracture. `scale` is an object of known size on the image, in place of its header.
    """

    image_uid: str
    control_uid: str = ""
    control_points: tuple[tuple[float, float], ...] = ()
    scale: Scale | None = None


ONLY_STUDY = {"image_uid", "control_uid", "control_points", "scale"}


def about_the_animal(store: Store, study_uid: str, asked: StudyMeasureRequest
                     ) -> StudyMeasureRequest:  # fmt: skip
    """The request with the species, breed and sex that published values hang on."""
    if asked.kind != "limb_measurement":  # asked again at every move of a handle
        return asked
    prepared = store.preparation(study_uid)
    if prepared is None:
        return asked
    return asked.model_copy(update=dict(animal_of(prepared[0].signalment)))


def animal_of(signalment: Signalment) -> Animal:
    """What published values hang on."""
    sex = signalment.sex if signalment.sex in ("M", "F") else ""
    return Animal(species=signalment.species or "", breed=signalment.breed[:64], sex=sex)


def measure_in_study(store: Store, study_uid: str, asked: StudyMeasureRequest) -> Measured:
    """A measurement on an image of this study.

    Raises
    ------
    NotFound
        The image is not in the study, or the second image in none of the animal's.
    Refused
        The request itself is wrong.
    """
    path = _path(store, study_uid, asked.image_uid)
    prepared = store.preparation(study_uid)
    facts = prepared[0] if prepared else None
    control: Measured | None = None
    if asked.control_uid:
        there = control_path(
            store, study_uid, facts, asked.kind, asked.image_uid, asked.control_uid
        )
        control = measure_file(there, MeasureRequest(kind=asked.kind, points=asked.control_points))
    plain = MeasureRequest(**asked.model_dump(exclude=ONLY_STUDY))
    found = measure_file(path, plain, control, asked.scale)
    if asked.kind == "limb_measurement" and facts is not None:
        view = next((i.view for i in facts.images if i.uid == asked.image_uid), "")
        if view and view not in entry(asked.name).views:
            doubt = say("picture.view", wanted=entry(asked.name).view, view=view)
            found = found.model_copy(update={"doubts": (*found.doubts, doubt)})
    return found


def _path(store: Store, study_uid: str, image_uid: str) -> Path:
    found = store.instances(study_uid, None, image_uid)
    if not found:
        raise NotFound(f"The study has no image {image_uid}.")
    return found[0].path


def measure_file(
    path: Path,
    request: MeasureRequest,
    control: Measured | None = None,
    scale: Scale | None = None,
) -> Measured:
    """A measurement on a DICOM file; what the image does not allow is said in `refusal`."""
    error = 0.0
    try:
        pic, doubts = load(path)
        if scale is not None and request.kind not in ("ball", "ruler"):
            pic, error = scaled(pic, scale)
    except NotMeasurable as refusal:
        return refused(request.kind, refusal)
    found = measure(request, pic, control, error)
    if found.why.id == "control.focal":
        found = named(found, *across_limb_in(path))
    return found.model_copy(update={"doubts": (*found.doubts, *doubts)})


def scaled(pic: Picture, scale: Scale) -> tuple[Picture, float]:
    """The picture with pixels as large as an object in it says, and their relative error (95 %).

    Raises
    ------
    NotMeasurable
        The object cannot be measured.
    """
    asked = MeasureRequest(kind=scale.kind, points=scale.points, true_mm=scale.true_mm)
    found = measure(asked, pic)
    if found.refusal:
        raise NotMeasurable(
            say("picture.scale_refused", object=say(f"word.{scale.kind}"), why=found.refusal)
        )
    size = found.number("spacing").value
    shape = pic.size[1] / pic.size[0]
    new = picture(pic.values, Spacing(kind="fiducial", row_mm=size * shape, column_mm=size))
    return replace(new, calibration=calibrated_by(scale.kind, scale.true_mm)), found.number(
        "relative"
    ).value / 100


def calibrated_by(kind: str, true_mm: float) -> Said:
    """What the millimetres of an image are worth in which an object gives the scale."""
    return say("calibration.object", object=say(f"word.{kind}"), size=true_mm)
