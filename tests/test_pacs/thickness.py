"""How much bone and how much limb each ray of a projection crosses."""

import numpy as np
from numpy.typing import NDArray

from test_pacs.phantom import Limb, Projection
from test_pacs.phantom.parts import trace

Thickness = NDArray[np.float64]


def bone_and_skin(limb: Limb, view: Projection) -> tuple[Thickness, Thickness]:
    """Millimetres along each ray, by rows and columns of the detector."""
    rays = view.rays()
    bone, skin = np.zeros(rays.shape), np.zeros(rays.shape)
    for piece in limb.bones():
        for strip in trace(piece, view, rays):
            bone[strip.rows, strip.columns] += strip.outer
    for strip in trace(limb.union("skin"), view, rays):
        skin[strip.rows, strip.columns] += strip.outer
    return bone, skin
