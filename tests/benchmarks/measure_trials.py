"""Counting trials on phantoms: errors, refusals, and the share within the stated error."""

from collections.abc import Callable, Iterator

import numpy as np

from dicom_service.measure import Measured
from tests.measure.conftest import Shot

DOSES = (300.0, 1700.0, 6000.0)
Tally = dict[str, list[tuple[float, float]]]
"""Of each number its errors (NaN: a bound that holds), and the 95 % that was stated (NaN: none)."""


class Trials:
    """Errors and refusals of one kind of trial."""

    def __init__(self, name: str) -> None:
        self.name, self.count, self.refused = name, 0, 0
        self.errors: Tally = {}

    def add(self, found: Measured, number: str, true: float, label: str = "") -> None:
        """One number against its truth; a bound counts as right when it holds."""
        for one in found.numbers:
            if one.id == number:
                error, stated = one.value - true, one.plus_minus or 0.0
                if one.bound:
                    holds = one.value <= true if one.bound == "at least" else one.value >= true
                    error, stated = (np.nan, 1.0) if holds else (error, 0.0)
                self.errors.setdefault(label or number, []).append((error, stated))

    def rows(self) -> Iterator[dict[str, object]]:
        """One row of the table for each number."""
        for number, pairs in self.errors.items():
            error, stated = np.array(pairs).T
            size = np.abs(error[np.isfinite(error)])
            inside = int(np.sum(~np.isfinite(error) | (np.abs(error) <= stated)))
            known = not np.isnan(stated).all()
            yield {
                "what": f"held out: {self.name}, {number}", "trials": self.count,
                "refused": self.refused, "given": len(pairs),
                "bias": float(np.mean(error[np.isfinite(error)])) if size.size else None,
                "median": float(np.median(size)) if size.size else None,
                "p95": float(np.percentile(size, 95)) if size.size else None,
                "within_stated": f"{inside}/{len(pairs)}" if known else "-",
                "share": inside / len(pairs) if known else None,
            }  # fmt: skip
        if not self.errors:
            yield {"what": f"held out: {self.name}", "trials": self.count, "refused": self.refused}

    def take(self, other: "Trials") -> None:
        """Counts what another process found."""
        self.count += other.count
        self.refused += other.refused
        for number, pairs in other.errors.items():
            self.errors.setdefault(number, []).extend(pairs)


Trial = Callable[[Trials, np.random.Generator], None]


def clicks(shot: Shot, places: object, random: np.random.Generator, sd: float = 1.0
           ) -> tuple[tuple[float, float], ...]:  # fmt: skip
    """Clicks on places of the limb, each wrong by `sd` mm."""
    spots = shot.view.shown(np.asarray(places, float))
    spots = spots + random.normal(scale=sd / shot.pic.fine, size=spots.shape)
    return tuple((float(x), float(y)) for x, y in spots)
