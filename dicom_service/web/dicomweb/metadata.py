"""Headers of stored objects in the DICOM JSON model (PS3.18 annex F).

Large binary values become BulkDataURIs, as does every encapsulated document; pixel data are left
out (the viewer asks for frames). Reading a header costs milliseconds, so the newest are kept.
"""

import json
import logging
import math
from functools import lru_cache
from typing import Any

from pydicom.dataset import Dataset

from dicom_service.store import StoredInstance
from dicom_service.web.dicomweb.objects import address
from dicom_service.workflow.headers import read_header

log = logging.getLogger(__name__)

LARGEST_INLINE = 1024
KEPT = 128
BINARY = frozenset({"OB", "OD", "OF", "OL", "OV", "OW", "UN"})
ENCAPSULATED_DOCUMENT = 0x00420011
_CHARACTER_SET, _SYNTAX = "00080005", "00083002"


@lru_cache(maxsize=KEPT)
def metadata_text(row: StoredInstance) -> str:
    """The header of an object as JSON text."""
    model = header_model(read_header(row.path), f"{address(row)}/bulkdata")
    model[_SYNTAX] = {"vr": "UI", "Value": [row.transfer_syntax]}
    if _CHARACTER_SET in model:
        model[_CHARACTER_SET] = {"vr": "CS", "Value": ["ISO_IR 192"]}  # what JSON is written in
    return to_json(model)


def metadata(row: StoredInstance) -> dict[str, Any]:
    """The header of an object in the JSON model."""
    return dict(json.loads(metadata_text(row)))


def header_model(header: Dataset, bulk: str) -> dict[str, Any]:
    """The JSON model of a header; an element that cannot be understood is left out.

    Parameters
    ----------
    bulk
        Address below which the large values are.
    """
    model: dict[str, Any] = {}
    for tag in header.keys():  # noqa: SIM118 - iterating the data set itself would decode all
        if tag.element == 0:  # a group's length
            continue
        try:
            model[f"{tag:08X}"] = _element(header, tag, bulk)
        except Exception as error:  # noqa: BLE001 - pydicom lets anything through from bad values
            log.debug("element %s left out: %s", tag, error)
    return model


def to_json(value: object) -> str:
    """JSON text; numbers that JSON does not have become null."""
    try:
        return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    except ValueError:
        return json.dumps(_finite(value), ensure_ascii=False, separators=(",", ":"))


def _element(header: Dataset, tag: Any, bulk: str) -> dict[str, Any]:
    element = header[tag]
    if element.VR in BINARY:
        size = len(element.value or b"")
        if size > LARGEST_INLINE or (tag == ENCAPSULATED_DOCUMENT and size):
            return {"vr": element.VR, "BulkDataURI": f"{bulk}/{tag:08X}"}
    return dict(element.to_json_dict(None, LARGEST_INLINE))


def _finite(value: Any) -> Any:
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_finite(item) for item in value]
    return value
