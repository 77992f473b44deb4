"""The sites of a node: clinics that share it and see nothing of each other.

A site is known by its id, "" is the one without a name: all there is where none are configured,
and otherwise what is called under the node's own AE title and was here before there were sites.
"""

from collections.abc import Sequence
from typing import Annotated, get_args

from pydantic import Field, StringConstraints, field_validator

from dicom_service.anatomy.model import Section
from dicom_service.base import Frozen
from dicom_service.setting_values import ae_title

UNNAMED = ""
SiteId = Annotated[str, StringConstraints(pattern=r"^[a-z0-9][a-z0-9_-]{0,31}$")]
"""It goes into names of accounts and into the index, so it is short and plain."""


class SiteSettings(Frozen):
    """One `[[sites]]` block."""

    id: SiteId
    name: str = Field(min_length=1, max_length=64)
    ae_titles: tuple[Annotated[str, Field(min_length=1, max_length=16)], ...] = Field(min_length=1)
    archive: str = ""
    institution: str = ""
    section_order: tuple[Section, ...] = ()
    readers: tuple[str, ...] = ()
    administrators: tuple[str, ...] = ()

    @field_validator("ae_titles")
    @classmethod
    def _ascii_titles(cls, titles: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(ae_title(title) for title in titles)

    @field_validator("section_order")
    @classmethod
    def _each_once(cls, order: tuple[Section, ...]) -> tuple[Section, ...]:
        return whole_order(order) if order else order


def whole_order(order: tuple[Section, ...]) -> tuple[Section, ...]:
    """The same order; ValueError when it does not name every section once."""
    if sorted(order) != sorted(get_args(Section)):
        raise ValueError(f"name each of {', '.join(get_args(Section))} once")
    return order


def check_sites(
    sites: Sequence[SiteSettings],
    own_title: str,
    peers: Sequence[tuple[str, str]],
    archive: str,
) -> None:
    """ValueError when the sites do not fit each other, or the peers do not fit them.

    Parameters
    ----------
    own_title
        The node's AE title, under which the unnamed site is called.
    peers
        Site and name of each.
    archive
        Of the unnamed site.
    """
    ids = [site.id for site in sites]
    titles = [own_title, *(title for site in sites for title in site.ae_titles)]
    _once(ids, "Two sites have the id '{}'; give each its own")
    _once(titles, "The AE title '{}' is named twice: it must say which site is called")
    for site, name in peers:
        if site and site not in ids:
            known = ", ".join(ids) or "none"
            raise ValueError(
                f"The peer '{name}' is of the site '{site}', and the sites are: {known}"
            )
    doubled = [f"{name}' of the site '{site}" if site else name for site, name in peers]
    _once(doubled, "Two peers are called '{}'; give each its own name")
    for site, wanted in [(UNNAMED, archive), *((site.id, site.archive) for site in sites)]:
        names = [name for of, name in peers if of == site]
        if wanted and wanted not in names:
            where = f" of the site '{site}'" if site else ""
            raise ValueError(
                f"archive = '{wanted}' is not the name of one of the peers{where} "
                f"({', '.join(names) or 'there are none'})"
            )


def _once(names: Sequence[str], sentence: str) -> None:
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise ValueError(sentence.format(twice))
