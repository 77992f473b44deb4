"""Takes one radiograph of a limb."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from test_pacs.phantom.beam import Projection, Side, transmitted
from test_pacs.phantom.body import Limb
from test_pacs.phantom.detector import Detector, field_of_view
from test_pacs.phantom.marker import lead_thickness
from test_pacs.phantom.parts import Tissue, trace
from test_pacs.phantom.solids import Array
from test_pacs.phantom.truth import Truth, truth_of

AZIMUTHS = {"DPa": 0.0, "ML": -90.0, "LM": 90.0, "D45L-PaMO": 45.0, "D45M-PaLO": -45.0}
"""Where the tube stands, from dorsal towards lateral, by the view's name."""


@dataclass(frozen=True)
class ViewPlan:
    """One image to be taken.

    `quarter_turns` turns the stored image clockwise (a cassette put in sideways); `margin` is
    the width of the collimator's shadow in mm (top, right, bottom, left), `letter` the side
    marker, or "" for none.
    """

    name: str
    side: Side = "R"
    projection: Projection = field(default_factory=lambda: Projection(0.0))
    detector: Detector = field(default_factory=Detector)
    margin: tuple[float, float, float, float] = (3.0, 5.0, 4.0, 5.5)
    letter: str = "R"
    marker_at: tuple[float, float] = (0.1, 0.08)
    """Upper left corner of the letter as shares of the columns and rows."""
    quarter_turns: int = 0


@dataclass(frozen=True)
class Exposed:
    """A radiograph and its truth."""

    pixels: NDArray[np.uint16]
    truth: Truth
    plan: ViewPlan


def path_lengths(limb: Limb, view: Projection) -> dict[str, Array]:
    """Millimetres of each material in front of every pixel.

    Trabecular bone is counted as its share of cortical bone, the rest of it as marrow fat. An
    implant displaces what it lies in where the bone was drilled for it (`metal.drilled`).
    """
    rays = view.rays()
    layers: tuple[Tissue, ...] = ("skin", "fat", "deep", "pad", "metal")
    by_tissue = {tissue: np.zeros(rays.shape) for tissue in (*layers, "bone")}
    marrow, mineral = np.zeros(rays.shape), np.zeros(rays.shape)
    for tissue in layers:
        body = limb.union(tissue)
        for strip in trace(body, view, rays) if body.parts else ():
            # a pad is a sheet: the space between two surfaces
            by_tissue[tissue][strip.rows, strip.columns] += strip.outer - strip.inner
    for bone in limb.bones():
        for strip in trace(bone, view, rays):
            window = strip.rows, strip.columns
            by_tissue["bone"][window] += strip.outer
            mineral[window] += strip.outer - strip.inner + strip.trabecular
            marrow[window] += strip.inner - strip.trabecular
    layer = by_tissue["fat"] - by_tissue["deep"]
    layer = layer + by_tissue["pad"]
    metal = by_tissue["metal"]
    soft = by_tissue["skin"] - layer - by_tissue["bone"] - metal
    lengths = {
        "cortical_bone": mineral,
        "adipose": layer + marrow,
        "soft_tissue": np.maximum(soft, 0.0),
    }
    return {**lengths, "iron": metal} if metal.any() else lengths


def take(limb: Limb, plan: ViewPlan, seed: int) -> Exposed:
    """The radiograph of a limb; the same seed gives the same pixels."""
    view, detector = plan.projection, plan.detector
    shape = (view.rows, view.columns)
    lengths = path_lengths(limb, view)
    lengths["lead"] = np.zeros(shape)
    if plan.letter:
        corner = (plan.marker_at[0] * view.columns, plan.marker_at[1] * view.rows)
        lengths["lead"] = lead_thickness(shape, plan.letter, corner, 11.0, view.pixel)
    primary = transmitted(lengths)
    top, right, bottom, left = (m / view.pixel for m in plan.margin)
    edges = (top, view.columns - right, view.rows - bottom, left)
    field_share = field_of_view(shape, edges, penumbra=0.5 / view.pixel)
    exposure = detector.exposed(primary, field_share, view.pixel, view.magnification)
    pixels = detector.read(exposure, field_share, view.pixel, np.random.default_rng(seed))
    truth = truth_of(limb, view, plan.name)
    turned = np.ascontiguousarray(np.rot90(pixels, -plan.quarter_turns))
    return Exposed(turned, truth.turned(plan.quarter_turns, shape), plan)
