"""From the primary beam to the numbers of an image file.

Blur of focal spot and detector, a scatter veil, quantum noise, and a logarithmic 12-bit scale.
Scatter is a model (a broad veil in proportion to what the limb takes out of the beam), not a
calculation; everything before it is.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from test_pacs.phantom._scipy import ndimage
from test_pacs.phantom.solids import Array

Photometric = Literal["MONOCHROME1", "MONOCHROME2"]


@dataclass(frozen=True)
class Detector:
    """How the image is taken; lengths in mm.

    `quanta` is the mean number of quanta per pixel in the open beam (300 noisy, 1700 usual,
    6000 clean). `gain` is grey values per factor e of exposure; it and `open_field` are those of 12
    bits. `sharpen` is the strength of the edge enhancement that a maker applies for presentation;
    0 leaves the physics alone. `shutter` blackens what lies behind the collimator, as makers of
    flat panels do for presentation.
    """

    focal_spot: float = 0.6
    blur: float = 0.11
    scatter_fraction: float = 0.12
    scatter_reach: float = 18.0
    quanta: float = 1700.0
    gain: float = 1250.0
    open_field: int = 300
    sharpen: float = 0.0
    shutter: bool = False
    photometric: Photometric = "MONOCHROME2"
    bits: int = 12

    @property
    def largest(self) -> int:
        """The largest pixel value."""
        return int(2**self.bits - 1)

    def point_spread(self, pixel: float, magnification: float) -> float:
        """Standard deviation of the whole blur, in pixels."""
        # a uniform square spot of width w has the standard deviation w / sqrt(12)
        spot = self.focal_spot * (magnification - 1) / np.sqrt(12)
        return float(np.hypot(self.blur, spot) / pixel)

    def exposed(self, primary: Array, field: Array, pixel: float, magnification: float) -> Array:
        """Exposure of each pixel without noise; the open beam in the field is about 1."""
        beam = ndimage.gaussian_filter(primary, self.point_spread(pixel, magnification))
        # scatter comes from the limb: half of what it takes away, spread widely
        coarse = max(1, round(2.0 / pixel))
        taken = (field * (1 - primary))[::coarse, ::coarse]
        veil = ndimage.gaussian_filter(taken, self.scatter_reach / (pixel * coarse))
        zoom = [full / small for full, small in zip(primary.shape, veil.shape, strict=True)]
        veil = ndimage.zoom(veil, zoom, order=1)[: primary.shape[0], : primary.shape[1]]
        return np.asarray(beam * field + self.scatter_fraction * veil)

    def read(
        self, exposure: Array, field: Array, pixel: float, random: np.random.Generator
    ) -> NDArray[np.uint16]:
        """Pixel values: quantum noise, logarithm, rounding."""
        noisy = random.poisson(np.maximum(exposure, 0) * self.quanta) / self.quanta
        density = -np.log(np.maximum(noisy, 0.25 / self.quanta))
        if self.sharpen:
            smooth = ndimage.gaussian_filter(density, 1.2 / pixel)
            density = density + self.sharpen * (density - smooth)
        # gain and open field are those of 12 bits
        deep = 2.0 ** (self.bits - 12)
        values = np.clip(np.rint(deep * (self.open_field + self.gain * density)), 0, self.largest)
        if self.shutter:
            values = np.where(field > 0.5, values, 0)
        if self.photometric == "MONOCHROME1":
            values = self.largest - values
        return np.asarray(values, np.uint16)


def field_of_view(shape: tuple[int, int], edges: tuple[float, float, float, float], penumbra: float,
                  leak: float = 0.004) -> Array:  # fmt: skip
    """Share of the beam that passes the collimator: `edges` = top, right, bottom, left in pixels.

    The blades' shadow rises over `penumbra` pixels; `leak` is what lead lets through.
    """
    top, right, bottom, left = edges
    rows, columns = (np.arange(n, dtype=float) for n in shape)

    def rise(distance: Array) -> Array:
        return np.clip(0.5 + distance / penumbra, 0.0, 1.0)

    down = rise(rows - top) * rise(bottom - rows)
    across = rise(columns - left) * rise(right - columns)
    return np.asarray(leak + (1 - leak) * down[:, None] * across[None, :])
