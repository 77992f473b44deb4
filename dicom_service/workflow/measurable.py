"""What can be computed on the images of a study: kinds, landmarks, published values."""

from dicom_service.base import Frozen
from dicom_service.measure.catalogue import Construction, Entry, Reference, catalogue
from dicom_service.review.computed import ComputedKind

NEXT_TO: dict[str, tuple[str, ...]] = {
    "carpus": ("antebrachium",),
    "antebrachium": ("carpus", "elbow"),
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


class Landmark(Frozen):
    """One point that the reader sets."""

    id: str
    name: str


class Measurable(Frozen):
    """One thing that can be computed; what is published of it is of this species only."""

    kind: ComputedKind
    name: str = ""
    title: str
    view: str = ""
    landmarks: tuple[Landmark, ...]
    optional: bool = False
    """Whether it can be computed without its landmarks."""
    guidance: str = ""
    traps: str = ""
    here: bool = True
    """Whether it belongs to a region of this study, or to one beside it."""
    construction: Construction | None = None
    published: tuple[Reference, ...] = ()


class MeasurableList(Frozen):
    """Everything that can be computed for a study."""

    offers: tuple[Measurable, ...]


def _simple(kind: ComputedKind, title: str, names: tuple[str, ...], guidance: str,
            *, optional: bool = False) -> Measurable:  # fmt: skip
    marks = tuple(Landmark(id=f"point_{i + 1}", name=name) for i, name in enumerate(names))
    return Measurable(kind=kind, title=title, landmarks=marks, guidance=guidance,
                      optional=optional)  # fmt: skip


DRAWN = ("angle", "ratio")
"""Constructions of two lines only, which the panel draws."""

SIMPLE: tuple[Measurable, ...] = (
    _simple("joint_space", "Joint space width",
            ("one end of the joint space", "other end of the joint space"),
            "A rough line along the dark space between the bones, only where the beam runs "
            "along it."),
    _simple("swelling_profile", "Soft tissue profile", ("middle of the joint",),
            "Thickness of the soft tissue on both sides along the limb. With the joint marked, "
            "distances count from it.", optional=True),
    _simple("lucent_line", "Gap or lucent line", ("one end of the line", "other end of the line"),
            "Along a fracture gap, a growth plate or the line between two parts; its cause is "
            "not told."),
    _simple("shaft_axis", "Axis of a shaft",
            ("proximal end of the shaft", "distal end of the shaft"),
            "On one straight bone, away from its ends."),
)  # fmt: skip
"""What needs no published definition."""


def measurable(species: str, regions: tuple[str, ...]) -> MeasurableList:
    """What can be computed for an animal of `species`, that of its regions first."""
    near = {*regions, *(other for region in regions for other in NEXT_TO.get(region, ()))}
    published = [
        offer
        for found in catalogue().values()
        if (offer := _published(found, species, found.region in near)) is not None
    ]
    return MeasurableList(offers=(*SIMPLE, *sorted(published, key=lambda o: not o.here)))


def _published(found: Entry, species: str, here: bool) -> Measurable | None:
    refs = tuple(ref for ref in found.refs if ref.species == species)
    if found.construction is None or (species and not refs):
        return None
    names = found.construction.landmarks()
    return Measurable(
        kind="limb_measurement",
        name=found.id,
        title=found.name,
        view=found.view,
        landmarks=tuple(Landmark(id=n, name=n.replace("_", " ")) for n in names),
        guidance=found.landmarks,
        traps=found.traps,
        here=here,
        construction=found.construction if found.construction.kind in DRAWN else None,
        published=refs,
    )
