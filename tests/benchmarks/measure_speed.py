"""Time and memory of the measurements on a 3000 x 2500 image; a table, and JSON with --json."""

import argparse
import json
import resource
import time
from pathlib import Path

import numpy as np

from dicom_service.intake.model import Spacing
from dicom_service.measure import MeasureRequest, measure, picture
from test_pacs.phantom.bench import Bench
from tests.measure.conftest import shoot_bench, shoot_carpus

SPACING = Spacing(row_mm=0.144, column_mm=0.144, kind="fiducial")


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--json", type=Path)
    chosen = options.parse_args()
    carpus, joint = shoot_carpus(), shoot_bench(Bench(gap=2.0))
    large = np.kron(carpus.pixels, np.ones((5, 5), np.uint16))[:3000, :2500]
    column, row = joint.middle
    whole = np.pad(joint.pixels, ((0, 3000 - 360), (0, 2500 - 300)), mode="edge")
    spread = Spacing(row_mm=0.03, column_mm=0.03, kind="fiducial")
    cases = {
        "swelling profile": ("swelling_profile", (), large, spread),
        "joint space": (
            "joint_space", ((column - 30, row), (column + 30, row)), whole, SPACING
        ),
    }  # fmt: skip
    found = []
    for name, (kind, points, pixels, spacing) in cases.items():
        pic, times = picture(pixels, spacing), []
        for _ in range(3):
            start = time.perf_counter()
            answer = measure(MeasureRequest(kind=kind, points=points), pic)
            times.append(time.perf_counter() - start)
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        found.append({"what": name, "seconds": round(min(times), 3), "peak_mb": round(peak),
                      "refusal": answer.refusal})  # fmt: skip
        print(f"{name}: {min(times):.3f} s, peak {peak:.0f} MB {answer.refusal}")
    if chosen.json:
        chosen.json.write_text(json.dumps(found, indent=1) + "\n", "utf-8")


if __name__ == "__main__":
    main()
