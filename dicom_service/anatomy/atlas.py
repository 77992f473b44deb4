"""The atlas: what is known of species, parts, structures, projections, findings, conditions."""

from collections.abc import Iterable, Iterator, Mapping, Sequence

from dicom_service.anatomy.model import (
    Caution,
    Occasion,
    Part,
    Region,
    Source,
    Species,
    Structure,
    View,
    ViewSet,
    Visibility,
    WholeLimb,
)
from dicom_service.anatomy.projections import Projections
from dicom_service.anatomy.reasoning import (
    AggressivenessRule,
    Condition,
    Descriptor,
    NextStep,
)
from dicom_service.anatomy.words import Lexicon
from dicom_service.codes import Code


class Atlas:
    """Everything read from the data files; made by `load_atlas`."""

    def __init__(
        self,
        *,
        species: Sequence[Species],
        parts: Sequence[Part],
        unspecified: Part,
        limb_words: Mapping[str, Sequence[str]],
        limbs: Sequence[WholeLimb],
        sets: Sequence[ViewSet],
        regions: Sequence[Region],
        generic: tuple[Structure, ...],
        views: Sequence[View],
        unsure_words: Sequence[str],
        descriptors: Sequence[Descriptor],
        conditions: Sequence[Condition],
        next_steps: Sequence[NextStep],
        aggressiveness: Sequence[AggressivenessRule],
        cautions: Sequence[Caution],
        sources: Sequence[Source],
    ) -> None:
        """Index what was read; `load_atlas` has checked that it fits together."""
        self.generic = generic
        self.unspecified = unspecified
        self.all_views = tuple(views)
        self.all_cautions = tuple(cautions)
        self.aggressiveness = tuple(aggressiveness)
        self.all_species = tuple(species)
        self._species = {s.id: s for s in species}
        self._parts = {p.id: p for p in parts}
        self._regions = {(r.species, r.id): r for r in regions}
        self._projections = Projections(views, unsure_words)
        self._descriptors = {d.id: d for d in descriptors}
        self._conditions = {c.id: c for c in conditions}
        self._next_steps = {s.id: s for s in next_steps}
        self.all_sources = tuple(sources)
        self._sources = {s.id: s for s in sources}
        self._part_words = {s: Lexicon(self._part_phrases(s)) for s in ("", *self._species)}
        self._limb_words = Lexicon(limb_words)
        self._limbs = {limb.id: limb for limb in limbs}
        self._whole_limb_words = Lexicon({w.id: (w.id, w.name, *w.words) for w in limbs})
        self._sets = {(s, v.region): v for v in sets for s in v.species}
        self._species_words = Lexicon({s.id: (s.id, s.name, *s.words) for s in species})

    # Species and parts of the limb

    def species(self, identity: str | None) -> Species | None:
        """The species with this id."""
        return self._species.get(identity or "")

    def find_species(self, text: str) -> str | None:
        """The id of the only species that `text` names."""
        return _only(self._species_words.all(text))

    def species_of_code(self, value: str, scheme: str = "SCT") -> str | None:
        """The id of the species with this code."""
        return _of_code(self._species.values(), value, scheme)

    def part(self, identity: str) -> Part:
        """The part of the limb with this id; `unspecified` for any other id."""
        return self._parts.get(identity, self.unspecified)

    def find_region(self, text: str, species: str | None = "") -> str | None:
        """The id of the only part of the limb that `text` names, in any of several languages."""
        return _only(self.find_regions(text, species))

    def find_regions(self, text: str, species: str | None = "") -> tuple[str, ...]:
        """The ids of all parts of the limb that `text` names, in order.

        The same word may mean different parts in different species ("metacarpus"); a text that
        also names the hindlimb ("LH fetlock") means the part there.
        """
        found = self._part_words[self._known_species(species)].all(text)
        return self.in_hindlimb(found) if self.limb_named(text) == "hind" else found

    def find_limb(self, text: str, species: str | None = "") -> tuple[str, ...]:
        """The ids of all parts of the only whole limb that `text` names, proximal first."""
        limb = self._limbs.get(_only(self._whole_limb_words.all(text)) or "")
        known = self._known_species(species)
        here = {p.id: i for p, i in self._parts_in(known) if known or not p.species}
        found = (here[part] for part in (limb.parts if limb else ()) if part in here)
        return tuple(dict.fromkeys(found))

    def limb_named(self, text: str) -> str:
        """ "fore" or "hind" when `text` names that limb alone ("LH", "Vorderbein"); else empty."""
        return _only(self._limb_words.all(text)) or ""

    def in_hindlimb(self, ids: Sequence[str]) -> tuple[str, ...]:
        """The parts `ids`, each as it is called in the hindlimb."""
        return tuple(dict.fromkeys(self.part(i).hind or i for i in ids))

    def is_hind_part(self, identity: str) -> bool:
        """Whether this is what a part of the forelimb is called in the hindlimb."""
        return any(part.hind == identity for part in self._parts.values())

    def region_of_code(
        self, value: str, scheme: str = "SCT", species: str | None = ""
    ) -> str | None:
        """The id of the part of the limb with this code, in this species.

        Where the species is not known, the further codes of a part of one species do not count:
        some mean something else in other species (the equine navicular codes are those of the
        human scaphoid and navicular).
        """
        known = self._known_species(species)
        for part, identity in self._parts_in(known):
            further = part.other_codes if known or not part.species else ()
            if (value, scheme) in (part.code.key, *further):
                return identity
        return None

    def _known_species(self, species: str | None) -> str:
        return species if species in self._species else ""

    def _parts_in(self, species: str) -> list[tuple[Part, str]]:
        """Each part with its id in `species`: its own first; in none, those of all first."""
        parts = self._parts.values()
        general = [p for p in parts if not p.species]
        if not species:
            return [(p, p.id) for p in (*general, *(p for p in parts if p.species))]
        own = [p for p in parts if species in p.species]
        instead = {old: p.id for p in own for old in p.replaces}
        return [*((p, p.id) for p in own), *((p, instead.get(p.id, p.id)) for p in general)]

    def _part_phrases(self, species: str) -> dict[str, list[str]]:
        phrases: dict[str, list[str]] = {}
        for part, identity in self._parts_in(species):
            phrases.setdefault(identity, []).extend((part.id, part.name, *part.words))
        return phrases

    def regions(self, species: str | None) -> tuple[str, ...]:
        """The ids of the regions that have structures for `species`."""
        return tuple(region for owner, region in self._regions if owner == species)

    def region(self, species: str | None, identity: str) -> Region | None:
        """The structures of one region of one species; None when there is no file for it."""
        return self._regions.get((species or "", identity))

    # Projections

    def view_labels(self) -> tuple[str, ...]:
        """The labels of the projections that the data files know, in their order."""
        return tuple(view.label for view in self._projections.known)

    def view(self, label: str) -> View | None:
        """The projection with this label; any label of the nomenclature is one."""
        return self._projections.view(label)

    def find_view(self, text: str) -> str | None:
        """The label of the only projection that `text` names.

        `text` may be a label with any angle, a Smallwood name in capitals with underscores
        (D45L_PAMO, as View Position of animals has it), the words of the standard, a common
        abbreviation, or a description that contains one. Two different projections, or an oblique
        that is not known, give None.
        """
        return self._projections.find(text)

    def view_of_code(self, value: str, scheme: str = "SCT", modifier: str = "") -> str | None:
        """The label of the projection with this code, and with this modifier's value if any."""
        return self._projections.of_code(value, scheme, modifier)

    def orthogonal(self, label: str) -> frozenset[str]:
        """The labels of all known projections at about a right angle to `label`."""
        return frozenset(v.label for v in self.all_views if self.are_orthogonal(label, v.label))

    def are_orthogonal(self, one: str, other: str) -> bool:
        """Whether two projections, known or of any angle, are at about a right angle."""
        return self._projections.are_orthogonal(one, other)

    def visibility(self, structure: Structure, label: str) -> Visibility:
        """What projection `label` can show of `structure`; "partly" where nothing is stated."""
        return self._projections.visibility(structure, label)

    def view_set(self, species: str | None, region: str) -> ViewSet | None:
        """The views that a region needs at least in this species; None where nobody says."""
        return self._sets.get((species or "", region))

    def serves_as(self, label: str, wanted: str) -> bool:
        """Whether a view is `wanted` or like it, in the same position."""
        return self._projections.serves_as(label, wanted)

    def is_view_or_like(self, label: str, wanted: str) -> bool:
        """Whether `label` is `wanted` or a projection that is like it."""
        return wanted in self._projections.kin(label)

    # Findings, conditions, cautions, sources

    def descriptors(self, kind_or_section: str = "") -> tuple[Descriptor, ...]:
        """The descriptors of a section ("bone") or a kind of structure ("joint"), or all."""
        return tuple(
            d
            for d in self._descriptors.values()
            if not kind_or_section or kind_or_section in (*d.sections, *d.kinds)
        )

    def descriptor(self, identity: str) -> Descriptor | None:
        """The descriptor with this id."""
        return self._descriptors.get(identity)

    def implied(self, descriptors: Iterable[str]) -> frozenset[str]:
        """The ids of `descriptors` and of all that is said along with them."""
        found: set[str] = set()
        left = list(descriptors)
        while left:
            identity = left.pop()
            if identity not in found:
                found.add(identity)
                known = self._descriptors.get(identity)
                left += known.implies if known else ()
        return frozenset(found)

    def conditions(
        self, species: str | None = None, regions: Sequence[str] = ()
    ) -> tuple[Condition, ...]:
        """The conditions of a species in any of `regions`."""
        return tuple(
            c
            for c in self._conditions.values()
            if (species is None or not c.species or species in c.species)
            and (not regions or any(c.in_region(region) for region in regions))
        )

    def condition(self, identity: str) -> Condition | None:
        """The condition with this id."""
        return self._conditions.get(identity)

    def next_step(self, identity: str) -> NextStep | None:
        """The next step with this id."""
        return self._next_steps.get(identity)

    def cautions(self, when: Occasion) -> tuple[str, ...]:
        """The sentences for one occasion."""
        return tuple(c.text for c in self.all_cautions if c.when == when)

    def source(self, identity: str) -> Source | None:
        """The source with this id."""
        return self._sources.get(identity)

    def codes(self) -> Iterator[Code]:
        """Every code that the data files carry, for the published list of codes."""
        for region in self._regions.values():
            yield from (structure.code for structure in region.structures)
        yield from (structure.code for structure in self.generic)
        yield from (part.code for part in (*self._parts.values(), self.unspecified))
        yield from (species.code for species in self._species.values())
        for view in self.all_views:
            yield view.code
            if view.modifier:
                yield view.modifier
        yield from (d.code for d in self._descriptors.values())
        yield from (c.code for c in self._conditions.values())
        yield from (step.code for step in self._next_steps.values())


def _only(ids: Sequence[str]) -> str | None:
    return ids[0] if len(ids) == 1 else None


def _of_code(things: Iterable[Species], value: str, scheme: str) -> str | None:
    for thing in things:
        if (value, scheme) in (thing.code.key, *thing.other_codes):
            return thing.id
    return None
