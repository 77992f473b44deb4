"""Prepares the systematic review of one study: which structures, on which views."""

from collections import Counter
from collections.abc import Iterable, Sequence

from dicom_service.anatomy import Atlas, Region, Section, Structure
from dicom_service.anatomy import atlas as default_atlas
from dicom_service.anatomy.derived import folded_physes, other_digits
from dicom_service.intake.model import ImageFacts, Side, StudyFacts
from dicom_service.review.grouping import aimed_at, beside_the_aim, groups
from dicom_service.review.model import (
    SECTIONS,
    PhysisCheck,
    Template,
    TemplateItem,
    TemplateView,
    Variant,
    Visibility,
)
from dicom_service.review.physes import all_closed, physis_check
from dicom_service.review.raised import cautions, rule_outs

UNSTATED_VIEW = "view not stated"
UNSPECIFIED = "unspecified"
_BEST: tuple[Visibility, ...] = ("well", "partly", "no")


def build_template(
    facts: StudyFacts,
    *,
    revision: int = 1,
    atlas: Atlas | None = None,
    order: Sequence[Section] = SECTIONS,
) -> Template:
    """The template of `facts`: sides × regions × structures, with what each view can show.

    A species or part of the limb without a file of structures gets the general search pattern,
    so that every study can be read. Where every image of a part is aimed at some digits only, the
    others are one question for each section.

    Parameters
    ----------
    revision
        Of the template; a study whose images arrive late gets another one.
    atlas
        The anatomy to ask for; None: the one that comes with the product.
    order
        The sections as the site goes through them; those left out come last.
    """
    known = atlas or default_atlas()
    sections = tuple(dict.fromkeys((*order, *SECTIONS)))
    images = _unique(facts.images)
    regions = tuple(dict.fromkeys(r for image in images for r in image_regions(image)))
    items = [
        item
        for side in _sides(images)
        for region in regions
        for item in sorted(
            _items(known, facts, side, region, images), key=lambda i: sections.index(i.section)
        )
    ]
    return Template(
        study_uid=facts.study_uid,
        revision=revision,
        species=facts.signalment.species or "",
        regions=regions,
        views=_views(known, images),
        items=tuple(items),
        groups=groups(items),
        order=sections,
        rule_outs=rule_outs(known, facts, regions),
        cautions=cautions(known, facts, regions),
    )


def image_regions(image: ImageFacts) -> tuple[str, ...]:
    """The parts of the limb that an image shows; "unspecified" when its header names none."""
    return tuple(dict.fromkeys(image.regions)) or (UNSPECIFIED,)


def _unique(images: Iterable[ImageFacts]) -> tuple[ImageFacts, ...]:
    return tuple({image.uid: image for image in images}.values())


def _shows_side(image: ImageFacts, side: Side) -> bool:
    return image.side == side or (image.side == "B" and side in ("L", "R"))


def _sides(images: Sequence[ImageFacts]) -> tuple[Side, ...]:
    order: tuple[Side, ...] = ("L", "R", "U")
    return tuple(side for side in order if any(_shows_side(image, side) for image in images))


def _views(known: Atlas, images: Sequence[ImageFacts]) -> tuple[TemplateView, ...]:
    several = len({image.side for image in images}) > 1
    seen: Counter[str] = Counter()
    views = []
    for image in images:
        label = image.view if known.view(image.view) else UNSTATED_VIEW
        if several:
            label = f"{image.side} {label}"
        seen[label] += 1
        views.append(
            TemplateView(
                uid=image.uid,
                label=label if seen[label] == 1 else f"{label} ({seen[label]})",
                view=image.view,
                side=image.side,
                orthogonal=tuple(o.uid for o in images if _orthogonal(known, image, o)),
            )
        )
    return tuple(views)


def _orthogonal(known: Atlas, one: ImageFacts, other: ImageFacts) -> bool:
    same_side = one.side == other.side or any(
        _shows_side(one, side) and _shows_side(other, side) for side in ("L", "R")
    )
    same_part = set(image_regions(one)) & set(image_regions(other))
    return bool(same_side and same_part and known.are_orthogonal(one.view, other.view))


def _items(
    known: Atlas, facts: StudyFacts, side: Side, region_id: str, images: Sequence[ImageFacts]
) -> list[TemplateItem]:
    shown_on = [i for i in images if _shows_side(i, side) and region_id in image_regions(i)]
    if not shown_on:
        return []
    region = known.region(facts.signalment.species, region_id)
    if region is None:
        return [
            _item(known, s, region_id, side, _visibility(known, [s], shown_on))
            for s in _generic(known, region_id)
        ]
    return _of_region(known, facts, side, region, shown_on)


def _of_region(
    known: Atlas, facts: StudyFacts, side: Side, region: Region, images: Sequence[ImageFacts]
) -> list[TemplateItem]:
    animal = facts.signalment
    outside = list(beside_the_aim(region.structures, images))
    left_out = {s.id for members in outside for s in members}
    structures = [s for s in region.structures if s.id not in left_out]
    physes = [s for s in structures if s.kind == "physis"]
    folded = all_closed(physes, animal)
    items = []
    for structure in structures:
        check = None
        if structure.kind == "physis":
            if folded and structure is physes[0]:
                visibility = _visibility(known, physes, images)
                one = folded_physes(region, physes)
                items.append(_item(known, one, region.id, side, visibility, folded))
            if folded:
                continue
            check = physis_check(structure, animal, known.species(animal.species))
        visibility = _visibility(known, [structure], images)
        items.append(_item(known, structure, region.id, side, visibility, check))
    for members in outside:
        # How much of them is in the image, nobody knows before it is seen.
        visibility = {image.uid: "partly" for image in images}
        items.append(_item(known, other_digits(region, members), region.id, side, visibility))
    return items


def _visibility(
    known: Atlas, structures: Sequence[Structure], images: Sequence[ImageFacts]
) -> dict[str, Visibility]:
    """What each image can show of the best seen of `structures`."""
    shown: dict[str, Visibility] = {}
    for image in images:
        seen = [known.visibility(s, image.view) for s in structures if aimed_at(s, image)]
        shown[image.uid] = min(seen, key=_BEST.index, default="no")
    return shown


def _generic(known: Atlas, region_id: str) -> tuple[Structure, ...]:
    """The general search pattern, with the part in every name: a study may have two such parts."""
    part = known.part(region_id).name
    return tuple(
        s.model_copy(update={"name": f"{s.name} ({part})", "group": f"{s.group} ({part})"})
        for s in known.generic
    )


def _item(
    known: Atlas,
    structure: Structure,
    region_id: str,
    side: Side,
    visibility: dict[str, Visibility],
    check: PhysisCheck | None = None,
) -> TemplateItem:
    return TemplateItem(
        id=f"{side}.{region_id}.{structure.id}",
        structure=structure.id,
        region=region_id,
        side=side,
        name=structure.name,
        section=structure.section,
        group=structure.group,
        kind=structure.kind,
        code=structure.code,
        site=known.part(region_id).code,
        visibility=visibility,
        variants=tuple(
            Variant(id=v.id, text=v.text, source=v.source, grade=v.grade)
            for v in structure.variants
        ),
        physis=check,
    )
