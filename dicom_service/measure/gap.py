"""A lucent line across a bone: contrast, width, step, and whether it is above the noise."""

import numpy as np

from dicom_service.measure._scipy import ndimage, optimize, special
from dicom_service.measure.edges import outer_edge, straight
from dicom_service.measure.model import Drawn, Measured, NotMeasurable, Number, Point, Profile
from dicom_service.measure.raster import Array, Picture
from dicom_service.measure.said import say

METHOD, VERSION = "sesamoid.lucent_line", "2"
REACH = 3.0
"""mm on both sides of the line that are looked at."""
NARROWEST, BOUND = 0.7, 0.9
"""Below the first full width at half depth (mm) the blur sets it; the second bounds the gap."""
SEARCHED = 2.6
"""The best of many places and tilts is deeper than one; without a line this is not exceeded."""
TILT = 12.0
SHIFT_ERROR = 0.35
"""95 % of the step of the bone's edge, mm."""


def lucent_line(pic: Picture, first: Point, second: Point) -> Measured:
    """The lucent line between two points clicked along it.

    The detection limit comes from parallel lines beside it, so the structure of the bone counts
    as noise. The cause of a line (fracture, growth plate, vessel, fold, edge effect) is not told.

    Raises
    ------
    NotMeasurable
        Points too close or at the border, or no line above the detection limit.
    """
    ends = pic.mm([first, second])
    length = float(np.hypot(*(ends[1] - ends[0])))
    if not 3.0 <= length <= 120:
        raise NotMeasurable(say("line.points"))
    forward = (ends[1] - ends[0]) / length
    across = np.array([-forward[1], forward[0]])
    middle, along = ends.mean(axis=0), np.arange(-length / 2, length / 2, 0.25)
    offsets = np.arange(-REACH - 7.0, REACH + 7.0, pic.fine / 2)
    tilt, profile = _sharpest(pic, middle, forward, across, along, offsets)
    centre, sd, depth, start = _dip(profile, offsets)
    limit = _limit(profile, offsets, centre, sd)
    if depth < limit:
        raise NotMeasurable(say("line.none", depth=max(depth, 0.0), limit=limit))
    slope = np.tan(np.radians(tilt))
    line = middle + along[:, None] * forward + (centre + slope * along)[:, None] * across
    found = _answer(pic, line, profile, offsets, (centre, sd, depth, limit, start))
    shifts = _shifts(pic, line, across)
    return found.model_copy(update={"numbers": (*found.numbers, *shifts)})


def _shifts(pic: Picture, line: Array, across: Array) -> tuple[Number, ...]:
    """How far the bone's edge steps across the line at both its ends; none where it is not seen."""
    forward = line[-1] - line[0]
    length = float(np.hypot(*forward))
    forward = forward / length
    numbers = []
    away = np.arange(1.0, 4.6, 0.3)
    for words, end, outward in (("first", line[0], -forward), ("second", line[-1], forward)):
        # from well within the bone: clicks may lie beside it
        start = end - outward * min(4.0, length / 3)
        fits = []
        for sign in (-1.0, 1.0):
            rows = start + sign * away[:, None] * across
            place, _, _ = outer_edge(pic, rows, outward, 12.0)
            fits.append(straight(sign * away, place))
        (one, slope, rough), (other, tilt, uneven) = fits
        if not (max(rough, uneven) < 0.25 and abs(slope - tilt) < 0.25):
            continue
        step = abs(other - one) / np.hypot(1.0, (slope + tilt) / 2)
        numbers.append(Number(id=f"shift_{words}", unit=pic.unit, value=float(step) * pic.per_mm,
                              name=say(f"lucent_line.shift_{words}"),
                              plus_minus=SHIFT_ERROR * pic.per_mm))  # fmt: skip
    return tuple(numbers)


def _sharpest(pic: Picture, middle: Array, forward: Array, across: Array, along: Array,
              offsets: Array) -> tuple[float, Array]:  # fmt: skip
    """The tilt (degrees) at which the mean profile is deepest, and that profile."""
    place = middle + along[:, None, None] * forward + offsets[None, :, None] * across
    values = pic.sample(place)
    if np.isfinite(values).mean() < 0.9:
        raise NotMeasurable(say("line.border"))
    values = np.where(np.isfinite(values), values, np.nanmedian(values))
    step = offsets[1] - offsets[0]
    rows = np.arange(len(along))[:, None]
    best: tuple[float, float, Array] = (-np.inf, 0.0, values.mean(axis=0))
    central = np.abs(offsets) <= 2.0
    for tilt in np.arange(-TILT, TILT + 0.1, 1.0):
        columns = (
            np.arange(len(offsets))[None, :] + np.tan(np.radians(tilt)) * along[:, None] / step
        )
        mean = ndimage.map_coordinates(
            values, [np.broadcast_to(rows, columns.shape), columns], order=1, mode="nearest"
        ).mean(axis=0)
        sharp = ndimage.gaussian_filter1d(mean, 0.3 / step, order=2)[central].max()
        if sharp > best[0]:
            best = (float(sharp), float(tilt), mean)
    return best[1], best[2]


def _model(x: Array, centre: float, sd: float, depth: float, base: float, tilt: float) -> Array:
    return np.asarray(base + tilt * x - depth * np.exp(-0.5 * ((x - centre) / sd) ** 2))


def _dip(profile: Array, offsets: Array) -> tuple[float, float, float, Array]:
    near = np.abs(offsets) <= REACH
    x, y = offsets[near], profile[near]
    step = offsets[1] - offsets[0]
    bend = ndimage.gaussian_filter1d(y, 0.3 / step, order=2)
    bend[np.abs(x) > 2.0] = -np.inf
    at = float(x[int(bend.argmax())])
    guess = (at, 0.3, max(1.0, float(np.median(y) - y[int(bend.argmax())])), float(y.mean()), 0.0)
    bounds = ([at - 0.8, 0.08, 0.0, -np.inf, -np.inf], [at + 0.8, 1.5, np.inf, np.inf, np.inf])
    try:
        fit, _ = optimize.curve_fit(_model, x, y, guess, bounds=bounds, max_nfev=400)
    except RuntimeError:
        raise NotMeasurable(say("line.no_shape")) from None
    return float(fit[0]), float(fit[1]), float(fit[2]), np.asarray(fit)


def _slot(profile: Array, offsets: Array, bell: Array) -> float:
    """Width of a slot with parallel walls behind the blur, from the fitted bell curve on.

    A slot wider than the blur has a flat floor: a bell curve through it is too narrow.
    """
    near = np.abs(offsets) <= REACH

    def blurred(x: Array, centre: float, width: float, blur: float, depth: float, base: float,
                tilt: float) -> Array:  # fmt: skip
        walls = [(x - centre + side * width / 2) / (2**0.5 * blur) for side in (1, -1)]
        dip = 0.5 * (special.erf(walls[0]) - special.erf(walls[1]))
        return np.asarray(base + tilt * x - depth * dip)

    centre, sd, depth, base, tilt = bell
    guess = (centre, 2.3548 * sd, 0.2, depth, base, tilt)
    low = (centre - 0.8, 0.3, 0.05, 0.0, -np.inf, -np.inf)
    high = (centre + 0.8, 5.5, 0.8, np.inf, np.inf, np.inf)
    try:
        fit, _ = optimize.curve_fit(blurred, offsets[near], profile[near], guess,
                                    bounds=(low, high), max_nfev=400)  # fmt: skip
    except RuntimeError:
        raise NotMeasurable(say("line.no_shape")) from None
    return float(fit[1])


def _limit(profile: Array, offsets: Array, centre: float, sd: float) -> float:
    """What a dip must exceed: 98 % of the dips that a template finds beside the line."""
    step = offsets[1] - offsets[0]
    template = np.exp(-0.5 * (np.arange(-1.0, 1.0 + step, step) / max(sd, 0.2)) ** 2)
    template -= template.mean()
    template /= (template**2).sum()
    found = -np.convolve(profile, template[::-1], "valid")
    place = offsets[len(template) // 2 : len(template) // 2 + len(found)]
    beside = (np.abs(place - centre) > 2.5) & (np.abs(place) < REACH + 5.5)
    return SEARCHED * float(np.percentile(np.abs(found[beside]), 98))


def _answer(pic: Picture, line: Array, profile: Array, offsets: Array,
            found: tuple[float, float, float, float, Array]) -> Measured:  # fmt: skip
    centre, sd, depth, limit, start = found
    bell, per, unit = 2.3548 * sd, pic.per_mm, pic.unit
    narrow = bell < NARROWEST
    width = bell if narrow else _slot(profile, offsets, start)
    beyond = [_beside(profile, sign * (offsets - centre), 2.5 * sd + 0.2) for sign in (-1, 1)]
    numbers = (
        Number(id="width", name=say("lucent_line.width"),
               value=(BOUND if narrow else width) * per, unit=unit,
               plus_minus=None if narrow else 0.25 * per, bound="at most" if narrow else ""),
        Number(id="depth", name=say("lucent_line.depth"), value=depth, unit="grey values"),
        Number(id="limit", name=say("lucent_line.limit"), value=limit, unit="grey values"),
        Number(id="area", name=say("lucent_line.area"), value=depth * bell / 0.9394 * per,
               unit=f"grey values x {unit}"),
        Number(id="step", name=say("lucent_line.step"),
               value=beyond[1] - beyond[0], unit="grey values"),
    )  # fmt: skip
    doubts = [*pic.doubts, say("line.alike")]
    if abs(beyond[1] - beyond[0]) > depth:
        doubts.append(say("line.edge"))
    near = np.abs(offsets) <= REACH
    curve = Profile(name=say("curve.line_brightness"), unit="grey values",
                    along=tuple(round(float(o) * per, 3) for o in offsets[near]),
                    values=tuple(round(float(v), 2) for v in profile[near]))  # fmt: skip
    return Measured(kind="lucent_line", method=METHOD, version=VERSION,
                    calibration=pic.calibration, numbers=numbers,
                    drawn=(Drawn(kind="line", name="line", points=pic.points(line[[0, -1]])),),
                    profiles=(curve,), doubts=tuple(doubts))  # fmt: skip


def _beside(profile: Array, away: Array, start: float) -> float:
    return float(np.median(profile[(away > start) & (away < start + 1.5)]))
