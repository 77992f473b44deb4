"""The same measurement at two times or on two limbs: what differs, and what could be seen."""

import math
from collections.abc import Sequence

from pydantic import computed_field

from dicom_service.base import Frozen
from dicom_service.measure.model import Measured, Number
from dicom_service.measure.said import Said, say
from dicom_service.review.computed import Sentence

MAGNIFICATION = 0.05
"""Of a length: how differently two exposures may magnify when neither is corrected (5 cm further
from the detector at 1 m)."""


class Change(Frozen):
    """A number now against the same number before, or against that of the other limb.

    `detectable` is the smallest difference that both errors together allow to be seen (95 %);
    None when one of them is not known. `real` is None when that cannot be said.
    """

    id: str
    name: Said
    unit: str
    before: float
    now: float
    difference: float
    detectable: float | None = None
    real: bool | None = None
    words: Said


class Compared(Frozen):
    """All numbers that two measurements have in common, or why they are not compared."""

    changes: tuple[Change, ...] = ()
    doubts: tuple[Said, ...] = ()
    refusal: Said = Said()

    @computed_field  # type: ignore[prop-decorator]
    @property
    def said(self) -> tuple[Sentence, ...]:
        """What the sentences are made of, each once, for a screen in another language."""
        changes = (words for change in self.changes for words in (change.name, change.words))
        spoken = (self.refusal, *self.doubts, *changes)
        return tuple({s: s.sentence for s in spoken if s.id}.values())


class Series(Frozen):
    """One number over time, for a plot: (when, value, error or None), oldest first."""

    id: str
    name: Said
    unit: str
    points: tuple[tuple[str, float, float | None], ...]


def compare(before: Measured, now: Measured, than: Said | None = None) -> Compared:
    """What changed from `before` to `now`, which were made alike.

    `than` says what `before` is in the words: "before" (if nothing is given), "on the left".

    The errors of both are taken as independent. What is systematic in both (the same image
    processing) would make the smallest detectable difference smaller, never larger.
    """
    why = _unlike(before, now)
    if why is not None:
        return Compared(refusal=why)
    earlier = {n.id: n for n in before.numbers}
    scale = _Scale(before.calibration, now.calibration)
    changes = tuple(
        _change(earlier[n.id], n, than or say("word.before"), scale)
        for n in now.numbers
        if n.id in earlier and earlier[n.id].unit == n.unit
    )
    if not changes:
        return Compared(refusal=say("change.nothing_common"))
    doubts = []
    if any(c.unit == "mm" for c in changes):
        if not scale.same:
            doubts.append(say("change.scales", before=before.calibration, now=now.calibration))
        elif not scale.sure:
            doubts.append(say("change.magnification", share=MAGNIFICATION))
    return Compared(changes=changes, doubts=tuple(doubts))


def _unlike(before: Measured, now: Measured) -> Said | None:
    if before.refusal:
        return say("change.earlier_refused", why=before.refusal)
    if now.refusal:
        return say("change.later_refused", why=now.refusal)
    if (before.kind, before.method) != (now.kind, now.method):
        return say("change.other_kind")
    if before.version != now.version:
        return say("change.versions", before=before.version, now=now.version)
    return None


class _Scale:
    """What the scales of two images allow to be said of a length."""

    def __init__(self, before: str, now: str) -> None:
        sure = all("fiducial" in c or "geometry" in c for c in (before, now))
        self.same = before == now or sure
        self.sure = sure


def _change(before: Number, now: Number, than: Said, scale: _Scale) -> Change:
    difference = now.value - before.value
    errors = (before.plus_minus, now.plus_minus)
    common = {"id": now.id, "name": now.name, "unit": now.unit, "before": before.value,
              "now": now.value, "difference": difference}  # fmt: skip
    if before.bound or now.bound:
        return Change(**common, words=say("change.bound"))
    if errors[0] is None or errors[1] is None:
        return Change(**common, words=say("change.no_error"))
    if now.unit == "mm" and not scale.same:
        return Change(**common, words=say("change.untold_scales"))
    blurred = 0.0 if scale.sure or now.unit != "mm" else MAGNIFICATION * abs(before.value)
    least = math.hypot(errors[0], errors[1], blurred)
    real = abs(difference) > least
    words = say("change.none", least=_said(least, now.unit))
    if real:
        by = _said(abs(difference), now.unit)
        more = difference > 0
        words = (say("change.more", by=by, than=than) if more
                 else say("change.less", by=by, than=than))  # fmt: skip
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
            for when, m in known if _unlike(m, latest) is None
            for old in m.numbers if (old.id, old.unit) == (n.id, n.unit)
        ))
        for n in latest.numbers
    )  # fmt: skip
