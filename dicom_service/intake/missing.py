"""Which views of the minimum set a study does not have, as a technician can act on it."""

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

from dicom_service.anatomy import Atlas, WantedView
from dicom_service.intake.model import ImageFacts, Remark

SIDE_WORDS = {"L": "left ", "R": "right ", "B": "left and right ", "U": ""}
Group = tuple[str, str]
"""Side and region."""


class Missing(NamedTuple):
    """A remark, and the sides and regions that it is about."""

    groups: tuple[Group, ...]
    remark: Remark


def by_side_and_region(images: Sequence[ImageFacts]) -> Mapping[Group, list[ImageFacts]]:
    """The images of each side and region; one of both sides counts for either side shown alone."""
    groups: dict[Group, list[ImageFacts]] = {}
    for image in images:
        for region in image.regions:
            groups.setdefault((image.side, region), []).append(image)
    for (side, region), both in list(groups.items()):
        alone = [s for s in ("L", "R") if (s, region) in groups]
        if side == "B" and alone:
            for single in alone:
                groups[single, region] += both
            if len(alone) == 2:
                del groups[side, region]
    return groups


def missing_views(
    images: Sequence[ImageFacts], species: str | None, atlas: Atlas
) -> Iterator[Missing]:
    """One warning for each side and region whose minimum set is not complete.

    Regions of one side that lack the same share a sentence. Nothing is said where an image of the
    same side and region has no known view, as it may be the one; it has its own remark.
    """
    alike: dict[tuple[str, tuple[str, ...], tuple[str, ...]], list[str]] = {}
    wording: dict[tuple[str, ...], list[WantedView]] = {}
    for (side, region), group in by_side_and_region(images).items():
        wanted = atlas.view_set(species, region)
        views = tuple(dict.fromkeys(image.view for image in group))
        if wanted is None or not all(atlas.view(view) for view in views):
            continue
        lacking = [w for w in wanted.minimum if not _has(views, w, atlas)]
        if lacking:
            names = tuple(_name(w) for w in lacking)
            wording.setdefault(names, lacking)
            alike.setdefault((side, names, views), []).append(region)
    for (side, names, views), regions in alike.items():
        limb = SIDE_WORDS[side] + " and ".join(atlas.part(r).name for r in regions)
        text = _text(limb, wording[names], views, atlas)
        yield Missing(
            tuple((side, region) for region in regions),
            Remark(key="views_missing", severity="warning", text=text),
        )


def _name(wanted: WantedView) -> str:
    return wanted.any[0] + (f" (of {wanted.part})" if wanted.part else "")


def _has(views: Sequence[str], wanted: WantedView, atlas: Atlas) -> bool:
    return any(atlas.serves_as(view, label) for view in views for label in wanted.any)


def _text(limb: str, lacking: Sequence[WantedView], views: Sequence[str], atlas: Atlas) -> str:
    names = [_name(wanted) for wanted in lacking]
    verb = "is" if len(names) == 1 else "are"
    right_angle = ""
    if not has_right_angle(views, atlas):
        right_angle = f", and nothing is orthogonal to {_listed(list(views))}"
    takes = _listed([w.take for w in lacking])
    return (
        f"{limb[:1].upper()}{limb[1:]}: {_listed(names)} {verb} missing{right_angle}; take {takes}."
    )


def _listed(words: Sequence[str]) -> str:
    separator = "; " if any("," in word for word in words) else ", "
    if len(words) < 2:
        return "".join(words)
    last = ", and " if separator == "; " else " and "
    return f"{separator.join(words[:-1])}{last}{words[-1]}"


def views_limit(species: str | None, region: str, atlas: Atlas) -> str:
    """Why no second view at a right angle can be expected of a region; empty: it can."""
    known = atlas.view_set(species, region)
    return known.limit if known else ""


def has_right_angle(views: Sequence[str], atlas: Atlas) -> bool:
    """Whether two of `views` are at about a right angle."""
    return any(makes_right_angle(view, views, atlas) for view in views)


def makes_right_angle(view: str, views: Sequence[str], atlas: Atlas) -> bool:
    """Whether one of `views` is at about a right angle to `view`."""
    return any(atlas.are_orthogonal(view, other) for other in views)
