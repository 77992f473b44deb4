"""The sides of a limb by their anatomical names, where the image's header tells them."""

from dicom_service.measure.model import Measured
from dicom_service.measure.said import say

ACROSS = 0.9
"""Share of a direction that must lie along rows or columns to have their name (25 degrees)."""


def to_first_side(found: Measured) -> tuple[float, float] | None:
    """Where the first side lies from the limb's axis as drawn: (column, row), of length 1."""
    axis = next((line.points for line in found.drawn if line.name == "axis"), ())
    if len(axis) < 2:
        return None
    across, down = (b - a for a, b in zip(axis[0], axis[-1], strict=True))
    length = (across * across + down * down) ** 0.5
    # the normal of the outlines, whose negative side is the first
    return (-down / length, across / length) if length else None


def named(found: Measured, right: str, down: str) -> Measured:
    """A swelling on one side, with that side's name.

    Parameters
    ----------
    right, down
        The word for where the image's right and its bottom lie in the animal: medial, lateral,
        dorsal, palmar, plantar, cranial or caudal; "" where that is not known, or proximal.
    """
    first = to_first_side(found)
    if found.why.id != "control.focal" or first is None:
        return found
    lean = found.number("lean").value
    across, along = (part * (1 if lean < 0 else -1) for part in first)
    for part, word in ((across, right), (along, down)):
        if word and abs(part) >= ACROSS:
            name = word if part > 0 else _OPPOSITE[word]
            known = {k: v for k, v in found.why.values.items() if isinstance(v, float)}
            share, at = known["share"], known["at"]
            why = say("control.focal", share=share, at=at, side=say(f"word.{name}"))
            return found.model_copy(update={"why": why})
    return found


_OPPOSITE = {
    "medial": "lateral", "lateral": "medial", "palmar": "dorsal", "plantar": "dorsal",
    "cranial": "caudal", "caudal": "cranial", "dorsal": "palmar_or_plantar",
}  # fmt: skip
