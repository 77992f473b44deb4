"""Demonstration studies with invented animals, and small or damaged studies for tests."""

import datetime
import uuid
from collections.abc import Callable, Sequence
from copy import deepcopy
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Literal

from pydicom import config
from pydicom.datadict import dictionary_VR
from pydicom.dataelem import DataElement
from pydicom.dataset import Dataset
from pydicom.uid import JPEG2000Lossless, JPEGLSLossless, RLELossless

from test_pacs.phantom import (
    BodyPlan,
    Detector,
    Exposed,
    Fracture,
    Limb,
    Projection,
    Swelling,
    Truth,
    ViewPlan,
    build,
    take,
)
from test_pacs.phantom.beam import Side
from test_pacs.phantom.image import AZIMUTHS
from test_pacs.phantom.lesions import Spur
from test_pacs.phantom.objects import Animal, Coded, Kind, Visit, image_object, uid

CARPUS = ("8205005", "SCT", "Carpus")
FOREFOOT = ("419176008", "SCT", "Forefoot")
FETLOCK = ("13190002", "SCT", "Fetlock of forelimb")
EARLIER = "carpus before"
"""The study of `demo_study` that lies two months back; its animal is that of "swollen carpus"."""
_FIXED_DAY = datetime.date(2026, 3, 2)
_PLANS = {"dog": BodyPlan(), "cat": BodyPlan(size=0.5), "horse": BodyPlan()}


@dataclass(frozen=True)
class DemoStudy:
    """A study, one sentence on what it shows, and the truth of each image in the same order."""

    name: str
    sentence: str
    datasets: tuple[Dataset, ...]
    truths: tuple[Truth, ...]


@dataclass(frozen=True)
class _Demo:
    name: str
    sentence: str
    animal: Animal
    body: BodyPlan
    views: tuple[ViewPlan, ...]
    kind: Kind
    accession: str
    description: str
    reason: str
    region: Coded = CARPUS
    part: str = "CARPUS"
    months_ago: int = 0


def _view(name: str, side: Side, turns: int = 0, detector: Detector | None = None,
          coarse: int = 1) -> ViewPlan:  # fmt: skip
    projection = Projection(
        AZIMUTHS[name], side, rows=1500 // coarse, columns=1000 // coarse, pixel=0.15 * coarse
    )
    at = (0.80, 0.07) if name == "DPa" else (0.09, 0.07)
    return ViewPlan(name, side, projection, detector or Detector(), letter=side,
                    marker_at=at, quarter_turns=turns)  # fmt: skip


def _fetlock_view(name: str, detector: Detector) -> ViewPlan:
    projection = Projection(AZIMUTHS[name], "R", rows=1400, columns=1100,
                            centre=(0.0, 0.0 if name == "DPa" else 12.0, 18.0))  # fmt: skip
    return ViewPlan(name, "R", projection, detector, marker_at=(0.80, 0.07))


_FLAT_PANEL = Detector(quanta=2200.0, blur=0.09, sharpen=0.45, shutter=True)
_ROLLO = Animal("Marchetti^Rollo", "DEMO-0003", "Marchetti^Ines", "dog", None, "M", True, 98)


def _earlier() -> _Demo:
    """What one of the animals was brought for before; coarse, so that it costs little time."""
    return _Demo(
        EARLIER,
        "The dog with the swollen carpus two months ago: a slight swelling at the same place.",
        replace(_ROLLO, age_months=_ROLLO.age_months - 2),
        BodyPlan(swellings=(Swelling("antebrachiocarpal", 3.5),)),
        (_view("DPa", "R", detector=_FLAT_PANEL, coarse=2),
         _view("ML", "R", detector=_FLAT_PANEL, coarse=2)),
        "DX", "DEMO26-0000", "Right carpus",
        "Slipped on the stairs, carpus a little thick", months_ago=2,
    )  # fmt: skip


def _lame_labrador() -> _Demo:
    computed = Detector(quanta=1200.0, photometric="MONOCHROME1", shutter=True)
    return _Demo(
        "lame labrador",
        "Adult dog, right fore: fracture of the first phalanx of digit IV with a swollen toe; "
        "sesamoid 7 in two parts, a common variant.",
        Animal("Östergård^Biscuit", "DEMO-0001", "Östergård^Lena", "dog",
               ("62137007", "SCT", "Labrador retriever"), "F", True, 62, 28.0),
        BodyPlan(fractures=(Fracture("p1_4", at=0.6),), swellings=(Swelling("MCP4", 3.2),),
                 bipartite=(7,)),
        (_view("DPa", "R", detector=computed), _view("ML", "R", detector=computed)),
        "CR", "DEMO26-0001", "Right carpus and manus",
        "Lame right fore since Monday, swollen foot", FOREFOOT, "FOREFOOT",
    )  # fmt: skip


def _growing_shepherd() -> _Demo:
    return _Demo(
        "growing shepherd",
        "Pup of five months, left fore: sound, with open growth plates.",
        Animal("Quimby^Juno", "DEMO-0002", "Quimby^Tobias", "dog",
               ("42252000", "SCT", "German shepherd dog"), "M", False, 5, 17.0),
        BodyPlan(age_months=5, size=0.86),
        (_view("DPa", "L", detector=_FLAT_PANEL), _view("ML", "L", detector=_FLAT_PANEL),
         _view("D45L-PaMO", "L", turns=1, detector=_FLAT_PANEL)),
        "DX", "DEMO26-0002", "Left carpus and manus",
        "Carpi look thick, growth plates open as they should be?",
    )  # fmt: skip


def _swollen_carpus() -> _Demo:
    return _Demo(
        "swollen carpus",
        "Adult dog, right fore: soft tissue swelling centred on the carpus, bones sound.",
        _ROLLO,
        BodyPlan(swellings=(Swelling("antebrachiocarpal", 6.0),)),
        (_view("DPa", "R", detector=_FLAT_PANEL), _view("ML", "R", detector=_FLAT_PANEL)),
        "DX", "DEMO26-0003", "Right carpus",
        "Carpus warm and swollen, lame after rest",
    )  # fmt: skip


def _spurred_horse() -> _Demo:
    return _Demo(
        "spurred horse",
        "Adult horse, right fore fetlock: a spur at the dorsal rim of the first phalanx, "
        "swollen dorsally.",
        Animal("Okonjo^Tamarisk", "DEMO-0004", "Okonjo^Pia", "horse", None, "M", True, 132),
        BodyPlan(species="horse", lesions=(Spur("p1_3", (6.0, 18.6, 0.8), 3.6),),
                 swellings=(Swelling("MCP3", 7.0, reach=22.0, dorsal_only=True),)),
        tuple(_fetlock_view(name, _FLAT_PANEL) for name in ("DPa", "LM", "D45L-PaMO")),
        "DX", "DEMO26-0004", "Right fore fetlock",
        "Fetlock thick since summer, short in front on the hard", FETLOCK, "FETLOCK",
    )  # fmt: skip


_PLANNED = (_lame_labrador(), _growing_shepherd(), _swollen_carpus(), _spurred_horse())
_DEMOS = {demo.name: demo for demo in (*_PLANNED, _earlier())}
TODAY = tuple(demo.name for demo in _PLANNED)
"""The studies of `demo_studies`."""


@cache
def _exposed(name: str) -> tuple[Exposed, ...]:
    """The images of a demonstration, computed once: only names and dates differ between runs."""
    demo = _DEMOS[name]
    limb = build(demo.body)
    return tuple(take(limb, plan, seed=1000 + n) for n, plan in enumerate(demo.views, start=1))


def _visit(demo: _Demo, seed: str, day: datetime.date) -> Visit:
    return Visit(f"{seed}/{demo.name}", demo.kind, _months_before(day, demo.months_ago),
                 demo.accession, demo.description, demo.reason, demo.region,
                 demo.part)  # fmt: skip


def _made(demo: _Demo, seed: str, day: datetime.date) -> DemoStudy:
    visit = _visit(demo, seed, day)
    exposed = _exposed(demo.name)
    return DemoStudy(
        demo.name,
        demo.sentence,
        tuple(image_object(demo.animal, visit, e, n) for n, e in enumerate(exposed, start=1)),
        tuple(one.truth for one in exposed),
    )


def _months_before(day: datetime.date, count: int) -> datetime.date:
    """Whole months, so that an animal of whole months was born on the same day."""
    if not count:
        return day
    months = day.year * 12 + day.month - 1 - count
    return datetime.date(months // 12, months % 12 + 1, min(day.day, 28))


def demo_study(name: str, *, fresh: bool = True) -> DemoStudy:
    """One of the demonstration studies, by its name; see `demo_studies`."""
    seed = uuid.uuid4().hex if fresh else "demo"
    return _made(_DEMOS[name], seed, datetime.date.today() if fresh else _FIXED_DAY)


def demo_studies(*, fresh: bool = True) -> list[DemoStudy]:
    """The demonstration studies of today.

    Parameters
    ----------
    fresh
        True: new UIDs and today's date, as if just taken, so that a node takes them as new
        studies. False: the same bytes in every run.
    """
    return [demo_study(name, fresh=fresh) for name in TODAY]


def write_demo(folder: Path, *, fresh: bool = True) -> list[DemoStudy]:
    """Writes the demonstration studies as DICOM files, one folder per study."""
    studies = demo_studies(fresh=fresh)
    for study in studies:
        place = folder / study.name.replace(" ", "_")
        place.mkdir(parents=True, exist_ok=True)
        for number, dataset in enumerate(study.datasets, start=1):
            dataset.save_as(place / f"{number:02d}.dcm", enforce_file_format=True)
    return studies


@cache
def _small_limb(species: str) -> Limb:
    return build(_PLANS[species])


@cache
def _small_image(species: str, view: str, side: Side) -> Exposed:
    return take(_small_limb(species), _view(view, side, coarse=5), seed=5)


def small_study(
    *,
    species: str = "dog",
    side: Side = "R",
    views: Sequence[str] = ("DPa", "ML"),
    kind: Kind = "CR",
    seed: str | None = None,
    age_months: int = 60,
    reason: str = "Lame",
) -> list[Dataset]:
    """Cheap datasets (300 by 200 pixels) with complete headers, one per entry of `views`.

    Every species is shown by the dog's limb: the pixels serve for transport and display, only
    the headers differ. `seed` fixes the UIDs; without it they are new each time.
    """
    visit = Visit(
        seed or uuid.uuid4().hex, kind, _FIXED_DAY, "SMALL-0001",
        f"{'Right' if side == 'R' else 'Left'} carpus", reason, CARPUS, "CARPUS",
    )  # fmt: skip
    animal = Animal("Invented^Pixel", "SMALL-1", "Invented^Owner", species, age_months=age_months)
    return [
        image_object(animal, visit, _small_image(species, view, side), number)
        for number, view in enumerate(views, start=1)
    ]


def _no_pixels() -> list[Dataset]:
    images = small_study()
    del images[0].PixelData
    return images


def _no_study_uid() -> list[Dataset]:
    images = small_study()
    del images[0].StudyInstanceUID
    return images


def _unknown_species() -> list[Dataset]:
    images = small_study()
    for image in images:
        del image.PatientSpeciesCodeSequence
        image.PatientSpeciesDescription = "Sea lion"
    return images


def _no_species() -> list[Dataset]:
    images = small_study()
    for image in images:
        del image.PatientSpeciesCodeSequence, image.PatientSpeciesDescription
    return images


def _ten_views() -> list[Dataset]:
    return small_study(views=("DPa", "ML", "D45L-PaMO", "D45M-PaLO", "LM") * 2)


def _contradicting_side() -> list[Dataset]:
    images = small_study(side="R")
    images[1].ImageLaterality = "L"
    return images


def _script_in_names() -> list[Dataset]:
    images = small_study()
    for image in images:
        image.PatientName = "<script>alert(1)</script>^Rex"
        image.ResponsiblePerson = "<img src=x onerror=alert(1)>"
        image.StudyDescription = "<b onmouseover=alert(1)>carpus</b>"
        image.RequestAttributesSequence[0].ReasonForTheRequestedProcedure = "</textarea><script>"
        image.ReasonForVisit = "</textarea><script>alert(1)</script>"
    return images


def _values_against_the_standard() -> list[Dataset]:
    images = small_study()
    study = images[0].StudyInstanceUID
    unfit = {
        "PatientName": "Langname" * 10 + "^Rex",
        "PatientID": "12\\34\x07",
        "AccessionNumber": "A" * 20,
        "StudyInstanceUID": f"1.2.03.{study.rpartition('.')[2]}"[:64],
    }
    for image in images:
        for keyword, value in unfit.items():
            vr = dictionary_VR(keyword)
            image.add(DataElement(keyword, vr, value, validation_mode=config.IGNORE))
    return images


def _no_view() -> list[Dataset]:
    images = small_study()
    for image in images:
        del image.ViewCodeSequence
        image.ViewPosition, image.PatientOrientation = "", None
    return images


BAD_STUDIES: dict[str, Callable[[], list[Dataset]]] = {
    "no pixel data": _no_pixels,
    "no study uid": _no_study_uid,
    "unknown species": _unknown_species,
    "no species": _no_species,
    "one view": lambda: small_study(views=("DPa",)),
    "ten views": _ten_views,
    "contradicting side": _contradicting_side,
    "script in names": _script_in_names,
    "no view": _no_view,
    "values against the standard": _values_against_the_standard,
}
"""What a clinic's network also delivers, by what is wrong with it; each call has new UIDs."""

_SYNTAXES = {"RLE": RLELossless, "JPEG-LS": JPEGLSLossless, "JPEG 2000": JPEG2000Lossless}


def compressed(dataset: Dataset, method: Literal["RLE", "JPEG-LS", "JPEG 2000"]) -> Dataset:
    """A losslessly compressed copy with the same UIDs."""
    copy = deepcopy(dataset)
    copy.compress(_SYNTAXES[method], generate_instance_uid=False)
    return copy


def late_image(study: Sequence[Dataset], view: str = "D45L-PaMO") -> Dataset:
    """One more image of a small study, as it comes in after the others."""
    first = study[0]
    side: Side = "L" if first.ImageLaterality == "L" else "R"
    made = small_study(views=(view,), side=side, kind=first.Modality)[0]
    for keyword in ("StudyInstanceUID", "SeriesInstanceUID", "PatientID", "PatientName"):
        setattr(made, keyword, getattr(first, keyword))
    made.SOPInstanceUID = uid(first.StudyInstanceUID, "late", view)
    made.file_meta.MediaStorageSOPInstanceUID = made.SOPInstanceUID
    made.InstanceNumber = len(study) + 1
    return made
