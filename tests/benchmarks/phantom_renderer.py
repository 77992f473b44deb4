"""The phantom's rays beside an independent renderer's.

`python -m tests.benchmarks.phantom_renderer`

gVirtualXray (`pip install gvxr`, an OpenGL 4 driver; Mesa's is enough) rasterises triangle
meshes; the phantom solves quadratics. Both get the same bodies, source and detector: an oblong
bone cut off at one end, a hole in it, and the limb round them. Not part of the test extra: it
needs graphics libraries of the system.
"""

import argparse
import json
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull

from test_pacs.phantom.beam import Projection
from test_pacs.phantom.shapes import turned
from test_pacs.phantom.solids import Array, ellipsoid, lathe_segment, union_length

VIEWS = {
    "0 degrees": Projection(0.0, rows=240, columns=200, pixel=0.3, centre=(0, 0, 0)),
    "35 degrees, magnified 1.3": Projection(
        35.0, rows=240, columns=200, pixel=0.3, centre=(0, 0, 0), object_to_detector=230.0
    ),
    "-60 degrees, tilted 12, left": Projection(
        -60.0, "L", 12.0, (1, 2, 3), rows=240, columns=200, pixel=0.3
    ),
}
BONE = turned((20, 35, 10), (4, -3, 6))
"""An oblong bone, oblique in the limb, with a cavity and one end cut off."""
SEMI, HOLE, CUT = (7.0, 5.0, 16.0), (4.0, 3.0, 8.0), 9.0
LIMB = (15.0, 27.0)
"""Radius and half height of the tissue."""


def ours(view: Projection) -> dict[str, Array]:
    """Path lengths through each body by the phantom's solids, in mm."""
    bodies = {
        "bone": ellipsoid(SEMI).clipped((0, 0, 1, -CUT)).moved(BONE),
        "hole": ellipsoid(HOLE).moved(BONE),
        "limb": lathe_segment((LIMB[0] ** 2, 0, 0), (-LIMB[1], LIMB[1]), 1.0),
    }
    rays = view.rays()
    return {n: union_length(body.spans(rays)) * rays.lengths() for n, body in bodies.items()}


def _hull(points: Array, place: Array) -> tuple[Array, NDArray[np.intp]]:
    """Corners and triangles of the convex hull, turned outwards."""
    hull = ConvexHull(points)
    faces = hull.simplices.copy()
    a, b, c = (points[faces[:, i]] for i in range(3))
    inward = np.einsum("ij,ij->i", np.cross(b - a, c - a), hull.equations[:, :3]) < 0
    faces[inward] = faces[inward][:, ::-1]
    return points @ place[:3, :3].T + place[:3, 3], faces


def meshes() -> dict[str, tuple[Array, NDArray[np.intp]]]:
    """The bodies as triangles: points on their surfaces and the hull of these."""
    n = np.arange(30_000) + 0.5
    polar, turn = np.arccos(1 - 2 * n / n.size), np.pi * (1 + 5**0.5) * n
    ball = np.stack([np.cos(turn) * np.sin(polar), np.sin(turn) * np.sin(polar), np.cos(polar)], 1)
    bone = ball * SEMI
    round_ = np.linspace(0, 2 * np.pi, 1500, endpoint=False)
    circle = np.stack([np.cos(round_), np.sin(round_)], axis=1)
    narrow = np.sqrt(1 - (CUT / SEMI[2]) ** 2)
    rim = np.column_stack([circle * SEMI[:2] * narrow, np.full(len(circle), CUT)])
    ends = [np.column_stack([circle * LIMB[0], np.full(len(circle), z)])
            for z in (-LIMB[1], LIMB[1])]  # fmt: skip
    return {
        "bone": _hull(np.vstack([bone[bone[:, 2] < CUT], rim]), BONE),
        "hole": _hull(ball * HOLE, BONE),
        "limb": _hull(np.vstack(ends), np.eye(4)),
    }


def theirs(gvxr: Any, view: Projection) -> dict[str, Array]:
    """The same, rendered from the meshes; rows and columns run as in ours."""
    _, down, towards = view.axes()
    middle = np.array(view.centre)
    source = middle + towards * (view.source_to_detector - view.object_to_detector)
    detector = middle - towards * view.object_to_detector
    gvxr.usePointSource()
    gvxr.setMonoChromatic(40.0, "keV", 1)
    gvxr.setSourcePosition(*map(float, source), "mm")
    gvxr.setDetectorPosition(*map(float, detector), "mm")
    gvxr.setDetectorUpVector(*map(float, -down))
    gvxr.setDetectorNumberOfPixels(view.columns, view.rows)
    gvxr.setDetectorPixelSize(view.pixel, view.pixel, "mm")
    found = {}
    for name in meshes():
        image = 10 * np.array(gvxr.computeLBuffer(name), float)[::-1]  # from cm
        # it looks at the detector from behind, so that a right limb is seen mirrored
        found[name] = image[:, ::-1] if view.side == "R" else image
    return found


def compared(gvxr: Any) -> Iterator[dict[str, object]]:
    """Differences of the path lengths, for each view and body."""
    gvxr.createOpenGLContext()
    for name, (corners, faces) in meshes().items():
        gvxr.makeTriangularMesh(name, corners.ravel().tolist(), faces.ravel().tolist(), "mm")
        gvxr.addPolygonMeshAsInnerSurface(name)
    for words, view in VIEWS.items():
        there = theirs(gvxr, view)
        for name, path in ours(view).items():
            hit = (path > 0) | (there[name] > 0)
            away = np.abs(path - there[name])[hit]
            yield {"view": words, "body": name, "rays": int(hit.sum()),
                   "longest": float(path.max()), "median": float(np.median(away)),
                   "p99": float(np.percentile(away, 99)), "most": float(away.max())}  # fmt: skip


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--json", type=Path)
    chosen = options.parse_args()
    rows = list(compared(import_module("gvxrPython3").gvxr))
    for row in rows:
        print("  ".join(f"{k}={v:.4f}" if isinstance(v, float) else f"{k}={v}"
                        for k, v in row.items()))  # fmt: skip
    if chosen.json:
        chosen.json.write_text(json.dumps(rows, indent=1) + "\n", "utf-8")


if __name__ == "__main__":
    main()
