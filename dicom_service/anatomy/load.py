"""Reads the data files into an `Atlas`, refusing whatever does not fit together."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import cache
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel, ValidationError

from dicom_service.anatomy.atlas import Atlas
from dicom_service.anatomy.load_reasoning import check_reasoning, expanded_choices
from dicom_service.anatomy.located import DataError, Located, Value, file_label
from dicom_service.anatomy.model import (
    Caution,
    Part,
    Region,
    Source,
    Species,
    Structure,
    View,
    ViewSet,
    WholeLimb,
)
from dicom_service.anatomy.reasoning import (
    AggressivenessRule,
    Condition,
    Descriptor,
    NextStep,
)
from dicom_service.anatomy.structures import no_source, read_structures
from dicom_service.codes import SCHEME

M = TypeVar("M", bound=BaseModel)
DataFile = Path | Traversable


def load_atlas(extra: Sequence[DataFile] = ()) -> Atlas:
    """The atlas of the shipped data files and of `extra` ones of the same form.

    Raises
    ------
    DataError
        A file has an unknown field, a duplicate id, an unknown view or source, or lacks a source;
        the message is "file:line: sentence".
    """
    loader = _Loader()
    files = (*_shipped(resources.files("dicom_service.anatomy") / "data"), *extra)
    for located in sorted((loader.known_kind(_located(file)) for file in files), key=_rank):
        loader.read(located)
    loader.check()
    return loader.atlas()


_in_use: list[Atlas] = []


def use(site: Atlas) -> None:
    """Make `site` the atlas of this process: a node uses one, for templates and reports alike."""
    _in_use[:] = [site]


def atlas() -> Atlas:
    """The atlas in use: what `use` was given, else the shipped data files, read once."""
    return _in_use[0] if _in_use else _shipped_atlas()


@cache
def _shipped_atlas() -> Atlas:
    return load_atlas()


def _located(file: DataFile) -> Located:
    try:
        return Located(file_label(file), file.read_text("utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise DataError(f"{file_label(file)}:1: the file cannot be read ({error}).") from None


def _rank(file: Located) -> int:
    """Files that name things of others come after them: regions, then what is added to regions."""
    return {"region": 1, "generic": 1, "sets": 1, "additions": 2}.get(str(file.content["kind"]), 0)


def _shipped(folder: Traversable) -> Iterator[Traversable]:
    for entry in sorted(folder.iterdir(), key=lambda e: e.name):
        if entry.is_dir():
            yield from _shipped(entry)
        elif entry.name.endswith(".yaml"):
            yield entry


def _coded(value: Value, name: Value) -> Value:
    """Write out a short code: VALUE alone is ours, with the name as its meaning."""
    if isinstance(value, str):
        return {"value": value, "scheme": SCHEME, "meaning": name}
    if isinstance(value, list) and len(value) == 3:
        return dict(zip(("value", "scheme", "meaning"), value, strict=True))
    return value


class _Loader:
    """What has been read so far, each thing with the place it came from."""

    def __init__(self) -> None:
        self.places: dict[tuple[str, str], tuple[Located, tuple[str | int, ...]]] = {}
        self.found: dict[str, dict[str, BaseModel]] = {}
        self.generic: tuple[Structure, ...] = ()
        self.unspecified: Part | None = None
        self.unsure: tuple[str, ...] = ()
        self.limb_words: dict[str, tuple[str, ...]] = {"fore": (), "hind": ()}
        self.kinds: Mapping[str, Callable[[Located], None]] = {
            "sources": lambda f: self._list(f, "sources", Source),
            "species": lambda f: self._list(f, "species", Species),
            "views": self._views,
            "regions": self._parts,
            "descriptors": self._descriptors,
            "aggressiveness": lambda f: self._list(f, "aggressiveness", AggressivenessRule),
            "next_steps": lambda f: self._list(f, "next_steps", NextStep),
            "conditions": lambda f: self._list(f, "conditions", Condition),
            "cautions": lambda f: self._list(f, "cautions", Caution),
            "generic": self._generic,
            "region": self._region,
            "additions": self._additions,
            "sets": lambda f: self._list(f, "sets", ViewSet),
        }

    def known_kind(self, file: Located) -> Located:
        """`file`, if it says what it holds."""
        kind = file.content.get("kind")
        if not isinstance(kind, str) or kind not in self.kinds:
            file.fail(f"'kind' must be one of {', '.join(self.kinds)}.", "kind")
        return file

    def read(self, file: Located) -> None:
        self.kinds[str(file.content["kind"])](file)

    def _views(self, file: Located) -> None:
        unsure = file.content.get("unsure_words", [])
        self.unsure += tuple(str(w) for w in unsure) if isinstance(unsure, list) else ()
        self._list(file, "views", View, id_field="label", also={"unsure_words"})

    def _parts(self, file: Located) -> None:
        limbs = {limb: f"{limb}_words" for limb in self.limb_words}
        self._list(file, "regions", Part, also={"unspecified", "limbs", *limbs.values()})
        limbs_found = file.content.get("limbs", [])
        for at, entry in enumerate(limbs_found if isinstance(limbs_found, list) else []):
            whole = self._one(file, entry, WholeLimb, "limbs", at)
            self._keep("limbs", whole.id, whole, file, ("limbs", at))
        for limb, field in limbs.items():
            words = file.content.get(field, [])
            self.limb_words[limb] += tuple(map(str, words)) if isinstance(words, list) else ()
        if "unspecified" in file.content:
            self.unspecified = self._one(file, file.content["unspecified"], Part, "unspecified")

    def _list(
        self,
        file: Located,
        kind: str,
        model: type[BaseModel],
        id_field: str = "id",
        also: Iterable[str] = (),
    ) -> None:
        self._known_fields(file, {"kind", kind, "source", "grade", *also})
        entries = file.content.get(kind)
        if not isinstance(entries, list):
            file.fail(f"'{kind}' must be a list.", kind)
        for at, entry in enumerate(entries):
            item = self._one(file, entry, model, kind, at)
            self._keep(kind, str(getattr(item, id_field)), item, file, (kind, at))

    def _descriptors(self, file: Located) -> None:
        self._known_fields(file, {"kind", "fields"})
        for entry, path in expanded_choices(file):
            item = self._one(file, entry, Descriptor, *path)
            self._keep("descriptors", item.id, item, file, path)

    def _generic(self, file: Located) -> None:
        self._known_fields(file, {"kind", "patterns", "structures"})
        self.generic = read_structures(file, self._names("views"), self._names("sources"))

    def _region(self, file: Located) -> None:
        self._known_fields(file, {"kind", "species", "id", "name", "patterns", "structures"})
        part = self.found.get("regions", {}).get(str(file.content.get("id")))
        if not isinstance(part, Part):
            file.fail("'id' must be a region of a 'kind: regions' file.", "id")
        if str(file.content.get("species")) not in self.found.get("species", {}):
            file.fail("'species' must be a species of a 'kind: species' file.", "species")
        species, name = str(file.content["species"]), str(file.content.get("name", part.name))
        structures = read_structures(file, self._names("views"), self._names("sources"))
        region = Region(
            species=species, id=part.id, name=name, code=part.code, structures=structures
        )
        self._keep("region", f"{species}/{part.id}", region, file, ())

    def _additions(self, file: Located) -> None:
        """Further structures of a region that another file has."""
        self._known_fields(file, {"kind", "species", "region", "patterns", "structures"})
        identity = f"{file.content.get('species')}/{file.content.get('region')}"
        region = self.found.get("region", {}).get(identity)
        if not isinstance(region, Region):
            file.fail(f"there is no file of structures for '{identity}' to add to.", "region")
        added = read_structures(file, self._names("views"), self._names("sources"))
        taken = {structure.id for structure in region.structures}
        for at, structure in enumerate(added):
            if structure.id in taken:
                file.fail(f"'{structure.id}' stands already in {identity}.", "structures", at)
        structures = (*region.structures, *added)
        self.found["region"][identity] = region.model_copy(update={"structures": structures})

    def _names(self, kind: str) -> frozenset[str]:
        return frozenset(self.found.get(kind, {}))

    def _known_fields(self, file: Located, known: set[str]) -> None:
        for name in file.content:
            if name not in known:
                file.fail(f"there is no field '{name}' here.", name)

    def _one(self, file: Located, entry: Value, model: type[M], *path: str | int) -> M:
        if isinstance(entry, dict):
            label = entry.get("name") or entry.get("label")
            entry = {
                k: _coded(v, label) if k in ("code", "modifier") else v for k, v in entry.items()
            }
        try:
            return model.model_validate(entry)
        except ValidationError as error:
            file.fail_validation(error, *path)

    def _keep(
        self, kind: str, identity: str, item: BaseModel, file: Located, path: tuple[str | int, ...]
    ) -> None:
        if kind == "sources" and self.found.get(kind, {}).get(identity) == item:
            return  # a file may bring the sources that it rests on
        if (kind, identity) in self.places:
            other, where = self.places[kind, identity]
            file.fail(f"'{identity}' stands already in {other.name}:{other.line(*where)}.", *path)
        self.places[kind, identity] = (file, path)
        self.found.setdefault(kind, {})[identity] = item

    def check(self) -> None:
        """Refuse references to views, regions, species and sources that nobody defines."""
        for view in self._all("views", View):
            for other in (*view.orthogonal, *([view.like] if view.like else [])):
                self._must_exist("views", other, "views", view.label)
        for part in self._all("regions", Part):
            for species in part.species:
                self._must_exist("species", species, "regions", part.id)
            for other in (*part.replaces, *([part.hind] if part.hind else [])):
                self._must_exist("regions", other, "regions", part.id)
        self._check_sets()
        check_reasoning(self.found, self._fail)

    def _fail(self, kind: str, identity: str, sentence: str) -> None:
        file, path = self.places[kind, identity]
        file.fail(sentence, *path)

    def _check_sets(self) -> None:
        for limb in self._all("limbs", WholeLimb):
            for part in limb.parts:
                self._must_exist("regions", part, "limbs", limb.id)
        taken: dict[tuple[str, str], str] = {}
        for views in self._all("sets", ViewSet):
            self._must_exist("regions", views.region, "sets", views.id)
            for species in views.species:
                self._must_exist("species", species, "sets", views.id)
                other = taken.setdefault((species, views.region), views.id)
                if other != views.id:
                    file, path = self.places["sets", views.id]
                    file.fail(f"'{other}' is the set of {species}/{views.region} already.", *path)
            for label in (v for w in (*views.minimum, *views.optional) for v in w.any):
                self._must_exist("views", label, "sets", views.id)
            for note in views.notes:
                self._must_have_source(note.source, note.grade, "sets", views.id)

    def _must_exist(self, kind: str, wanted: str, owner: str, identity: str) -> None:
        if wanted not in self.found.get(kind, {}):
            file, path = self.places[owner, identity]
            file.fail(f"'{identity}' names '{wanted}', which is not among the {kind}.", *path)

    def _must_have_source(self, source: str, grade: str, owner: str, identity: str) -> None:
        if grade == "V" and source not in self.found.get("sources", {}):
            file, path = self.places[owner, identity]
            file.fail(no_source(identity, source), *path)

    def _all(self, kind: str, model: type[M]) -> list[M]:
        return [item for item in self.found.get(kind, {}).values() if isinstance(item, model)]

    def atlas(self) -> Atlas:
        if self.unspecified is None:
            raise DataError("no file of kind 'regions' has the field 'unspecified'.")
        return Atlas(
            species=self._all("species", Species),
            parts=self._all("regions", Part),
            unspecified=self.unspecified,
            limb_words=self.limb_words,
            limbs=self._all("limbs", WholeLimb),
            sets=self._all("sets", ViewSet),
            regions=self._all("region", Region),
            generic=self.generic,
            views=self._all("views", View),
            unsure_words=self.unsure,
            descriptors=self._all("descriptors", Descriptor),
            conditions=self._all("conditions", Condition),
            next_steps=self._all("next_steps", NextStep),
            aggressiveness=self._all("aggressiveness", AggressivenessRule),
            cautions=self._all("cautions", Caution),
            sources=self._all("sources", Source),
        )
