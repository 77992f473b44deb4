"""What a DICOMweb client accepts (PS3.18 8.7).

Read here and not with a library: the host viewer, and many clients, write the parameter
`type=application/octet-stream` without the quotation marks that HTTP asks for.
"""

import re
from typing import NamedTuple

from flask import request

_ITEM = re.compile(r'(?:[^,"]|"[^"]*")+')
_PARAMETER = re.compile(r';\s*([\w-]+)\s*=\s*("[^"]*"|[^;]*)')
LONGEST = 4096


class Wanted(NamedTuple):
    """One media type of the Accept header."""

    media: str
    type: str
    """Of the parts, when `media` is multipart/related; else the media type itself."""
    syntax: str
    """Transfer syntax UID, or "*" for any."""

    @property
    def multipart(self) -> bool:
        """Whether the parts come in one multipart message."""
        return self.media in ("multipart/related", "*/*", "multipart/*")

    def takes(self, media: str) -> bool:
        """Whether content of this media type is accepted."""
        return self.type in ("*/*", media, media.partition("/")[0] + "/*")


def accepted() -> list[Wanted]:
    """What the client accepts, best first; anything when it does not say."""
    return parse(request.headers.get("Accept", "")[:LONGEST]) or [Wanted("*/*", "*/*", "*")]


def parse(header: str) -> list[Wanted]:
    """The media types of an Accept header, best first."""
    found: list[tuple[float, int, Wanted]] = []
    for item in _ITEM.findall(header):
        media = item.partition(";")[0].strip().lower()
        options = {n.lower(): v.strip().strip('"') for n, v in _PARAMETER.findall(item)}
        kind = options.get("type", "*/*") if media.startswith("multipart/") else media
        quality = _quality(options.get("q", "1"))
        if media and quality > 0:
            syntax = options.get("transfer-syntax", "*")
            found.append((-quality, len(found), Wanted(media, kind.lower(), syntax)))
    return [wanted for _, _, wanted in sorted(found)]


def _quality(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return 0.0
