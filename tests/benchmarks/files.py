"""Objects as files, for senders that read them from the disk."""

from pathlib import Path

from tests.benchmarks.sender import _INSTANCE, _PLACE, CR, EXPLICIT, _data_set, _explicit


def write_objects(folder: Path, size: int, count: int, first: int) -> list[str]:
    """Write `count` new objects; returns their paths."""
    folder.mkdir(parents=True)
    meta = (
        _explicit(2, 0x02, b"UI", CR)
        + _explicit(2, 0x03, b"UI", _PLACE)
        + _explicit(2, 0x10, b"UI", EXPLICIT)
        + _explicit(2, 0x12, b"UI", b"1.2.826.0.1.3680043.9.7")
    )
    group = _explicit(2, 0, b"UL", len(meta).to_bytes(4, "little"))
    data = _data_set(size, b"1.2.826.0.1.3680043.9.7.9.%d" % first)
    whole = bytes(128) + b"DICM" + group + meta + data
    names = []
    for number in range(first, first + count):
        file = folder / f"{number}.dcm"
        file.write_bytes(whole.replace(_PLACE, _INSTANCE % number))
        names.append(str(file))
    return names
