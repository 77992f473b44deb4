"""What can be computed on the images of a study: kinds, landmarks, published values."""

from typing import Literal

from dicom_service.base import Frozen
from dicom_service.measure import Said, say
from dicom_service.measure.catalogue import Entry, Reference, catalogue, explained
from dicom_service.measure.population import Animal, Fit, fit
from dicom_service.review.computed import ComputedKind
from dicom_service.review.model import Section

NEXT_TO: dict[str, tuple[str, ...]] = {
    "carpus": ("antebrachium",),
    "antebrachium": ("carpus", "elbow", "thoracic_limb"),
    "elbow": ("antebrachium", "humerus"),
    "stifle": ("femur", "crus"),
    "crus": ("stifle", "tarsus"),
    "tarsus": ("crus",),
    "femur": ("stifle", "pelvis_hip"),
    "hip": ("pelvis_hip", "femur"),
    "foot": ("manus", "pes"),
    "manus": ("foot",),
    "pes": ("foot",),
}
"""Regions whose measurements are often taken on views of another one."""

Second = Literal["", "control", "marked control", "across"]


class Landmark(Frozen):
    """One point that the reader sets: what a published one is called, and where it lies."""

    id: str
    name: str = ""
    where: str = ""


class Published(Reference):
    """A published value, and whether it is of animals like this one."""

    fit: Fit


class Measurable(Frozen):
    """One thing that can be computed; what is published of it is of this species only.

    A kind that needs no published definition has no title: the panel has the words for it.
    """

    kind: ComputedKind
    name: str = ""
    title: str = ""
    region: str = ""
    section: Section | Literal[""] = ""
    """Of the search pattern, in whose order they are offered; none for what gives a scale."""
    view: str = ""
    landmarks: tuple[Landmark, ...]
    needed: int
    """How many of the landmarks have to be set; the rest goes with them, all or none."""
    sized: bool = False
    """Whether the true size of what is marked has to be given."""
    second: Second = ""
    """A second image that it takes: a control, whose landmarks need not or have to be set, or a
    view at a right angle."""
    guidance: str = ""
    traps: str = ""
    here: bool = True
    """Whether it belongs to a region of this study, or to one beside it."""
    how: str = ""
    """Kind of the construction: angle, ratio and so on."""
    lines: tuple[tuple[str, str], ...] = ()
    """Landmarks that the construction joins."""
    published: tuple[Published, ...] = ()


class NotOffered(Frozen):
    """What is published of this species and region, and why it is not measured here."""

    name: str
    title: str
    why: Said


class MeasurableList(Frozen):
    """Everything that can be computed for a study, and what cannot."""

    offers: tuple[Measurable, ...]
    not_offered: tuple[NotOffered, ...] = ()


def _simple(kind: ComputedKind, section: Section | Literal[""], marks: str,
            needed: int | None = None, *, sized: bool = False,
            second: Second = "") -> Measurable:  # fmt: skip
    names = marks.split()
    return Measurable(
        kind=kind, section=section, landmarks=tuple(Landmark(id=name) for name in names),
        sized=sized, second=second, needed=len(names) if needed is None else needed,
    )  # fmt: skip


SIMPLE: tuple[Measurable, ...] = (
    _simple("joint_space", "cartilage", "one_end other_end"),
    _simple("swelling_profile", "soft_tissue", "joint", 0, second="control"),
    _simple("lucent_line", "bone", "one_end other_end"),
    _simple("fat_plane", "soft_tissue", "proximal at_joint distal", second="marked control"),
    _simple("shaft_axis", "alignment", "proximal distal"),
    _simple(
        "fracture_angulation",
        "alignment",
        "proximal_fragment_proximal proximal_fragment_distal distal_fragment_proximal "
        "distal_fragment_distal",
        second="across",
    ),
    _simple("implant", "devices", "one_end other_end joint_one_end joint_other_end", 2),
    _simple("ball", "", "middle", 0, sized=True),
    _simple("ruler", "", "one_mark other_mark", sized=True),
)
"""What needs no published definition."""


def measurable(animal: Animal, regions: tuple[str, ...]) -> MeasurableList:
    """What can be computed for an animal, that of its regions first."""
    near = {*regions, *(other for region in regions for other in NEXT_TO.get(region, ()))}
    published = [
        offer
        for found in catalogue().values()
        if (offer := _published(found, animal, found.region in near)) is not None
    ]
    offers = (*SIMPLE, *sorted(published, key=lambda o: not o.here))
    without = tuple(
        NotOffered(name=found.id, title=found.name, why=say(f"not_offered.{found.id}"))
        for found in catalogue().values()
        if found.construction is None
        and found.region in near
        and any(ref.species == animal.species for ref in found.refs)
    )
    return MeasurableList(offers=offers, not_offered=without)


def _published(found: Entry, animal: Animal, here: bool) -> Measurable | None:
    refs = tuple(
        Published(**dict(ref), fit=fit(ref.who, animal))
        for ref in found.refs
        if ref.species == animal.species
    )
    if found.construction is None or (animal.species and not refs):
        return None
    places = explained(found.id)
    return Measurable(
        kind="limb_measurement",
        name=found.id,
        title=found.name,
        region=found.region,
        section=found.section,
        view=found.view,
        landmarks=tuple(
            Landmark(id=n, name=n.replace("_", " "), where=where) for n, where in places.items()
        ),
        needed=len(places),
        guidance=found.landmarks,
        traps=found.traps,
        here=here,
        how=found.construction.kind,
        lines=found.construction.lines(),
        published=refs,
    )
