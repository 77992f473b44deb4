"""What a limb is like: its species, age and size, and what is broken, swollen or worn."""

from dataclasses import dataclass
from typing import Literal

from test_pacs.phantom.lesions import Ball, Cavity, Fixed, Spur

Species = Literal["dog", "cat", "horse"]


@dataclass(frozen=True)
class Fracture:
    """A complete fracture of a bone with a shaft.

    `at` is the share of the length from proximal, `gap` the distance of the ends in mm, `tilt`
    the slope of the line in degrees, `shift` and `bend` (mm lateral, degrees lateral) move the
    distal fragment and all bones that hang on it.
    """

    bone: str
    at: float = 0.45
    gap: float = 0.6
    tilt: float = 28.0
    shift: float = 0.9
    bend: float = 4.0


@dataclass(frozen=True)
class Swelling:
    """Soft tissue swelling round a joint: `extra` mm at its height, falling off over `reach` mm.

    `lateral_only` and `dorsal_only` put all of it on that side of the limb; `shift` moves its
    height distally by so many mm.
    """

    joint: str
    extra: float
    reach: float = 16.0
    lateral_only: bool = False
    shift: float = 0.0
    dorsal_only: bool = False


@dataclass(frozen=True)
class BodyPlan:
    """What the limb is like; the defaults are a sound adult dog.

    `bipartite` names palmar sesamoids by the number that anatomists give them (1 to 8, medial to
    lateral). `size` scales the whole limb. `flexion` turns all digits at the metacarpophalangeal
    joint, towards palmar; `narrowed` takes mm from joints of the digits, by their names.
    """

    age_months: float = 48.0
    size: float = 1.0
    fractures: tuple[Fracture, ...] = ()
    swellings: tuple[Swelling, ...] = ()
    bipartite: tuple[int, ...] = ()
    species: Species = "dog"
    flexion: float = 0.0
    narrowed: tuple[tuple[str, float], ...] = ()
    lesions: tuple[Spur | Cavity | Fixed, ...] = ()
    balls: tuple[Ball, ...] = ()
