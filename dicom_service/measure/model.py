"""What every measurement answers: numbers with uncertainty, what to draw, and why to doubt."""

from typing import Literal

from pydantic import computed_field

from dicom_service.base import Frozen
from dicom_service.errors import Refused
from dicom_service.measure.said import Said
from dicom_service.review.computed import Sentence

Point = tuple[float, float]
Bound = Literal["", "at least", "at most"]


class NotMeasurable(Refused):
    """The image or the points do not allow this number; the sentence says why."""

    def __init__(self, said: Said) -> None:
        super().__init__(str(said))
        self.said = said


class Number(Frozen):
    """One number: `plus_minus` is the half width of its 95 % interval, None when not known."""

    id: str
    name: Said
    value: float
    unit: str
    plus_minus: float | None = None
    bound: Bound = ""


class Drawn(Frozen):
    """Geometry to draw on the image; points are (column, row), pixel corners whole numbers."""

    kind: Literal["line", "outline", "points", "circle"]
    name: str
    points: tuple[Point, ...]
    radius: float = 0.0


class Profile(Frozen):
    """A curve: `values` over `along`, both in `unit`; None where nothing trustworthy was found."""

    name: Said
    unit: str
    along: tuple[float, ...]
    values: tuple[float | None, ...]


class Measured(Frozen):
    """A measurement, or the refusal to give one.

    `numbers[0]` is the headline. `word` is a reading of the numbers, never without `why`.
    `calibration` says what the millimetres are worth. A refused measurement has a sentence in
    `refusal` and no numbers; what was found may still be drawn.
    """

    kind: str
    method: str
    version: str
    calibration: Said = Said()
    numbers: tuple[Number, ...] = ()
    word: Said = Said()
    why: Said = Said()
    drawn: tuple[Drawn, ...] = ()
    profiles: tuple[Profile, ...] = ()
    doubts: tuple[Said, ...] = ()
    refusal: Said = Said()

    @computed_field  # type: ignore[prop-decorator]
    @property
    def said(self) -> tuple[Sentence, ...]:
        """What the sentences and names are made of, each once, for a screen in another language."""
        names = [n.name for n in self.numbers] + [p.name for p in self.profiles]
        spoken = (self.refusal, self.word, self.why, self.calibration, *self.doubts, *names)
        return tuple({s: s.sentence for s in spoken if s.id}.values())

    def number(self, name: str) -> Number:
        """The number with this id."""
        return next(n for n in self.numbers if n.id == name)
