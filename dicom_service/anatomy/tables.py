"""What the data files say, as Markdown for people: structures by region, views, codes."""

from collections.abc import Iterable, Iterator, Mapping

from dicom_service.anatomy.atlas import Atlas
from dicom_service.anatomy.model import Closure, Region, Shows, Structure, VariantFact, ViewSet
from dicom_service.codes import SCHEME, Code
from dicom_service.codes.export import Concept, traps

_NOTICE = "Generated from the data files by `sesamoid docs`; do not edit."
_LETTER = {"well": "W", "partly": "P", "no": "N"}


def anatomy_tables(atlas: Atlas) -> Mapping[str, str]:
    """File name -> Markdown: an overview with the views, and a page for each species."""
    pages = {"anatomy-tables.md": _overview(atlas)}
    for species in atlas.all_species:
        if atlas.regions(species.id):
            pages[f"anatomy-{species.id}.md"] = _species_page(atlas, species.id)
    return pages


def _overview(atlas: Atlas) -> str:
    lines = [
        "# Anatomy and views",
        "",
        _NOTICE,
        "",
        "Grades: V the source was read, M from memory, C common practice or reasoned. "
        "Further files of a site: [anatomy.md](anatomy.md).",
        "",
        "| species | regions | structures |",
        "|---|---|---|",
    ]
    for species in atlas.all_species:
        regions = [r for i in atlas.regions(species.id) if (r := atlas.region(species.id, i))]
        count = sum(len(region.structures) for region in regions)
        name = f"[{species.name}](anatomy-{species.id}.md)" if regions else species.name
        lines.append(_row(name, ", ".join(r.name for r in regions), str(count)))
    return "\n".join([*lines, "", *_views(atlas), *_sources(atlas)])


def _views(atlas: Atlas) -> Iterator[str]:
    yield "## Views"
    yield ""
    yield (
        "An oblique of any angle is understood; it shows what the nearest one within 15 degrees "
        "shows. Orthogonal: as listed by the trade; for all others beams 70 to 110 degrees apart."
    )
    yield ""
    yield _row("view", "name", "code", "position", "shows what this shows", "in profile")
    yield _rule(6)
    for view in atlas.all_views:
        position = _code(view.modifier) if view.modifier else ""
        borders = ", ".join(view.borders)
        yield _row(view.label, view.name, _code(view.code), position, view.like, borders)
    yield ""


def _sources(atlas: Atlas) -> Iterator[str]:
    yield "## Sources"
    yield ""
    yield _row("id", "citation", "what was read", "strength")
    yield _rule(4)
    for source in sorted(atlas.all_sources, key=lambda s: s.id):
        yield _row(source.id, source.citation, source.seen, source.strength)
    yield ""


def _species_page(atlas: Atlas, species: str) -> str:
    known = atlas.species(species)
    name = known.name if known else species
    lines = [
        f"# Anatomy of the {name}",
        "",
        _NOTICE,
        "",
        "W well seen, P partly, N not assessable.",
    ]
    for identity in atlas.regions(species):
        region = atlas.region(species, identity)
        if region is not None:
            lines += ["", *_region(region, atlas.view_set(species, identity))]
    return "\n".join(lines) + "\n"


def _region(region: Region, views: ViewSet | None) -> Iterator[str]:
    yield f"## {region.name[:1].upper()}{region.name[1:]}"
    yield ""
    if views is not None:
        yield from _minimum(views)
    yield _row("structure", "section", "group", "code", "visibility", "source, grade")
    yield _rule(6)
    for structure in region.structures:
        shows = structure.shows
        yield _row(
            structure.name,
            structure.section.replace("_", " "),
            structure.group,
            _code(structure.code),
            _visibility(shows),
            f"{shows.source}, {shows.grade}",
        )
    yield from _physes(region.structures)
    yield from _variants(region.structures)


def _minimum(views: ViewSet) -> Iterator[str]:
    for title, wanted in (("Minimum views", views.minimum), ("Further views", views.optional)):
        if wanted:
            said = [" or ".join(w.any) + (f" (of {w.part})" if w.part else "") for w in wanted]
            yield f"{title}: {'; '.join(said)}. ({views.source}, {views.grade})"
            yield ""
    for note in views.notes:
        yield f"{note.text} ({note.source}, {note.grade})"
        yield ""


def _visibility(shows: Shows) -> str:
    return ", ".join(f"{view} {_LETTER[seen]}" for view, seen in shows.views.items())


def _physes(structures: Iterable[Structure]) -> Iterator[str]:
    rows = [(s, row) for s in structures for row in s.closure]
    if rows:
        yield ""
        yield _row("physis", "closes (months)", "judges an age", "source, grade", "note")
        yield _rule(5)
    for structure, row in rows:
        judged = row.age_check if row.grade == "V" else "no (from memory)"
        yield _row(structure.name, _months(row), judged, f"{row.source}, {row.grade}", row.note)


def _months(row: Closure) -> str:
    span = f"{row.low:g} to {row.high:g}" if row.low is not None and row.high is not None else ""
    mean = f"mean {row.mean:g}" if row.mean is not None else ""
    one = [f"{word} {v:g}" for word, v in (("from", row.low), ("to", row.high)) if v is not None]
    return ", ".join(filter(None, (span or " ".join(one), mean)))


def _variants(structures: Iterable[Structure]) -> Iterator[str]:
    said: dict[VariantFact, list[str]] = {}
    for structure in structures:
        for variant in structure.variants:
            said.setdefault(variant, []).append(structure.name)
    if said:
        yield ""
        yield _row("variant or pitfall", "of", "source, grade")
        yield _rule(3)
    for variant, names in said.items():
        yield _row(variant.text, ", ".join(names), f"{variant.source}, {variant.grade}")


def code_tables(concepts: Iterable[Concept]) -> str:
    """Every code by kind, ours and the standard's, and the traps."""
    lines = [
        "# Codes",
        "",
        _NOTICE,
        "",
        f"Our own codes are in the scheme {SCHEME}; `sesamoid codes` prints all as CSV, "
        "`sesamoid codes --fhir` ours as a FHIR CodeSystem.",
    ]
    kinds: dict[str, dict[Code, dict[str, None]]] = {}
    for concept in concepts:
        uses = kinds.setdefault(concept.kind, {}).setdefault(concept.code, {})
        if concept.used_for:
            uses.setdefault(concept.used_for)
    for kind in sorted(kinds):
        lines += ["", f"## {kind[:1].upper()}{kind[1:]}", ""]
        lines += [_row("value", "scheme", "meaning", "used for"), _rule(4)]
        for code in sorted(kinds[kind], key=lambda c: (c.scheme, c.value)):
            used_for = ", ".join(kinds[kind][code])
            lines.append(_row(code.value, code.scheme, code.meaning, used_for))
    lines += ["", "## Traps", "", "Codes of the standard that mean something else elsewhere.", ""]
    lines += [_row("value", "scheme", "we write it for", "elsewhere", "why"), _rule(5)]
    for t in traps():
        lines.append(_row(t.value, t.scheme, t.ours or "never", t.other, t.why))
    return "\n".join(lines) + "\n"


def _code(code: Code) -> str:
    return f"{code.value} ({code.scheme})"


def _row(*cells: str) -> str:
    return f"| {' | '.join(cell.replace('|', '/') for cell in cells)} |"


def _rule(columns: int) -> str:
    return "|" + "---|" * columns
