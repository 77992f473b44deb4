"""The projections of an atlas: recognised in words and codes, compared by their geometry.

A label of the nomenclature that no data file has (D38L-PaMO) is a projection all the same: it is
read, gets a code of ours, shows what the nearest known one shows (`NEAREST_DEGREES`), and is at a
right angle to what its beam says (`RIGHT_ANGLE_DEGREES`).
"""

import re
from collections.abc import Iterable, Mapping, Sequence

from dicom_service.anatomy import nomenclature
from dicom_service.anatomy.model import Structure, View, Visibility
from dicom_service.anatomy.nomenclature import Projection
from dicom_service.anatomy.words import Lexicon, folded, tokens
from dicom_service.codes import SCHEME, Code

NEAREST_DEGREES = 15.0
"""How far the beam of a projection may be from a known one to count as showing the same."""

RIGHT_ANGLE_DEGREES = 20.0
"""How far from 90 degrees two beams may be to count as at a right angle."""

_LONGEST_CODE = 16
_ROUNDING = 1e-6
_MAYBE_LABEL = re.compile(r"[A-Za-z]+[\d°]+[A-Za-z\d]*(?:[-_ ]?[A-Za-z]+)?")


class Projections:
    """Every projection of the data files, and what can be worked out about others."""

    def __init__(self, views: Sequence[View], unsure_words: Iterable[str]) -> None:
        """Index what was read."""
        self.known = tuple(views)
        self._views: dict[str, View] = {v.label: v for v in views}
        self._parsed: Mapping[str, Projection] = {
            v.label: p for v in views if (p := _geometry(v.label)) is not None
        }
        self._words = Lexicon({v.label: _phrases(v) for v in views})
        self._unsure = frozenset(folded(word) for word in unsure_words)

    # Recognising

    def view(self, label: str) -> View | None:
        """The projection with this label, also one that only its nomenclature explains."""
        if label in self._views:
            return self._views[label]
        projection = nomenclature.parse(label)
        if projection is None or nomenclature.label(projection) != label:
            return None
        code = nomenclature.capitals(projection)
        if len(code) > _LONGEST_CODE:  # View Position (CS) and Code Value (SH) hold no more
            return None
        name = nomenclature.spoken(projection)
        return View(label=label, name=name, code=Code(value=code, scheme=SCHEME, meaning=name[:64]))

    def find(self, text: str) -> str | None:
        """The label of the only projection that `text` names."""
        exact = self._words.exact(text)
        if exact is not None:
            return exact
        whole = nomenclature.parse(text) or nomenclature.parse_name(text)
        if whole is not None and self.view(label := nomenclature.label(whole)) is not None:
            return label
        unknown = list(self._labels_in(text))
        hits = self._words.hits(text)
        words = tokens(text)
        read = {i for hit in hits for i in range(hit.start, hit.start + hit.length)}
        spelt = {word for label, _ in unknown for word in tokens(label)}
        if any(w in self._unsure for i, w in enumerate(words) if i not in read):
            return None
        # "D38L-PaMO" holds no other view, even where one of its pieces is a word for one.
        inside = {w for _, piece in unknown for w in tokens(piece)} | spelt
        found = [h.id for h in hits if not set(words[h.start : h.start + h.length]) <= inside]
        return _only(tuple(dict.fromkeys([*found, *(label for label, _ in unknown)])))

    def _labels_in(self, text: str) -> Iterable[tuple[str, str]]:
        """(label, the words for it) of every label with an angle that no data file knows."""
        for piece in _MAYBE_LABEL.findall(text):
            projection = nomenclature.parse(piece)
            if projection is None or self._words.exact(piece) is not None:
                continue
            label = nomenclature.label(projection)
            if label not in self._views and self.view(label) is not None:
                yield label, piece

    def of_code(self, value: str, scheme: str, modifier: str) -> str | None:
        """The label of the projection with this code, and with this modifier's value if any."""
        for view in self.known:
            has = view.modifier.value if view.modifier else ""
            if has == modifier and view.code.key == (value, scheme):
                return view.label
        if modifier:
            return None
        for view in self.known:
            if (value, scheme) in view.other_codes:
                return view.label
        if scheme == SCHEME:
            projection = nomenclature.parse(value)
            label = nomenclature.label(projection) if projection else ""
            return label if projection and self.view(label) else None
        return None

    # Comparing

    def kin(self, label: str) -> tuple[str, ...]:
        """`label` and the projections that it is like, nearest first.

        A label that no data file has is like the nearest known one, and like those that this one
        is like as far as they are near enough, too.
        """
        found: list[str] = []
        if label not in self._views and self.view(label) is not None:
            nearest = self._nearest(label, self._parsed)
            further = self.kin(nearest) if nearest else ()
            return (label, *(name for name in further if self._nearest(label, [name])))
        while label in self._views and label not in found:
            found.append(label)
            label = self._views[label].like
        return tuple(found)

    def serves_as(self, label: str, wanted: str) -> bool:
        """Whether a view is `wanted` or like it, in the same position."""
        return wanted in self.kin(label) and _position(label) == _position(wanted)

    def visibility(self, structure: Structure, label: str) -> Visibility:
        """What projection `label` can show of `structure`; "partly" where nothing is stated.

        Stated for it or for one that it is like; else for the nearest one, in the same position
        before others.
        """
        stated = structure.shows.views
        for name in self.kin(label):
            if name in stated:
                return stated[name]
        nearest = self._nearest(label, stated)
        return stated[nearest] if nearest else "partly"

    def _nearest(self, label: str, among: Iterable[str]) -> str | None:
        """The label of `among` whose beam is nearest, if it is near enough.

        Only names for the same part of the body are compared, so that D45L-PlMO says nothing
        about a forelimb. A view in another position is never the nearest one.
        """
        own = self._geometry_of(label)
        if own is None:
            return None
        near = []
        for other in among:
            projection = self._geometry_of(other)
            position = _position(other)
            if projection is None or position not in ("", _position(label)):
                continue
            if nomenclature.segments(own) & nomenclature.segments(projection):
                angle = nomenclature.degrees_between(own, projection)
                if angle <= NEAREST_DEGREES + _ROUNDING:
                    near.append((position == "", round(angle, 6), other))
        return min(near)[2] if near else None

    def are_orthogonal(self, one: str, other: str) -> bool:
        """Whether two projections are at about a right angle.

        Where a data file lists right angles for either, what it lists holds; between two that
        list nothing of each other, the directions of the beams decide.
        """
        if self.view(one) is None or self.view(other) is None:
            return False
        listed = (self._listed(one), self._listed(other))
        same = (self._same_beam(one), self._same_beam(other))
        if (set(listed[0] or ()) & same[1]) or (set(listed[1] or ()) & same[0]):
            return True
        if None not in listed:
            return False
        beams = self._geometry_of(one), self._geometry_of(other)
        if beams[0] is None or beams[1] is None:
            return False
        angle = nomenclature.degrees_between(beams[0], beams[1])
        return angle >= 90 - RIGHT_ANGLE_DEGREES - _ROUNDING

    def _listed(self, label: str) -> tuple[str, ...] | None:
        """The right angles that data lists for `label` or for the same beam; None: nothing."""
        for name in self.kin(label):
            view = self._views.get(name)
            if view and name in self._same_beam(label) and "orthogonal" in view.model_fields_set:
                return view.orthogonal
        return None

    def _same_beam(self, label: str) -> frozenset[str]:
        """`label` and those of its kin whose beam is the same, whatever the position."""
        own = self._geometry_of(label)
        return frozenset(
            name
            for name in self.kin(label)
            if name == label or (name in self._views and self._parsed.get(name) == own)
        )

    def _geometry_of(self, label: str) -> Projection | None:
        return self._parsed.get(label) or _geometry(label)


def _geometry(label: str) -> Projection | None:
    """The projection of a label without the words for the position in front of it."""
    return nomenclature.parse(label.rsplit(" ", 1)[-1]) if label else None


def _position(label: str) -> str:
    return label.rsplit(" ", 1)[0] if " " in label else ""


def _only(labels: Sequence[str]) -> str | None:
    return labels[0] if len(labels) == 1 else None


def _phrases(view: View) -> tuple[str, ...]:
    """A projection's label, name and words, each also without the O of "oblique"."""
    phrases = (view.label, view.name, *view.words)
    return (*phrases, *(p[:-1] for p in (view.label, *view.words) if p.endswith("O")))
