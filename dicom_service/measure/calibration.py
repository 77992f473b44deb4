"""Size of a pixel from an object of known size in the image: a metal ball, or a ruler."""

import math

import numpy as np

from dicom_service.errors import Refused
from dicom_service.intake.model import SpacingKind
from dicom_service.measure._scipy import ndimage, optimize
from dicom_service.measure.model import Drawn, Measured, NotMeasurable, Number, Point
from dicom_service.measure.raster import Array, Picture
from dicom_service.measure.said import Said, say

EDGE_ERROR = 0.3
"""95 % of a ball's measured diameter, mm: the scale of grey values is not known."""
RUNGS: dict[SpacingKind, float | None] = {
    "fiducial": 0.01, "geometry": 0.02, "detector": None, "unknown": None, "none": None,
}  # fmt: skip
"""95 % of a length by where its spacing comes from, relative; None: not known (magnification).

A fiducial one centimetre away from the height of the bone changes lengths by 1 %.
"""


def with_scale_error(found: Measured, pic: Picture, object_error: float = 0.0) -> Measured:
    """The measurement with what its calibration adds to the error of every length.

    `object_error` is the relative 95 % of the size of the object that the scale was taken from.

    Where that is not known (detector plane, unknown) the numbers keep their own error and the
    measurement its doubt.
    """
    relative = RUNGS[pic.rung]
    if relative is None:
        return found

    def wider(number: Number) -> Number:
        if number.unit != "mm" or number.plus_minus is None:
            return number
        whole = math.hypot(relative, object_error)
        error = math.hypot(number.plus_minus, whole * number.value)
        return number.model_copy(update={"plus_minus": error})

    return found.model_copy(update={"numbers": tuple(wider(n) for n in found.numbers)})


def magnification(source_to_detector: float, object_to_detector: float) -> float:
    """How much larger than life an object is shown; both distances in the same unit."""
    if not 0 <= object_to_detector < source_to_detector:
        raise Refused("The object must lie between the source and the detector.")
    return source_to_detector / (source_to_detector - object_to_detector)


def ruler(pic: Picture, first: Point, second: Point, true_mm: float) -> Measured:
    """Pixel size from two marks of a ruler and their true distance."""
    _check_true(true_mm)
    shape = pic.size[1] / pic.size[0]
    pixels = math.hypot(second[0] - first[0], (second[1] - first[1]) * shape)
    if pixels < 50:
        raise NotMeasurable(say("object.marks"))
    # each mark is clicked to about one pixel (sd per coordinate)
    relative = 1.96 * math.sqrt(2) / pixels
    drawn = (Drawn(kind="line", name=f"{true_mm:g} mm", points=(first, second)),)
    return _answer("ruler", pic, true_mm / pixels, relative, drawn, [])


def ball(pic: Picture, true_mm: float, near: Point | None = None) -> Measured:
    """Pixel size from a metal ball of known diameter, clicked near its middle or found."""
    _check_true(true_mm)
    centre = near if near is not None else _find(pic)
    place = np.array(centre, float)
    radius, rms, inliers, oval = 0.0, 0.0, 0.0, 0.0
    for _ in range(3):
        rim = _rim(pic, place)
        place, radius, rms, inliers, oval = _circle(rim)
    if inliers < 0.8 or rms > 1.0:
        raise NotMeasurable(say("object.no_rim", share=inliers, rms=rms))
    doubts = [say("object.height")]
    if oval > 0.015:
        doubts.append(say("object.oval", share=oval))
    relative = math.hypot(EDGE_ERROR / true_mm, 2 * rms / math.sqrt(90) / (2 * radius))
    shown = (Drawn(kind="circle", name="ball", points=((float(place[0]), float(place[1])),),
                   radius=radius),)  # fmt: skip
    return _answer("ball", pic, true_mm / (2 * radius), relative, shown, doubts)


def _check_true(true_mm: float) -> None:
    if not (math.isfinite(true_mm) and 2 <= true_mm <= 1000):
        raise Refused("The true size must be between 2 and 1000 mm.")


def _find(pic: Picture) -> Point:
    """Middle of the one round, dense thing of the image."""
    step = max(1, round(max(pic.values.shape) / 700))
    small = pic.values[::step, ::step]
    low, high = np.percentile(small, [50, 99.95])
    found: list[tuple[float, float]] = []
    for share in (0.4, 0.5, 0.6, 0.7, 0.8, 0.9):
        labels, _ = ndimage.label(small > low + share * (high - low))
        for number, window in enumerate(ndimage.find_objects(labels), 1):
            height, width = (s.stop - s.start for s in window)
            if min(height, width) < 12 or max(height, width) > 1.12 * min(height, width):
                continue
            own = ndimage.binary_fill_holes(labels[window] == number)
            rows, columns = np.nonzero(own)
            # a disc fills pi/4 of its box, and its variance is that of a disc
            filled = own.sum() / (math.pi / 4 * height * width)
            spread = 4 * math.sqrt(float(rows.var() + columns.var()) / 2) / ((height + width) / 2)
            if abs(filled - 1) < 0.05 and abs(spread - 1) < 0.05:
                found.append((window[1].start + width / 2, window[0].start + height / 2))
    if len(found) < 3:
        raise NotMeasurable(say("object.none"))
    places = np.array(found)
    middle = np.median(places, axis=0)
    if np.abs(places - middle).max() > 6:
        raise NotMeasurable(say("object.several"))
    return float(middle[0] * step), float(middle[1] * step)


def _rim(pic: Picture, place: Array) -> Array:
    """Where the linearised intensity falls fastest on rays from the middle, image points."""
    reach = 0.25 * min(pic.values.shape)
    angles = np.radians(np.arange(0, 360, 1.0))
    distance = np.arange(4.0, reach, 0.5)
    rays = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    points = place + distance[None, :, None] * rays[:, None, :]
    values = pic.sample(points * np.array(pic.size))
    values = np.where(np.isfinite(values), values, np.nanmin(values))
    low, high = np.percentile(pic.values[::4, ::4], [0.5, 99.9])
    light = np.exp(-4 * (values - low) / max(float(high - low), 1e-9))
    slope = np.gradient(ndimage.gaussian_filter(light, (0, 2)), axis=1)
    # the first rise that is as strong as any: behind it other things may begin
    strong = slope > 0.6 * slope.max(axis=1, keepdims=True)
    first = strong.argmax(axis=1)
    best = np.array([f + int(np.argmax(slope[i, f : f + 12])) for i, f in enumerate(first)])
    return np.asarray(place + distance[best][:, None] * rays)


def _circle(rim: Array) -> tuple[Array, float, float, float, float]:
    def away(guess: Array) -> Array:
        return np.asarray(np.hypot(rim[:, 0] - guess[0], rim[:, 1] - guess[1]) - guess[2])

    middle = np.median(rim, axis=0)
    start = [*middle, float(np.median(np.hypot(*(rim - middle).T)))]
    fit = optimize.least_squares(away, start, loss="soft_l1", f_scale=0.5).x
    rest = away(fit)
    near = np.abs(rest) < max(1.5, 0.02 * fit[2])
    angle = np.arctan2(rim[:, 1] - fit[1], rim[:, 0] - fit[0])
    second = np.hypot(np.mean(rest[near] * np.cos(2 * angle[near])),
                      np.mean(rest[near] * np.sin(2 * angle[near])))  # fmt: skip
    rms = float(np.sqrt(np.mean(rest[near] ** 2))) if near.any() else math.inf
    return (
        np.asarray(fit[:2], float),
        float(fit[2]),
        rms,
        float(near.mean()),
        float(4 * second / fit[2]),
    )


def _answer(kind: str, pic: Picture, spacing: float, relative: float, drawn: tuple[Drawn, ...],
            doubts: list[Said]) -> Measured:  # fmt: skip
    numbers = (
        Number(id="spacing", name=say(f"{kind}.spacing"), value=spacing, unit="mm",
               plus_minus=spacing * relative),
        Number(id="relative", name=say(f"{kind}.relative"), value=100 * relative, unit="%"),
    )  # fmt: skip
    if pic.unit == "mm":
        ratio = spacing / pic.size[0]
        if not 0.7 < ratio <= 1.05:
            doubts.append(say("object.header", header=pic.size[0], found=spacing))
    return Measured(kind=kind, method=f"sesamoid.{kind}", version="1",
                    calibration=say("calibration.fiducial"),
                    numbers=numbers, drawn=drawn, doubts=tuple(doubts))  # fmt: skip
