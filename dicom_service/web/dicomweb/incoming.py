"""From a received file to its index entry, checked as if it had come by C-STORE."""

from pathlib import Path

from dicom_service.errors import BadObject
from dicom_service.node.headers import read_header, valid_uid
from dicom_service.node.services import TRANSFER_SYNTAXES
from dicom_service.node.structure import walk
from dicom_service.store import InstanceHeader
from dicom_service.store.digests import dataset_offset

_START, _LARGEST_META = 132, 64 << 10
_SOP_CLASS, _SOP_INSTANCE, _SYNTAX = 0x00020002, 0x00020003, 0x00020010


def read_instance_header(file: Path) -> InstanceHeader:
    """Check a DICOM file (PS3.10) and read what the index keeps.

    Raises
    ------
    BadObject
        It is no DICOM file, is damaged, lacks an identifier, or has a transfer syntax that is
        not stored here.
    """
    with file.open("rb") as stream:
        offset = dataset_offset(stream.read(_START + 12))
        if not _START < offset <= _LARGEST_META:
            raise BadObject("This is not a DICOM file: it has no file meta information.")
        meta = walk(stream, _START, offset, True, {_SOP_CLASS, _SOP_INSTANCE, _SYNTAX})
    uids = {tag: value.decode("ascii", "replace").strip("\0 ") for tag, value in meta.items()}
    syntax = uids.get(_SYNTAX, "")
    if syntax not in TRANSFER_SYNTAXES:
        named = syntax if valid_uid(syntax) else "that it does not name"
        raise BadObject(f"Objects in the transfer syntax {named} are not stored here.")
    sop_class_uid, sop_instance_uid = uids.get(_SOP_CLASS, ""), uids.get(_SOP_INSTANCE, "")
    with file.open("rb") as stream:
        size = file.stat().st_size
        return read_header(stream, size, offset, syntax, sop_class_uid, sop_instance_uid)
