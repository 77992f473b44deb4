"""Time and memory of every measurement on a 3000 x 2500 image; a table, and JSON with --json."""

import argparse
import json
import resource
import time
from dataclasses import replace
from pathlib import Path
from typing import get_args

import numpy as np

from dicom_service.measure import Measured, MeasureRequest, Picture, measure
from dicom_service.measure.request import Kind
from tests.cli.test_measure import Points, fractured, shown

ROWS, COLUMNS = 3000, 2500
WHOLE_LIMB = ("swelling_profile", "limb_axis")
"""Kinds that look at all of the image: the limb fills it. The others look round their points."""


def enlarged(kind: str) -> tuple[Picture, Points]:
    """What the kind is measured on, as an image of full size."""
    pic, points = shown(kind)
    if kind in WHOLE_LIMB:
        times = 5
        values = np.kron(pic.values, np.ones((times, times), pic.values.dtype))[:ROWS, :COLUMNS]
        spread = (pic.size[0] / times, pic.size[1] / times)
        return replace(pic, values=values, size=spread), tuple(
            (x * times, y * times) for x, y in points
        )
    rows, columns = pic.values.shape
    whole = np.pad(pic.values, ((0, ROWS - rows), (0, COLUMNS - columns)), mode="edge")
    return replace(pic, values=whole), points


def asked(kind: Kind, points: Points) -> MeasureRequest:
    name = "theta" if kind == "limb_measurement" else ""
    return MeasureRequest(kind=kind, points=points, name=name, species="dog", true_mm=25.0)


def timed(kind: Kind) -> dict[str, object]:
    pic, points = enlarged(kind)
    control: Measured | None = None
    if kind == "fracture_angulation":
        across, there = fractured(90.0)
        control = measure(asked(kind, there), across)
    times = []
    for _ in range(3):
        start = time.perf_counter()
        answer = measure(asked(kind, points), pic, control)
        times.append(time.perf_counter() - start)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return {"what": kind, "seconds": round(min(times), 3), "peak_mb": round(peak),
            "refusal": answer.refusal}  # fmt: skip


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--json", type=Path)
    chosen = options.parse_args()
    found = []
    for kind in get_args(Kind):
        line = timed(kind)
        found.append(line)
        print(f"{kind}: {line['seconds']} s, peak {line['peak_mb']} MB {line['refusal']}")
    if chosen.json:
        chosen.json.write_text(json.dumps(found, indent=1) + "\n", "utf-8")


if __name__ == "__main__":
    main()
