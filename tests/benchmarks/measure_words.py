"""The word of a swelling on limbs of other sizes, excesses, places, doses and turns.

A part of `measure_accuracy`. Every draw has its own plans, so that one seed gives one set.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from dicom_service.measure import Measured, NotMeasurable
from dicom_service.measure.swelling import swelling_profile
from test_pacs.phantom import BodyPlan, Limb, Projection, Species, Swelling, build, path_lengths
from tests.benchmarks.measure_trials import DOSES
from tests.measure.conftest import PIXEL, Shot, shoot

JOINT = "antebrachiocarpal"
KINDS = ("normal-like", "diffuse", "joint-centred", "focal")
EACH, FEW = 16, 3
"""Limbs of each kind in a draw, and in a short one; there one of the other bodies."""
LEAST = 2.5
"""mm of excess from which the word counts."""
REACH, RIM = 30.0, 2.5
"""mm beside the joint where skin must be seen, and mm at the image's border that do not show it."""


@dataclass(frozen=True)
class Site:
    """Where limbs swell, and how far: mm, the least and the most of a draw.

    The film is that of a proper exposure: air beside the skin on both sides, and 36 mm of limb or
    more on both sides of the joint, however it is magnified.
    """

    azimuth: float = 0.0
    species: Species = "dog"
    joint: str = JOINT
    columns: int = 760
    rows: int = 700
    centred: tuple[float, float] = (10, 15)
    one_sided: tuple[float, float] = (7, 10)
    shift: tuple[float, float] = (8, 22)
    scale: float = 1.0
    """Of the body's data to millimetres."""


CAT = Site(species="cat", columns=560, scale=0.47, centred=(7, 11), one_sided=(5, 8), shift=(8, 16))
HORSE = Site(species="horse", joint="MCP3", columns=1280, rows=900)
NARROW = Site(-90.0, columns=470)
"""A film that skin leaves: a word may be missing then, but not wrong."""
SITES = {
    "dorsopalmar": Site(), "mediolateral": Site(-90.0),
    "cat, dorsopalmar": CAT, "cat, mediolateral": replace(CAT, azimuth=-90.0),
    "horse, dorsopalmar": HORSE, "horse, lateromedial": replace(HORSE, azimuth=90.0),
    "mediolateral, skin cut": NARROW,
}  # fmt: skip


@dataclass(frozen=True)
class Exposure:
    """One image of a limb, still to be made."""

    body: BodyPlan
    view: Projection
    quanta: float
    seed: int
    joint: str

    def shot(self) -> Shot:
        """The image."""
        return shoot(build(self.body), self.joint, self.view, self.quanta, self.seed)


@dataclass(frozen=True)
class Pair:
    """A limb and its control."""

    kind: str
    control: Exposure
    limb: Exposure


def drawn(seed: int, name: str) -> list[Pair]:
    """The pairs of one draw."""
    random, pairs, site = np.random.default_rng(seed), [], SITES[name]
    for kind in KINDS:
        for number in range(EACH):
            size, extra = random.uniform(0.85, 1.15), random.uniform(2.5, 5.0)
            shift = random.choice([-1, 1]) * random.uniform(*site.shift)
            reach = {"diffuse": 400.0, "joint-centred": random.uniform(*site.centred)}.get(
                kind, random.uniform(*site.one_sided)
            )
            side = "" if kind != "focal" else "lateral" if site.azimuth == 0 else "dorsal"
            mm = size * site.scale
            swelling = Swelling(site.joint, extra / mm, reach / mm, side == "lateral",
                                shift / mm if side else 0.0, side == "dorsal")  # fmt: skip
            made = [
                _exposure(BodyPlan(species=site.species, swellings=plans, size=size),
                          site, random, number)
                for plans in ((), () if kind == "normal-like" else (swelling,))
            ]  # fmt: skip
            pairs.append(Pair(kind, *made))
    return pairs


def _exposure(body: BodyPlan, site: Site, random: np.random.Generator, number: int) -> Exposure:
    view = Projection(
        site.azimuth + random.uniform(-4, 4), rows=site.rows, columns=site.columns, pixel=PIXEL,
        centre=(0, 0, 0), object_to_detector=random.uniform(5, 200),
    )  # fmt: skip
    return Exposure(body, view, float(random.choice(DOSES)), 5000 + number, site.joint)


def said(pair: Pair) -> Measured:
    """The profile of a limb against its control."""
    found = None
    for exposure in (pair.control, pair.limb):
        shot = exposure.shot()
        try:
            found = swelling_profile(shot.pic, shot.middle, found)
        except NotMeasurable as refusal:
            found = Measured(kind="", method="", version="", refusal=str(refusal))
    assert found is not None
    return found


def seen(pair: Pair) -> tuple[float, bool]:
    """What a side gains at most in this view, mm, and whether all skin near the joint is in both
    images."""
    view, plain = pair.limb.view, replace(pair.limb.body, swellings=())
    before, after = (_edges(body, view) for body in (plain, pair.limb.body))
    gained = ndimage.uniform_filter1d(np.abs(after - before), 9, axis=1)
    control = _edges(pair.control.body, pair.control.view)
    half = view.columns / 2 * PIXEL
    outermost = (
        float(np.abs(edge).max()) * one.magnification
        for edge, one in ((after, view), (control, pair.control.view))
    )
    return float(gained.max()), max(outermost) < half - RIM


def _edges(body: BodyPlan, view: Projection) -> np.ndarray:
    """Skin on both sides of the middle of the image, mm in the limb, row by row near the joint."""
    tissue = tuple(piece for piece in build(body).pieces if piece.tissue == "skin")
    wide = replace(view, columns=2 * view.columns)
    hit = sum(path_lengths(Limb(tissue, {}), wide).values()) > 0
    fine = PIXEL / view.magnification
    hit = hit[np.abs(np.arange(view.rows) - view.rows / 2) * fine <= REACH]
    ends = np.stack([hit.argmax(axis=1), wide.columns - hit[:, ::-1].argmax(axis=1)])
    return (ends - view.columns) * fine


def _counted(pair: Pair) -> tuple[str, str, bool, bool]:
    height, whole = seen(pair)
    return pair.kind, said(pair).word or "refused", height >= LEAST, whole


def chunks(name: str, *, full: bool) -> list[range]:
    """The pairs of a draw that are made, of each kind as many; some at a time."""
    each = EACH if full else FEW if SITES[name].species == "dog" else 1
    return [
        range(first + more, first + min(more + FEW, each))
        for first in range(0, EACH * len(KINDS), EACH)
        for more in range(0, each, FEW)
    ]


def some(name: str, chosen: range, seed: int) -> list[tuple[str, str, bool, bool]]:
    """Of some pairs: what they are, what was said, whether a side gains enough, and whether all of
    it is seen."""
    pairs = drawn(seed, name)
    return [_counted(pairs[index]) for index in chosen]


def rows(name: str, found: Iterable[tuple[str, str, bool, bool]]) -> Iterator[dict[str, object]]:
    """The words of each kind, and how many are right of all, and of those that count."""
    every = list(found)
    for kind in KINDS:
        words = [word for true, word, _, _ in every if true == kind]
        yield {"what": f"word, {name}: {kind}", "said": {w: words.count(w) for w in set(words)}}
    sets = {
        "all": every,
        f"a side gains {LEAST} mm in this view": [one for one in every if one[2]],
        "of these, all skin near the joint in the image": [o for o in every if o[2] and o[3]],
        "without an excess": [one for one in every if one[0] == "normal-like"],
    }
    for label, chosen in sets.items():
        right = sum(true == word for true, word, _, _ in chosen)
        wrong = sum(word not in (true, "cannot tell", "refused") for true, word, _, _ in chosen)
        yield {"what": f"word, {name}: {label}", "right": f"{right}/{len(chosen)}", "wrong": wrong}
