"""Corrects what the headers said of an image, when the reader sees that it is something else."""

from collections.abc import Sequence

from dicom_service.anatomy import Atlas
from dicom_service.anatomy import atlas as default_atlas
from dicom_service.errors import NotFound, Refused
from dicom_service.intake.model import BY_READER, ImageFacts, Remark, Side, StudyFacts
from dicom_service.intake.remarks import STUDY_KEYS, image_name, image_remarks, study_remarks

_ABOUT = {
    "view": ("view_", "orientation_view"),
    "regions": ("region_", "view_region"),
    "side": ("side_",),
}
"""Field -> beginnings of the keys of remarks that a correction settles."""


def corrected(
    facts: StudyFacts,
    image_uid: str,
    *,
    view: str | None = None,
    side: Side | None = None,
    regions: Sequence[str] | None = None,
    digits: Sequence[int] | None = None,
    atlas: Atlas | None = None,
) -> StudyFacts:
    """`facts` with one image corrected by the reader, and the remarks as they are then.

    Parameters
    ----------
    image_uid
        SOP Instance UID of the image.
    view, side, regions, digits
        The right values; None leaves what was there. An empty view or no regions: not known.
    atlas
        The anatomy to check against; None: the one that comes with the product.

    Raises
    ------
    NotFound
        The study has no such image.
    Refused
        The view or a region does not exist.
    """
    known = atlas or default_atlas()
    before = next((image for image in facts.images if image.uid == image_uid), None)
    if before is None:
        raise NotFound(f"The study has no image {image_uid}.")
    changes = {
        **_view(view, known),
        **_regions(regions, known),
        **({"side": side} if side is not None else {}),
        **({"digits": tuple(sorted(set(digits)))} if digits is not None else {}),
    }
    after = ImageFacts.model_validate({**before.model_dump(), **changes})
    images = tuple(after if image.uid == image_uid else image for image in facts.images)
    settled = [
        beginning
        for field, beginnings in _ABOUT.items()
        if field in changes
        for beginning in beginnings
    ]
    kept = _kept(facts.remarks, before, after, settled, known)
    together = tuple(study_remarks(images, facts.signalment.species, known))
    return facts.model_copy(
        update={
            "images": images,
            "remarks": (
                *(r for r in kept if not r.image_uid),
                *together,
                *(r for r in kept if r.image_uid),
            ),
        }
    )


def _view(view: str | None, known: Atlas) -> dict[str, object]:
    if view is None:
        return {}
    if view and known.view(view) is None:
        raise Refused(f"There is no view “{view}”; write it like DPa, ML or D45L-PaMO.")
    stated = "stated" if view else ""
    return {"view": view, "view_found_in": BY_READER, "view_confidence": stated}


def _regions(regions: Sequence[str] | None, known: Atlas) -> dict[str, object]:
    if regions is None:
        return {}
    for region in regions:
        if known.part(region).id != region or region == known.unspecified.id:
            raise Refused(f"There is no part of the limb “{region}”.")
    return {
        "regions": tuple(dict.fromkeys(regions)),
        "region_found_in": BY_READER,
        "region_confidence": "stated" if regions else "",
    }


def _kept(
    remarks: Sequence[Remark],
    before: ImageFacts,
    after: ImageFacts,
    settled: Sequence[str],
    known: Atlas,
) -> list[Remark]:
    """The remarks that stay, with the image's new name, and those that it still needs."""
    old, new = image_name(before, known), image_name(after, known)
    kept = []
    for remark in remarks:
        mine = remark.image_uid == after.uid
        if remark.key in STUDY_KEYS or (mine and remark.key.startswith(tuple(settled))):
            continue
        if mine and remark.text.startswith(f"{old}:"):
            remark = remark.model_copy(update={"text": new + remark.text.removeprefix(old)})
        kept.append(remark)
    there = {(remark.key, remark.image_uid) for remark in kept}
    still = (r for r in image_remarks(after, (), known) if (r.key, r.image_uid) not in there)
    return [*kept, *still]
