"""Retrieving (WADO-RS): metadata, frames, whole objects, pictures and bulk data."""

import logging
import secrets
from collections.abc import Iterator
from pathlib import Path

from flask import Blueprint, Response, request

from dicom_service.errors import NotFound, Refused, SesamoidError
from dicom_service.store import StoredInstance
from dicom_service.web import security
from dicom_service.web.dicomweb.accept import accepted
from dicom_service.web.dicomweb.frames import (
    Pixels,
    find_pixels,
    frame_numbers,
    frame_pieces,
    sent_syntax,
)
from dicom_service.web.dicomweb.metadata import BINARY, ENCAPSULATED_DOCUMENT, metadata_text
from dicom_service.web.dicomweb.multipart import message, multipart_answer, related
from dicom_service.web.dicomweb.objects import objects_of
from dicom_service.web.dicomweb.qido import DICOM_JSON
from dicom_service.web.dicomweb.rendered import (
    THUMBNAIL,
    Picture,
    parse_viewport,
    parse_window,
    render,
)
from dicom_service.web.problems import NotAcceptable
from dicom_service.web.sending import Body
from dicom_service.workflow.headers import read_header

log = logging.getLogger(__name__)

DICOM, OCTETS, PDF = "application/dicom", "application/octet-stream", "application/pdf"
_CHUNK = 1 << 20
_MEDIA_OF_SYNTAX = {
    "1.2.840.10008.1.2.5": "image/dicom-rle",
    "1.2.840.10008.1.2.4.50": "image/jpeg",
    "1.2.840.10008.1.2.4.51": "image/jpeg",
    "1.2.840.10008.1.2.4.57": "image/jpeg",
    "1.2.840.10008.1.2.4.70": "image/jpeg",
    "1.2.840.10008.1.2.4.80": "image/jls",
    "1.2.840.10008.1.2.4.81": "image/jls",
    "1.2.840.10008.1.2.4.90": "image/jp2",
    "1.2.840.10008.1.2.4.91": "image/jp2",
    "1.2.840.10008.1.2.4.201": "image/jphc",
    "1.2.840.10008.1.2.4.202": "image/jphc",
    "1.2.840.10008.1.2.4.203": "image/jphc",
}


def add_routes(blueprint: Blueprint) -> None:
    """Put the retrievals at their addresses."""
    study = "/studies/<study>"
    series = f"{study}/series/<series>"
    instance = f"{series}/instances/<instance>"
    for place in (study, series, instance):
        blueprint.add_url_rule(place, view_func=retrieve)
        blueprint.add_url_rule(f"{place}/metadata", view_func=metadata_of)
        blueprint.add_url_rule(f"{place}/thumbnail", view_func=thumbnail)
    blueprint.add_url_rule(f"{instance}/frames/<numbers>", view_func=frames)
    blueprint.add_url_rule(f"{instance}/rendered", view_func=rendered)
    blueprint.add_url_rule(f"{instance}/frames/<numbers>/rendered", view_func=rendered)
    blueprint.add_url_rule(f"{instance}/bulkdata/<tag>", view_func=bulk_data)


def metadata_of(study: str, series: str | None = None, instance: str | None = None) -> Response:
    """Headers of all objects at an address."""
    texts = [metadata_text(row) for row in objects_of(study, series, instance)]
    return Response(f"[{','.join(texts)}]", content_type=DICOM_JSON)


def retrieve(study: str, series: str | None = None, instance: str | None = None) -> Response:
    """Whole objects, as files in their stored transfer syntax."""
    rows = objects_of(study, series, instance)
    for wanted in accepted():
        same = wanted.syntax == "*" or all(r.transfer_syntax == wanted.syntax for r in rows)
        if not (wanted.takes(DICOM) and same):
            continue
        if wanted.multipart:
            return _objects(rows)
        if instance is not None:
            return Response(_chunks(rows[0].path), content_type=DICOM)
    raise NotAcceptable(
        "Objects are given as multipart/related of application/dicom, as they are stored."
    )


def _objects(rows: list[StoredInstance]) -> Response:
    """One part for each, brought here when it is its turn.

    Where one cannot be had the connection is cut: what was sent before has status 200. Whoever
    speaks HTTP/1.1 knows it by the missing last chunk, others by the length said at first.
    """
    _ = rows[0].path  # nothing is sent yet: it can still be said
    types = [f"{DICOM}; transfer-syntax={row.transfer_syntax}" for row in rows]
    boundary = secrets.token_hex(16)
    whole = message(zip(types, map(_brought, rows), strict=True), boundary)
    answer = Response(whole, content_type=related(DICOM, boundary))
    if request.environ.get("SERVER_PROTOCOL") == "HTTP/1.0":
        between: Iterator[bytes] = message(((media, ()) for media in types), boundary)
        answer.content_length = sum(map(len, between)) + sum(row.blob.size for row in rows)
    return answer


def _brought(row: StoredInstance) -> Iterator[bytes]:
    try:
        path = row.path
    except (SesamoidError, OSError) as error:
        log.warning(
            "an answer breaks off at object %s of study %s: %s",
            row.sop_instance_uid,
            row.study_uid,
            error,
        )
        raise
    yield from _chunks(path)


def frames(study: str, series: str, instance: str, numbers: str) -> Response:
    """Frames as they are stored, nothing decoded.

    Always multipart, and every part names its transfer syntax: the host viewer shows white
    images without.
    """
    (row,) = objects_of(study, series, instance)
    pixels = find_pixels(row.path)
    wanted = frame_numbers(numbers, pixels.frames)
    syntax = sent_syntax(pixels)
    media = _frame_media(syntax)
    answer = Response(status=200)
    answer.set_etag(f"{row.blob.name}-{numbers}")
    answer.headers["Cache-Control"] = "private, no-cache"
    answer.make_conditional(request)
    if answer.status_code == 200:
        _send_frames(answer, row.path, pixels, wanted, syntax, media)
    return answer


def _send_frames(
    answer: Response, path: Path, pixels: Pixels, wanted: list[int], syntax: str, media: str
) -> None:
    parts = [
        (f"{media}; transfer-syntax={syntax}", frame_pieces(path, pixels, number))
        for number in wanted
    ]
    boundary = secrets.token_hex(16)
    body = Body(path, message(parts, boundary))
    answer.content_type = related(media, boundary)
    answer.content_length = body.remain
    answer.response = body
    answer.direct_passthrough = True


def rendered(study: str, series: str, instance: str, numbers: str = "1") -> Response:
    """A picture of one frame, or the PDF of an encapsulated document."""
    (row,) = objects_of(study, series, instance)
    if not row.rows:
        return _document(row)
    pixels = find_pixels(row.path)
    if len(frame_numbers(numbers, pixels.frames)) != 1:
        raise Refused("A picture can be made of one frame at a time.")
    return _picture(row, pixels, int(numbers), parse_viewport(request.args.get("viewport", "")))


def thumbnail(study: str, series: str | None = None, instance: str | None = None) -> Response:
    """A small picture of an object, or of the first image of a series or study."""
    rows = [row for row in objects_of(study, series, instance) if row.rows]
    if not rows:
        raise NotAcceptable("There is no image here to make a picture of.")
    viewport = parse_viewport(request.args.get("viewport", "")) or THUMBNAIL
    return _picture(rows[0], find_pixels(rows[0].path), 1, viewport)


def bulk_data(study: str, series: str, instance: str, tag: str) -> Response:
    """A large value that the metadata name by its address."""
    (row,) = objects_of(study, series, instance)
    if len(tag) != 8 or not all(c in "0123456789ABCDEFabcdef" for c in tag):
        raise Refused("The address of bulk data ends in a tag of eight hexadecimal digits.")
    header = read_header(row.path)
    number = int(tag, 16)
    if number not in header or header[number].VR not in BINARY:
        raise NotFound(f"The object has no bulk data {tag}.")
    data = bytes(header[number].value or b"")
    media = OCTETS
    if number == ENCAPSULATED_DOCUMENT:
        data, media = data[: _document_length(header, data)], _document_media(header)
    for wanted in accepted():
        if wanted.takes(media) or wanted.takes(OCTETS):
            return (
                multipart_answer([(media, [data])], media)
                if wanted.multipart
                else (_inline(data, media))
            )
    raise NotAcceptable(f"This value is given as {media}.")


def _frame_media(syntax: str) -> str:
    own = _MEDIA_OF_SYNTAX.get(syntax, OCTETS)
    for wanted in accepted():
        if wanted.multipart and wanted.syntax in ("*", syntax):
            if wanted.takes(OCTETS):
                return OCTETS
            if wanted.takes(own):
                return own
    raise NotAcceptable(
        f"Frames are given as multipart/related in transfer syntax {syntax}, as they are stored."
    )


def _picture(
    row: StoredInstance, pixels: Pixels, number: int, box: tuple[int, int] | None
) -> Response:
    media = next((m for w in accepted() for m in ("image/jpeg", "image/png") if w.takes(m)), None)
    if media is None:
        raise NotAcceptable("Pictures are given as image/jpeg or image/png.")
    window = parse_window(request.args.get("window", ""))
    picture = Picture(png=media == "image/png", box=box, window=window)
    answer = Response(render(row, pixels, number, picture), content_type=picture.media)
    answer.headers["Cache-Control"] = "private, max-age=3600"
    return answer


def _document(row: StoredInstance) -> Response:
    """The PDF itself: a browser asks for it without naming the type in Accept."""
    header = read_header(row.path)
    data = bytes(header.get("EncapsulatedDocument") or b"")
    if not data or _document_media(header) != PDF:
        raise NotAcceptable("Only images and PDF documents can be shown.")
    return _inline(data[: _document_length(header, data)], PDF)


def _inline(data: bytes, media: str) -> Response:
    answer = Response(data, content_type=media)
    if media == PDF:
        answer.headers["Content-Security-Policy"] = security.DOCUMENT_POLICY
    return answer


def _document_media(header: object) -> str:
    """PDF or bytes: nothing that a browser would run."""
    stated = str(getattr(header, "MIMETypeOfEncapsulatedDocument", "") or "").strip().lower()
    return PDF if stated == PDF else OCTETS


def _document_length(header: object, data: bytes) -> int:
    """Without the byte that makes the value's length even, where the header tells."""
    stated = getattr(header, "EncapsulatedDocumentLength", None)
    return int(stated) if stated and 0 < int(stated) <= len(data) else len(data)


def _chunks(path: Path) -> Iterator[bytes]:
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK):
            yield chunk
