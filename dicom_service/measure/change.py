"""The same measurement at two times or on two limbs: what differs, and what could be seen."""

import math
from collections.abc import Sequence

from dicom_service.base import Frozen
from dicom_service.measure.model import Measured, Number

MAGNIFICATION = 0.05
"""Of a length: how differently two exposures may magnify when neither is corrected (5 cm further
from the detector at 1 m)."""

UNTOLD = "whether anything changed cannot be told:"


class Change(Frozen):
    """A number now against the same number before, or against that of the other limb.

    `detectable` is the smallest difference that both errors together allow to be seen (95 %);
    None when one of them is not known. `real` is None when that cannot be said.
    """

    id: str
    name: str
    unit: str
    before: float
    now: float
    difference: float
    detectable: float | None = None
    real: bool | None = None
    words: str


class Compared(Frozen):
    """All numbers that two measurements have in common, or why they are not compared."""

    changes: tuple[Change, ...] = ()
    doubts: tuple[str, ...] = ()
    refusal: str = ""


class Series(Frozen):
    """One number over time, for a plot: (when, value, error or None), oldest first."""

    id: str
    name: str
    unit: str
    points: tuple[tuple[str, float, float | None], ...]


def compare(before: Measured, now: Measured, than: str = "before") -> Compared:
    """What changed from `before` to `now`, which were made alike.

    `than` says what `before` is in the words: "before", "on the left".

    The errors of both are taken as independent. What is systematic in both (the same image
    processing) would make the smallest detectable difference smaller, never larger.
    """
    why = _unlike(before, now)
    if why:
        return Compared(refusal=why)
    earlier = {n.id: n for n in before.numbers}
    scale = _Scale(before.calibration, now.calibration)
    changes = tuple(
        _change(earlier[n.id], n, than, scale)
        for n in now.numbers
        if n.id in earlier and earlier[n.id].unit == n.unit
    )
    if not changes:
        return Compared(refusal="The two have no number of the same unit in common.")
    doubts = []
    if any(c.unit == "mm" for c in changes):
        if not scale.same:
            doubts.append(f"calibrated differently: {before.calibration}; {now.calibration}")
        elif not scale.sure:
            doubts.append(
                f"magnification is not known: {MAGNIFICATION:.0%} of a length may be another "
                f"distance to the detector, and count as no change"
            )
    return Compared(changes=changes, doubts=tuple(doubts))


def _unlike(before: Measured, now: Measured) -> str:
    if before.refusal or now.refusal:
        which = "earlier" if before.refusal else "later"
        return f"The {which} measurement was not given: {before.refusal or now.refusal}"
    if (before.kind, before.method) != (now.kind, now.method):
        return "Two different measurements are not compared."
    if before.version != now.version:
        return (
            f"They were made by versions {before.version} and {now.version} of the method; "
            f"measure the earlier image again."
        )
    return ""


class _Scale:
    """What the scales of two images allow to be said of a length."""

    def __init__(self, before: str, now: str) -> None:
        sure = all("fiducial" in c or "geometry" in c for c in (before, now))
        self.same = before == now or sure
        self.sure = sure


def _change(before: Number, now: Number, than: str, scale: _Scale) -> Change:
    difference = now.value - before.value
    errors = (before.plus_minus, now.plus_minus)
    common = {"id": now.id, "name": now.name, "unit": now.unit, "before": before.value,
              "now": now.value, "difference": difference}  # fmt: skip
    if before.bound or now.bound:
        return Change(**common, words=f"{UNTOLD} one of the two is only a bound")
    if errors[0] is None or errors[1] is None:
        return Change(**common, words=f"{UNTOLD} the error of one of the two is not known")
    if now.unit == "mm" and not scale.same:
        return Change(**common, words=f"{UNTOLD} the two are calibrated differently")
    blurred = 0.0 if scale.sure or now.unit != "mm" else MAGNIFICATION * abs(before.value)
    least = math.hypot(errors[0], errors[1], blurred)
    real = abs(difference) > least
    more = "more" if difference > 0 else "less"
    words = (
        f"{_said(abs(difference), now.unit)} {more} than {than}"
        if real
        else f"no difference beyond {_said(least, now.unit)}, the smallest that can be detected"
    )
    return Change(**common, detectable=least, real=real, words=words)


def _said(value: float, unit: str) -> str:
    """A difference as people write it."""
    digits = 1 if unit in ("deg", "px", "grey values", "%") else 2
    return f"{value:.{digits}f}" + {"deg": "°", "1": "", "px": " pixels"}.get(unit, f" {unit}")


def series(found: Sequence[tuple[str, Measured]]) -> tuple[Series, ...]:
    """Every number of the latest measurement over time; `found` has sortable dates (ISO)."""
    known = sorted(((when, m) for when, m in found if not m.refusal), key=lambda pair: pair[0])
    if not known:
        return ()
    latest = known[-1][1]
    return tuple(
        Series(id=n.id, name=n.name, unit=n.unit, points=tuple(
            (when, old.value, old.plus_minus)
            for when, m in known if not _unlike(m, latest)
            for old in m.numbers if (old.id, old.unit) == (n.id, n.unit)
        ))
        for n in latest.numbers
    )  # fmt: skip
