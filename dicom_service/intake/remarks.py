"""What a reader must know before reading: sentences about images and about the whole study."""

import math
from collections.abc import Collection, Iterator, Sequence

from dicom_service.anatomy import Atlas
from dicom_service.intake.missing import (
    SIDE_WORDS,
    Group,
    by_side_and_region,
    has_right_angle,
    makes_right_angle,
    missing_views,
    views_limit,
)
from dicom_service.intake.model import Exposure, ImageFacts, Remark
from dicom_service.intake.words import exposure_bands, words

STUDY_KEYS = (
    "views_missing",
    "no_orthogonal",
    "not_calibrated_none",
    "not_calibrated_detector",
    "not_calibrated_unknown",
    "exposure",
    "not_hung",
)
"""Keys of the remarks that `study_remarks` gives."""


def image_name(image: ImageFacts, atlas: Atlas) -> str:
    """How sentences call an image: "ML of the right carpus", or its number."""
    if image.view and image.regions:
        return f"{image.view} of the {limb_name(image, atlas)}"
    return f"Image {image.instance_number} of series {image.series_number}"


def limb_name(image: ImageFacts, atlas: Atlas) -> str:
    """The side and the regions of an image."""
    return SIDE_WORDS[image.side] + " and ".join(atlas.part(r).name for r in image.regions)


def image_remarks(
    image: ImageFacts, problems: Sequence[tuple[str, str]], atlas: Atlas
) -> Iterator[Remark]:
    """Remarks on one image; `problems` are (key, sentence) without the image's name."""
    name = image_name(image, atlas)
    if not image.regions:
        yield _about(
            image,
            "region_unknown",
            f"{name}: the part of the limb was not recognised; set Body Part Examined or the "
            "series description at the camera, and read it by the general pattern.",
        )
    if not image.view:
        yield _about(
            image,
            "view_unknown",
            f"{name}: the view was not recognised; set View Position at the camera, and check "
            "which borders this image really shows.",
        )
    if image.side == "U":
        yield _about(
            image,
            "side_unknown",
            f"{name}: no side is given; find the marker in the image, and set Laterality at the "
            "camera.",
        )
    for key, sentence in problems:
        yield _about(image, key, f"{name}: {sentence}.")
    yield from _guesses(image, name, {key for key, _ in problems})
    yield from _exposure_contradiction(image, name)


def _guesses(image: ImageFacts, name: str, told: Collection[str]) -> Iterator[Remark]:
    """What was worked out from weak words, unless a contradiction says it already."""
    guesses = {
        "region": ("part of the limb", image.region_confidence, image.region_found_in),
        "view": ("view", image.view_confidence, image.view_found_in),
    }
    for what, (words_for_it, confidence, found_in) in guesses.items():
        if confidence == "guessed" and not any(key.startswith(f"{what}_") for key in told):
            sentence = f"the {words_for_it} was guessed from {found_in}; correct it if it is wrong"
            yield _about(image, f"{what}_guessed", f"{name}: {sentence}.", note=True)


def _about(image: ImageFacts, key: str, sentence: str, *, note: bool = False) -> Remark:
    severity = "note" if note else "warning"
    return Remark.model_validate(
        {"key": key, "severity": severity, "text": sentence, "image_uid": image.uid}
    )


def _exposure_contradiction(image: ImageFacts, name: str) -> Iterator[Remark]:
    exposure: Exposure = image.exposure
    if exposure.deviation is None:
        return
    if exposure.index and exposure.target:
        computed = 10 * math.log10(exposure.index / exposure.target)
        if abs(computed - exposure.deviation) > 0.5:
            yield _about(
                image,
                "exposure_contradiction",
                f"{name}: the deviation index {exposure.deviation:+.1f} does not follow from "
                f"exposure index and target ({computed:+.1f}); check the detector's settings.",
                note=True,
            )


def _exposures(images: Sequence[ImageFacts], atlas: Atlas) -> Iterator[Remark]:
    """One note for all images that are off in the same way."""
    alike: dict[str, list[tuple[ImageFacts, float]]] = {}
    for image in images:
        deviation = image.exposure.deviation
        if deviation is not None and (advice := exposure_bands().advice(deviation)):
            alike.setdefault(advice, []).append((image, deviation))
    for advice, group in alike.items():
        everyone = len(group) == len(images) > 1
        names = ", ".join(image_name(image, atlas) for image, _ in group)
        indices = " to ".join(dict.fromkeys(f"{f(d for _, d in group):+.1f}" for f in (min, max)))
        yield Remark(
            key="exposure",
            severity="note",
            text=f"{'All images' if everyone else names}: deviation index {indices}, {advice}. "
            "The limits are those of human radiography, so judge by the image.",
            image_uid=group[0][0].uid if len(group) == 1 else "",
        )


def study_remarks(
    images: Sequence[ImageFacts], species: str | None, atlas: Atlas
) -> Iterator[Remark]:
    """Remarks that only the images together give (`STUDY_KEYS`)."""
    missing = list(missing_views(images, species, atlas))
    yield from (found.remark for found in missing)
    told = {group for found in missing for group in found.groups}
    yield from no_orthogonal(images, species, atlas, told)
    yield from _calibration(images, atlas)
    yield from _exposures(images, atlas)
    yield from _as_stored(images, atlas)


def no_orthogonal(
    images: Sequence[ImageFacts], species: str | None, atlas: Atlas, told: Collection[Group] = ()
) -> Iterator[Remark]:
    """One warning for each side and region whose known views have no right angle between them.

    Nothing is said where an image of the same side has no known view: it may be the one, and it
    has its own remark. Nothing either of parts without a usual pair (pelvis), and of those whose
    missing views were `told` already.
    """
    for (side, region), group in by_side_and_region(images).items():
        if (side, region) in told:
            continue
        pair = words().usual_pair.get(words().limb_part(region))
        views = list(dict.fromkeys(image.view for image in group))
        if pair is None or "" in views or has_right_angle(views, atlas):
            continue
        limit = views_limit(species, region, atlas)
        wanted = next((v for v in pair if makes_right_angle(v, views, atlas)), None)
        advice = limit or (f"take {wanted}" if wanted else f"take {' and '.join(pair)}")
        limb = SIDE_WORDS[side] + atlas.part(region).name
        yield Remark(
            key="no_orthogonal",
            severity="warning",
            text=f"Only {' and '.join(views)} of the {limb}: no orthogonal view; {advice}.",
            image_uid=group[0].uid if len(group) == 1 else "",
        )


def _calibration(images: Sequence[ImageFacts], atlas: Atlas) -> Iterator[Remark]:
    """One sentence per study for each way of not being calibrated."""
    sentences = {
        "none": "no pixel spacing, so lengths are in pixels only; put a calibration object "
        "beside the limb, at the height of the bone",
        "detector": "spacing at the detector, not corrected for magnification, so lengths are a "
        "little too long; put a calibration object at the height of the bone",
        "unknown": "a pixel spacing of unknown making, so lengths in mm are not certain; ask how "
        "the sending system calibrates",
    }
    for kind, sentence in sentences.items():
        those = [image for image in images if image.spacing.kind == kind]
        if those:
            yield Remark(
                key=f"not_calibrated_{kind}",
                severity="note",
                text=f"{_listed(those, images, atlas)}: {sentence}.",
                image_uid=those[0].uid if len(those) == 1 else "",
            )


def _as_stored(images: Sequence[ImageFacts], atlas: Atlas) -> Iterator[Remark]:
    those = [image for image in images if not image.hung]
    if those:
        yield Remark(
            key="not_hung",
            severity="note",
            text=f"{_listed(those, images, atlas)}: Patient Orientation is missing or not "
            "understood, so this is shown as stored; turn it by hand.",
            image_uid=those[0].uid if len(those) == 1 else "",
        )


def _listed(those: Sequence[ImageFacts], images: Sequence[ImageFacts], atlas: Atlas) -> str:
    if len(those) == len(images) > 1:
        return "All images"
    if len(those) > 3:
        return f"{len(those)} of {len(images)} images"
    return ", ".join(image_name(image, atlas) for image in those)
