"""The word of a swelling on limbs of other sizes, excesses, places, doses and turns.

A part of `measure_accuracy`. Every draw has its own plans, so that one seed gives one set.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from dicom_service.measure import Measured, NotMeasurable
from dicom_service.measure.swelling import swelling_profile
from test_pacs.phantom import BodyPlan, Limb, Projection, Swelling, build, path_lengths
from tests.benchmarks.measure_trials import DOSES, SHARE
from tests.measure.conftest import PIXEL, Shot, shoot

JOINT = "antebrachiocarpal"
KINDS = ("normal-like", "diffuse", "joint-centred", "focal")
EACH = 16
"""Limbs of each kind."""
FROM = {"dorsopalmar": 0.0, "mediolateral": -90.0}
LEAST = 2.5
"""mm of excess from which the word counts."""
REACH, RIM = 30.0, 1.0
"""mm beside the joint where skin must be seen, and from the image's border that do not show it."""


@dataclass(frozen=True)
class Exposure:
    """One image of a limb, still to be made."""

    body: BodyPlan
    view: Projection
    quanta: float
    seed: int

    def shot(self) -> Shot:
        """The image."""
        return shoot(build(self.body), JOINT, self.view, self.quanta, self.seed)


@dataclass(frozen=True)
class Pair:
    """A limb and its control."""

    kind: str
    control: Exposure
    limb: Exposure


def drawn(seed: int, view: str) -> list[Pair]:
    """The pairs of one draw."""
    random, pairs = np.random.default_rng(seed), []
    for kind in KINDS:
        for number in range(EACH):
            size, extra = random.uniform(0.85, 1.15), random.uniform(2.5, 5.0)
            shift = random.choice([-1, 1]) * random.uniform(8, 22)
            reach = {"diffuse": 400.0, "joint-centred": random.uniform(10, 15)}.get(
                kind, random.uniform(7, 10)
            )
            side = "" if kind != "focal" else "dorsal" if view == "mediolateral" else "lateral"
            swelling = Swelling(JOINT, extra / size, reach / size, side == "lateral",
                                shift / size if side else 0.0, side == "dorsal")  # fmt: skip
            made = [
                _exposure(BodyPlan(swellings=plans, size=size), FROM[view], random, number)
                for plans in ((), () if kind == "normal-like" else (swelling,))
            ]
            pairs.append(Pair(kind, *made))
    return pairs


def _exposure(body: BodyPlan, azimuth: float, random: np.random.Generator, number: int) -> Exposure:
    view = Projection(azimuth + random.uniform(-4, 4), rows=620, columns=560, pixel=PIXEL,
                      centre=(0, 0, 0), object_to_detector=random.uniform(5, 200))  # fmt: skip
    return Exposure(body, view, float(random.choice(DOSES)), 5000 + number)


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
    """What a side gains at most in this view, mm, and whether all skin near the joint is seen."""
    wide = replace(pair.limb.view, columns=2 * pair.limb.view.columns)
    fine = PIXEL / wide.magnification
    # each side's last ray through tissue, row by row
    edges = [_edges(build(body), wide) * fine for body in (replace(pair.limb.body, swellings=()),
                                                           pair.limb.body)]  # fmt: skip
    near = np.abs(np.arange(wide.rows) - wide.rows / 2) * fine <= REACH
    gained = np.abs(edges[1] - edges[0])[:, near]
    smooth = np.apply_along_axis(np.convolve, 1, gained, np.ones(9) / 9, "valid")
    half = wide.columns / 4 * fine - RIM
    return float(smooth.max()), bool((np.abs(edges[1])[:, near] < half).all())


def _edges(limb: Limb, view: Projection) -> np.ndarray:
    tissue = Limb(tuple(piece for piece in limb.pieces if piece.tissue == "skin"), {})
    hit = sum(path_lengths(tissue, view).values()) > 0
    middle = view.columns / 2
    first = hit.argmax(axis=1) - middle
    last = view.columns - hit[:, ::-1].argmax(axis=1) - middle
    return np.stack([first, last])


def _counted(pair: Pair) -> tuple[str, str, bool, bool]:
    height, whole = seen(pair)
    return pair.kind, said(pair).word or "refused", height >= LEAST, whole


def chunks(*, full: bool) -> list[range]:
    """The pairs of a draw that are made, of each kind as many."""
    each = EACH if full else -(-EACH // SHARE)
    return [range(first, first + each) for first in range(0, EACH * len(KINDS), EACH)]


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
