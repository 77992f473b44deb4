"""Writes the findings from the observations, in the order in which a referring vet reads.

By section; abnormal first, each with where it was seen and what the other view says of it; then
what is undetermined, variants, what is normal (whole groups in one sentence), what cannot be
assessed and what was not evaluated. Nothing is said that was not observed.
"""

from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby

from dicom_service.anatomy import Atlas
from dicom_service.anatomy import atlas as default_atlas
from dicom_service.intake.model import StudyFacts
from dicom_service.review.aggressiveness import WORDS, aggressiveness
from dicom_service.review.computed import computed_words
from dicom_service.review.coverage import asked_views, open_views
from dicom_service.review.cross import answers, seen_on, views_of
from dicom_service.review.crosscheck import CERTAINTY, state
from dicom_service.review.model import (
    SECTIONS,
    CrossCheck,
    Finding,
    Measurement,
    Observation,
    Reading,
    Section,
    Template,
    TemplateItem,
    Value,
)

HEADINGS: dict[Section, str] = {
    "alignment": "Alignment",
    "bone": "Bones",
    "cartilage": "Joints and physes",
    "devices": "Implants and foreign material",
    "soft_tissue": "Soft tissues",
}
SIDES = {"L": "left", "R": "right", "B": "left and right", "U": "side not stated"}
_PLACES = ("in the ", "reaching ", "not reaching ")
"""How descriptors begin that say where; they follow the others without an "and"."""

_CHECKED: dict[CrossCheck, str] = {
    "confirmed": "confirmed on {}",
    "not_seen": "not confirmed on {} (not seen there)",
    "not_assessable": "not confirmed on {} (not assessable there)",
    "no_such_view": "not confirmed: no view at a right angle",
}


def findings_text(
    facts: StudyFacts, template: Template, reading: Reading, *, atlas: Atlas | None = None
) -> str:
    """The findings in prose, written from the observations only.

    Parameters
    ----------
    facts
        The study; its signalment names the animal's species where no structure list exists.
    template, reading
        What was asked and what was answered. `reading.findings_text` is not looked at.
    """
    writer = Writer(template, reading, atlas or default_atlas())
    parts = []
    for section in SECTIONS:
        items = [item for item in template.items if item.section == section]
        sentences = list(writer.section(items))
        if sentences:
            parts.append(f"{HEADINGS[section]}: {' '.join(sentences)}")
    if not facts.images:
        parts.append("The study has no images that can be read.")
    return "\n\n".join(parts)


class Writer:
    """One template and its reading, with what every sentence needs of them."""

    def __init__(self, template: Template, reading: Reading, known: Atlas) -> None:
        self.known = known
        self.template = template
        self.views = views_of(template)
        self.reading = reading
        self.name_sides = len({item.side for item in template.items}) > 1
        self.findings: dict[tuple[str, str], list[Finding]] = {}
        for finding in reading.findings:
            self.findings.setdefault((finding.item, finding.view), []).append(finding)

    def section(self, items: Sequence[TemplateItem]) -> Iterator[str]:
        """All that is said of one section of the search pattern."""
        for item in items:
            yield from self.abnormal(item)
        for item in items:
            yield from self.measurements(item)
        yield from self.each(items, "undetermined", "Undetermined")
        yield from self.each(items, "variant", "Normal variant")
        yield from self.normal(items)
        yield from self.each(items, "not_assessable", "Not assessable")
        yield from self.not_evaluated(items)
        yield from self.hidden(items)

    def hidden(self, items: Sequence[TemplateItem]) -> Iterator[str]:
        """What the views of the study cannot show."""
        hidden = [self.name(item) for item in items if self._hidden(item)]
        if hidden:
            yield f"Not shown by the views of this study: {'; '.join(hidden)}."

    def brief(self) -> Iterator[str]:
        """Each abnormal structure in a few words, with how sure it is."""
        for item in self.template.items:
            for uid in self.observed(item, "abnormal"):
                found = self.findings.get((item.id, uid), [])
                if not found and not self._confirmed(item, uid):
                    yield f"{self.name(item)} on {self.views[uid].label}, not described further"
                for finding in found:
                    sure = CERTAINTY[state(item, self.views[uid], finding)].words
                    yield f"{self._described(finding)} of {self.name(item)} ({sure})"

    def _hidden(self, item: TemplateItem) -> bool:
        """Whether no view of the study can show `item`, and nobody has seen it all the same."""
        return not asked_views(item) and not self.reading.observations.get(item.id)

    # Names

    def name(self, item: TemplateItem) -> str:
        """The name of `item`, with its side where the study has two."""
        return f"{SIDES[item.side]} {item.name}" if self.name_sides else item.name

    def group(self, item: TemplateItem) -> str:
        """The name of the group of `item`, with its side where the study has two."""
        return f"{SIDES[item.side]} {item.group}" if self.name_sides else item.group

    def labels(self, uids: Iterable[str]) -> str:
        """The labels of these views, in the order of the template."""
        return _listed([self.views[uid].label for uid in self.views if uid in set(uids)])

    def observed(self, item: TemplateItem, value: Value) -> dict[str, Observation]:
        """The observations of `item` that have this value, by view."""
        seen = self.reading.observations.get(item.id, {})
        return {u: o for u, o in seen.items() if o.value == value and u in item.visibility}

    # Sentences

    def abnormal(self, item: TemplateItem) -> Iterator[str]:
        """A sentence for each abnormal observation of `item`."""
        for uid, observation in self.observed(item, "abnormal").items():
            label = self.views[uid].label
            found = self.findings.get((item.id, uid), [])
            if not found and not (self._confirmed(item, uid) and not observation.note):
                text = f"{_capital(self.name(item))}: abnormal on {label}, not described further"
                yield _ended(text, observation.note)
            for finding in found:
                text = f"{_capital(self.name(item))}: {self._described(finding)}; "
                text += self._checked(item, uid, finding)
                yield _ended(text, finding.note, observation.note)

    def _described(self, finding: Finding) -> str:
        found = [self.known.descriptor(identity) for identity in finding.descriptors]
        words = [descriptor.label for descriptor in found if descriptor]
        qualities = [word for word in words if not word.startswith(_PLACES)]
        places = [word for word in words if word.startswith(_PLACES)]
        text = " ".join([_listed(qualities) if qualities else "abnormal", *places])
        judged = aggressiveness(finding, atlas=self.known).word
        pattern = f" ({WORDS[judged]})" if judged else ""
        return f"{finding.severity} {text}{pattern}" if finding.severity else f"{text}{pattern}"

    def _confirmed(self, item: TemplateItem, uid: str) -> bool:
        """Whether a finding on another view, told there, was confirmed on this one."""
        return any(f.item == item.id and uid in seen_on(f) for f in self.reading.findings)

    def _checked(self, item: TemplateItem, uid: str, finding: Finding) -> str:
        view = self.views[uid]
        given = answers(item, view, finding)
        said = []
        for other, answer in given.items():
            label = self.views[other].label
            said.append(_CHECKED[answer].format(label) if answer else f"not yet checked on {label}")
        if not given:
            said.append(_CHECKED["no_such_view"])
        seen = CERTAINTY[state(item, view, finding)].seen
        return f"{seen} {view.label}, {_listed(said)}"

    def measurements(self, item: TemplateItem) -> Iterator[str]:
        """A sentence for each measurement of `item`."""
        for m in self.reading.measurements:
            if m.item == item.id and m.view in item.visibility:
                text = f"{_capital(self.name(item))}: {_measured(m)} on {self.views[m.view].label}"
                yield _ended(f"{text} ({m.calibration or 'calibration not stated'})", m.note)

    def each(self, items: Sequence[TemplateItem], value: Value, heading: str) -> Iterator[str]:
        """One sentence that lists what has this value."""
        said = []
        for item in items:
            seen = self.observed(item, value)
            if seen:
                marked = self._marked(item) if value == "variant" else []
                notes = _notes([*marked, *(o.note for o in seen.values())])
                said.append(f"{self.name(item)} on {self.labels(seen)}{notes}")
        if said:
            yield f"{heading}: {'; '.join(said)}."

    def _marked(self, item: TemplateItem) -> list[str]:
        """What the variants of a structure are called on the images."""
        return [o.name for o in self.reading.outlines if o.item == item.id]

    def normal(self, items: Sequence[TemplateItem]) -> Iterator[str]:
        """What is normal, whole groups in one sentence; `items` are of one section."""
        whole: dict[str, list[str]] = {}
        single: dict[str, list[str]] = {}
        for members in _grouped([item for item in items if not self._hidden(item)]):
            normal = [item for item in members if self._wholly_normal(item)]
            rest = [item for item in members if item not in normal]
            together = len(normal) > 1 or (normal and not rest)
            if together and all(self._set_apart(item) for item in rest):
                other = "other " if rest else ""
                uids = {uid for item in normal for uid in self.observed(item, "normal")}
                name = f"{other}{self.group(members[0])}{self._at_once(normal)}"
                whole.setdefault(self.labels(uids), []).append(name)
                normal = []
            for item in (*normal, *rest):
                seen = self.observed(item, "normal")
                if seen:
                    notes = _notes(o.note for o in seen.values())
                    name = f"{self.name(item)}{self._at_once([item])}{notes}"
                    single.setdefault(self.labels(seen), []).append(name)
        for labels, groups in whole.items():
            if items[0].section == "devices":
                yield f"Nothing abnormal of {_listed(groups)} on {labels} as far as visible."
            else:
                yield f"The {_listed(groups)} are normal on {labels} as far as visible."
        if single:
            said = [f"{', '.join(names)} on {labels}" for labels, names in single.items()]
            yield f"Normal: {'; '.join(said)}."

    def _at_once(self, items: Iterable[TemplateItem]) -> str:
        """What is said of a group that was called normal as a whole."""
        seen = [o for item in items for o in self.observed(item, "normal").values()]
        return " (assessed as a group)" if any(o.by_group for o in seen) else ""

    def _set_apart(self, item: TemplateItem) -> bool:
        """Whether `item` has a sentence of its own, so that "the others" leaves it out."""
        seen = self.reading.observations.get(item.id, {})
        return any(o.value != "normal" for u, o in seen.items() if u in item.visibility)

    def _wholly_normal(self, item: TemplateItem) -> bool:
        """Whether every view that can show `item` was called normal, and nothing was added."""
        seen = self.reading.observations.get(item.id, {})
        return (
            bool(seen)
            and not open_views(item, self.reading)
            and all(o.value == "normal" and not o.note.strip() for o in seen.values())
        )

    def not_evaluated(self, items: Sequence[TemplateItem]) -> Iterator[str]:
        """What could be seen and was not observed."""
        said = []
        for members in _grouped([item for item in items if not self._hidden(item)]):
            untouched = [i for i in members if not self.reading.observations.get(i.id)]
            if len(untouched) == len(members):
                said.append(self.group(members[0]))
                continue
            for item in members:
                missing = open_views(item, self.reading)
                if item in untouched:
                    said.append(self.name(item))
                elif missing:
                    said.append(f"{self.name(item)} on {self.labels(missing)}")
        if said:
            yield f"Not evaluated: {'; '.join(said)}."


def _grouped(items: Sequence[TemplateItem]) -> Iterator[list[TemplateItem]]:
    """Items of one side, part and group together, in the order of their first member."""
    order = {(i.side, i.region, i.group): at for at, i in reversed(list(enumerate(items)))}
    ranked = sorted(items, key=lambda i: order[i.side, i.region, i.group])
    for _, members in groupby(ranked, key=lambda i: (i.side, i.region, i.group)):
        yield list(members)


def _measured(m: Measurement) -> str:
    if m.computed is not None:
        return computed_words(m.computed)
    if m.kind == "angle":
        return f"angle {m.value:.1f}°"
    return f"length {m.value:.1f} {m.unit}"


def _ended(text: str, *notes: str) -> str:
    added = _notes(notes)
    return f"{text}{added}."


def _notes(notes: Iterable[str]) -> str:
    """Notes in brackets, each once, as one line without their full stops."""
    kept = dict.fromkeys(" ".join(note.split()).rstrip(".") for note in notes)
    kept.pop("", None)
    return f" ({'; '.join(kept)})" if kept else ""


def _listed(words: Sequence[str]) -> str:
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
