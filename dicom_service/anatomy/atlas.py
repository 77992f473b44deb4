"""The atlas: what is known of species, parts, structures, projections, findings, conditions."""

from collections.abc import Iterable, Iterator, Sequence

from dicom_service.anatomy.model import (
    Caution,
    Condition,
    Descriptor,
    Occasion,
    Part,
    Region,
    Source,
    Species,
    Structure,
    View,
    Visibility,
)
from dicom_service.anatomy.projections import Projections
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
        regions: Sequence[Region],
        generic: tuple[Structure, ...],
        views: Sequence[View],
        unsure_words: Sequence[str],
        descriptors: Sequence[Descriptor],
        conditions: Sequence[Condition],
        cautions: Sequence[Caution],
        sources: Sequence[Source],
    ) -> None:
        """Index what was read; `load_atlas` has checked that it fits together."""
        self.generic = generic
        self.unspecified = unspecified
        self.all_views = tuple(views)
        self.all_cautions = tuple(cautions)
        self.all_species = tuple(species)
        self._species = {s.id: s for s in species}
        self._parts = {p.id: p for p in parts}
        self._regions = {(r.species, r.id): r for r in regions}
        self._projections = Projections(views, unsure_words)
        self._descriptors = {d.id: d for d in descriptors}
        self._conditions = {c.id: c for c in conditions}
        self._sources = {s.id: s for s in sources}
        self._part_words = Lexicon({p.id: (p.id, p.name, *p.words) for p in parts})
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

    def find_region(self, text: str) -> str | None:
        """The id of the only part of the limb that `text` names, in any of several languages."""
        return _only(self.find_regions(text))

    def find_regions(self, text: str) -> tuple[str, ...]:
        """The ids of all parts of the limb that `text` names, in order."""
        return self._part_words.all(text)

    def region_of_code(self, value: str, scheme: str = "SCT") -> str | None:
        """The id of the part of the limb with this code."""
        return _of_code(self._parts.values(), value, scheme)

    def regions(self, species: str | None) -> tuple[str, ...]:
        """The ids of the regions that have structures for `species`."""
        return tuple(region for owner, region in self._regions if owner == species)

    def region(self, species: str | None, identity: str) -> Region | None:
        """The structures of one region of one species; None when there is no file for it."""
        return self._regions.get((species or "", identity))

    # Projections

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

    def conditions(
        self, species: str | None = None, regions: Sequence[str] = ()
    ) -> tuple[Condition, ...]:
        """The conditions of a species in any of `regions`."""
        return tuple(
            c
            for c in self._conditions.values()
            if (species is None or species in c.species)
            and (not regions or set(regions) & set(c.regions))
        )

    def condition(self, identity: str) -> Condition | None:
        """The condition with this id."""
        return self._conditions.get(identity)

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


def _only(ids: Sequence[str]) -> str | None:
    return ids[0] if len(ids) == 1 else None


def _of_code(things: Iterable[Part | Species], value: str, scheme: str) -> str | None:
    for thing in things:
        if (value, scheme) in (thing.code.key, *thing.other_codes):
            return thing.id
    return None
