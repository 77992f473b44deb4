"""What is really in an image: where each landmark lies, in the limb and on the picture."""

from dataclasses import dataclass, replace

import numpy as np

from test_pacs.phantom.beam import Projection
from test_pacs.phantom.body import Limb, Point


@dataclass(frozen=True)
class Truth:
    """The known truth of one image.

    `limb` gives each landmark in limb mm (lateral, dorsal, distal); `image` as (column, row)
    with the middle of the first pixel at (0.5, 0.5). Names are those of the bones (`mc3`,
    `p1_4`, `sesamoid_2`), of the joints (`antebrachiocarpal`, `MCP4`) and of lesions
    (`fracture_p1_4`, `physis_radius`).
    """

    view: str
    magnification: float
    pixel: float
    limb: dict[str, Point]
    image: dict[str, tuple[float, float]]

    def length_on_image(self, first: str, second: str) -> float:
        """Distance of two landmarks on the detector, mm."""
        difference = np.subtract(self.image[first], self.image[second])
        return float(np.hypot(*difference) * self.pixel)

    def turned(self, quarter_turns: int, shape: tuple[int, int]) -> "Truth":
        """The truth of the image turned clockwise; `shape` is that of the unturned image."""
        image = dict(self.image)
        rows, columns = shape
        for _ in range(quarter_turns % 4):
            image = {name: (rows - row, column) for name, (column, row) in image.items()}
            rows, columns = columns, rows
        return replace(self, image=image)


def truth_of(limb: Limb, view: Projection, label: str) -> Truth:
    """The truth of one projection of a limb."""
    image = {}
    for name, point in limb.landmarks.items():
        column, row = view.shown(np.array(point))
        image[name] = (float(column), float(row))
    return Truth(label, view.magnification, view.pixel, dict(limb.landmarks), image)
