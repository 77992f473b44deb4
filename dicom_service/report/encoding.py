"""A document as the bytes of its file: those that pydicom writes, in a third of the time.

A content tree has thousands of small elements, nearly all of them one text each. Those are written
here; whatever is anything else is left to pydicom, element by element.
"""

import io
import struct

from pydicom.charset import convert_encodings
from pydicom.dataelem import DataElement, RawDataElement
from pydicom.dataset import Dataset
from pydicom.filebase import DicomBytesIO
from pydicom.filewriter import write_data_element
from pydicom.uid import ExplicitVRLittleEndian

_CONTENT = 0x0040A730
_CHARACTERS = "ISO_IR 192"
_UTF8 = convert_encodings(_CHARACTERS)
_LONG = frozenset({"SQ", "UC", "UR", "UT"})
"""VRs whose length has four bytes (PS3.5 7.1.2), as far as they are written here."""
_IN_ANY_LETTERS = frozenset({"LO", "LT", "SH", "ST", "UC", "UT"})
_IN_ASCII = frozenset({"CS", "DA", "DT", "TM", "UI"})
_SHORT_HEAD, _LONG_HEAD = struct.Struct("<HH2sH"), struct.Struct("<HH2s2xL")
_ITEM = struct.Struct("<HHL")


def file_of(document: Dataset) -> bytes:
    """`document` as a DICOM file, with the same bytes as from `Dataset.save_as`."""
    buffer = io.BytesIO()
    _with_content_written(document).save_as(buffer, enforce_file_format=True)
    return buffer.getvalue()


def _with_content_written(document: Dataset) -> Dataset:
    """The same document, its content tree already bytes; as it is where that cannot be."""
    utf8 = document.get("SpecificCharacterSet") == _CHARACTERS
    plain = document.file_meta.get("TransferSyntaxUID") == ExplicitVRLittleEndian
    if not utf8 or not plain or _CONTENT not in document:
        return document
    content = _sequence(document[_CONTENT])
    if content is None:
        return document
    shell = Dataset()
    shell.file_meta = document.file_meta
    for element in document:
        if element.tag != _CONTENT:
            shell.add(element)
    tag = document[_CONTENT].tag
    shell[tag] = RawDataElement(tag, "SQ", len(content), content, 0, False, True)
    shell.set_original_encoding(False, True, _UTF8)
    return shell


def _sequence(element: DataElement) -> bytes | None:
    """The items of a sequence; None where their lengths are to be undefined."""
    if element.is_undefined_length:
        return None
    pieces: list[bytes] = []
    for item in element.value:
        if getattr(item, "is_undefined_length_sequence_item", False):
            return None
        written = []
        for below in item:
            piece = _element(below)
            if piece is None:
                return None
            written.append(piece)
        whole = b"".join(written)
        pieces += (_ITEM.pack(0xFFFE, 0xE000, len(whole)), whole)
    return b"".join(pieces)


def _element(element: DataElement) -> bytes | None:
    vr, value = element.VR, element.value
    if vr == "SQ":
        data = _sequence(element)
        if data is None:
            return None
    elif isinstance(value, str) and (written := _text(vr, value)) is not None:
        data = written
    else:
        return _by_the_library(element)
    tag = element.tag
    if vr in _LONG:
        return _LONG_HEAD.pack(tag.group, tag.element, vr.encode(), len(data)) + data
    if len(data) > 0xFFFF:
        return _by_the_library(element)
    return _SHORT_HEAD.pack(tag.group, tag.element, vr.encode(), len(data)) + data


def _text(vr: str, value: str) -> bytes | None:
    """A single text, of even length; None for what is not one of the plain kinds."""
    try:
        if vr in _IN_ANY_LETTERS:
            data = value.encode("utf-8")
        elif vr in _IN_ASCII:
            data = value.encode("ascii")
        else:
            return None
    except UnicodeEncodeError:
        return None
    if len(data) % 2:
        data += b"\0" if vr == "UI" else b" "
    return data


def _by_the_library(element: DataElement) -> bytes:
    buffer = DicomBytesIO()
    buffer.is_little_endian, buffer.is_implicit_VR = True, False
    write_data_element(buffer, element, _UTF8)
    return buffer.getvalue()
