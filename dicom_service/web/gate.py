"""What a caller may see where a node has several sites.

Every address that names a study (`<study>`) passes here before its view runs, so that a new one
does as well. A study of another site gets the answer of one that does not exist, in the same
words; where a study is named otherwise, its view asks `is_seen`.
"""

from flask import Flask, g, request

from dicom_service.errors import NotFound, Refused
from dicom_service.store.sites import seen_by
from dicom_service.web.session import caller
from dicom_service.web.site import site

STORING = "dicomweb.store_objects"
"""It may name a study that is yet to come; the store tells whether it can be of this site."""


def install(app: Flask) -> None:
    """Look at every request."""
    app.before_request(_only_their_studies)


def sites_seen() -> tuple[str, ...] | None:
    """The sites of which the caller may see studies; None: all."""
    found = caller()
    return seen_by(found.user, site().settings.site_ids) if found else ()


def is_seen(study_uid: str) -> bool:
    """Whether there is such a study, and the caller may see it."""
    seen, of = sites_seen(), site().store.site_of(study_uid)
    return of is not None and (seen is None or of in seen)


def check_seen(study_uid: str) -> None:
    """Raise NotFound for a study that is not here, or is another site's; the same for both."""
    if sites_seen() is None and not site().settings.site_ids:
        return  # whoever is signed in sees all, and the view says what is not there
    if not is_seen(study_uid):
        raise NotFound(f"No study {study_uid} is on this node.")


def site_to_store(study_uid: str) -> str:
    """The site that gets an object of this study from the caller.

    Raises
    ------
    Refused
        They have several, and did not say which.
    """
    seen, asked = sites_seen(), request.args.get("site")
    if asked is not None:
        if (seen is None and asked in ("", *site().settings.site_ids)) or asked in (seen or ()):
            return asked
        raise Refused(f"There is no site {asked[:32]} that you could store for.")
    if is_seen(study_uid):
        return site().store.site_of(study_uid) or ""
    if seen is None:
        return ""
    if len(seen) != 1:
        raise Refused(f"Say for which site (?site=): {', '.join(seen) or 'you have none'}.")
    return seen[0]


def _only_their_studies() -> None:
    study = (request.view_args or {}).get("study")
    if study is None or request.endpoint == STORING or caller() is None:
        return
    check_seen(study)
    if site().settings.site_ids:
        g.study_site = site().store.site_of(study) or ""
