"""Prepares the systematic review of one study: which structures, on which views."""

from collections import Counter
from collections.abc import Iterable, Sequence

from dicom_service.anatomy import Atlas, Region, Structure, atlas
from dicom_service.codes import SCHEME, Code
from dicom_service.intake.model import ImageFacts, Side, StudyFacts
from dicom_service.review.model import (
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


def build_template(facts: StudyFacts, *, revision: int = 1) -> Template:
    """The template of `facts`: sides × regions × structures, with what each view can show.

    A species or part of the limb without a file of structures gets the general search pattern,
    so that every study can be read.
    """
    known = atlas()
    images = _unique(facts.images)
    regions = tuple(dict.fromkeys(r for image in images for r in image_regions(image)))
    items = [
        item
        for side in _sides(images)
        for region in regions
        for item in _items(known, facts, side, region, images)
    ]
    return Template(
        study_uid=facts.study_uid,
        revision=revision,
        regions=regions,
        views=_views(known, images),
        items=tuple(items),
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
    animal = facts.signalment
    species = known.species(animal.species)
    region = known.region(animal.species, region_id)
    structures = region.structures if region else _generic(known, region_id)
    physes = [s for s in structures if s.kind == "physis"]
    folded = all_closed(physes, animal) if region else None
    items = []
    for structure in structures:
        check = None
        if region and structure.kind == "physis":
            if folded and structure is physes[0]:
                items.append(_folded_physes(known, region, physes, folded, side, shown_on))
            if folded:
                continue
            check = physis_check(structure, animal, species)
        visibility = {i.uid: known.visibility(structure, i.view) for i in shown_on}
        items.append(_item(known, structure, region_id, side, visibility, check))
    return items


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
    check: PhysisCheck | None,
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


def _folded_physes(
    known: Atlas,
    region: Region,
    physes: Sequence[Structure],
    check: PhysisCheck,
    side: Side,
    images: Sequence[ImageFacts],
) -> TemplateItem:
    """One question instead of one for each physis, in an animal past every age of closure."""
    first = physes[0]
    structure = first.model_copy(
        update={
            "id": "physes",
            "name": f"physes of the {region.name}",
            "code": Code(
                value=f"PHYSES-{region.id.upper()[:9]}",
                scheme=SCHEME,
                meaning=f"physes of the {region.name}",
            ),
            "variants": (),
        }
    )
    visibility = {
        image.uid: min((known.visibility(s, image.view) for s in physes), key=_BEST.index)
        for image in images
    }
    return _item(known, structure, region.id, side, visibility, check)
