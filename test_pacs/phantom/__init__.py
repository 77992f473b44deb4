"""Computed radiographs of a dog's, cat's or horse's distal forelimb, whose dimensions are known.

A limb is a set of analytic solids (`solids`, `parts`, `shapes`; `body` puts together what `plan`
says); a cone of rays from the focal spot gives exact path lengths through bone, fat and soft
tissue; Beer-Lambert over the tube's spectrum (`beam`) gives the primary beam; `detector` adds blur,
scatter, noise and the logarithmic scale. `truth` says where each landmark lies.
"""

from test_pacs.phantom.beam import Projection
from test_pacs.phantom.body import Limb, build
from test_pacs.phantom.detector import Detector
from test_pacs.phantom.image import Exposed, ViewPlan, path_lengths, take
from test_pacs.phantom.lesions import Ball, Cavity, Fixed, Spur
from test_pacs.phantom.plan import BodyPlan, Fracture, Species, Swelling
from test_pacs.phantom.truth import Truth

__all__ = [
    "Ball",
    "BodyPlan",
    "Cavity",
    "Detector",
    "Exposed",
    "Fixed",
    "Fracture",
    "Limb",
    "Projection",
    "Species",
    "Spur",
    "Swelling",
    "Truth",
    "ViewPlan",
    "build",
    "path_lengths",
    "take",
]
