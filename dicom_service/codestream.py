"""What size a compressed image really has, before anything is decoded.

A few bytes of JPEG 2000 can claim an image of billions of pixels, under a header that says ten by
ten; decoders believe the stream.
"""

import struct

_FRAME_STARTS = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC} | {0xF7}
"""SOF markers of JPEG (ITU-T T.81 B.1.1.3) and JPEG-LS (T.87 C.1.1.1)."""
_ALONE = frozenset({0x01, *range(0xD0, 0xDA)})
_SIZ = 0x51
_MOST_SEGMENTS = 1000


def size_of(stream: bytes) -> tuple[int, int] | None:
    """Rows and columns that a JPEG, JPEG-LS or JPEG 2000 stream claims; None: it says none."""
    if stream[4:8] == b"jP  ":  # a JP2 file around the stream
        start = stream.find(b"\xff\x4f\xff\x51")
        stream = stream[start:] if start >= 0 else b""
    if stream[:1] != b"\xff":
        return None
    position = 2
    for _ in range(_MOST_SEGMENTS):
        if position + 4 > len(stream) or stream[position] != 0xFF:
            return None
        marker = stream[position + 1]
        if marker == 0xFF:  # a fill byte
            position += 1
            continue
        if marker in _ALONE:
            position += 2
            continue
        if marker in _FRAME_STARTS and position + 9 <= len(stream):
            rows, columns = struct.unpack_from(">HH", stream, position + 5)
            return int(rows), int(columns)
        if marker == _SIZ and position + 22 <= len(stream):
            width, height, left, top = struct.unpack_from(">LLLL", stream, position + 6)
            return height - top, width - left
        position += 2 + struct.unpack_from(">H", stream, position + 2)[0]
    return None
