"""Files that cannot be measured, or only in part, by what is wrong with them; and what is said.

One table for the command line and for the panel's address: the same file must get the same sentence
on both.
"""

import io
from collections.abc import Callable
from functools import cache
from typing import NamedTuple

import numpy as np
from PIL import Image
from pydicom.dataset import Dataset
from pydicom.encaps import encapsulate
from pydicom.uid import (
    JPEG2000,
    MPEG2MPML,
    HTJ2KLossless,
    JPEG2000Lossless,
    JPEGBaseline8Bit,
    JPEGLSLossless,
    RLELossless,
)

from test_pacs.phantom.bench import Bench
from test_pacs.phantom.metal import Screw
from tests.measure.conftest import Shot, shoot_bench, shoot_carpus
from tests.web.conftest import dataset, file_of, image

Points = tuple[tuple[float, float], ...]
SIZE = 0.15
JPEG_XL = "1.2.840.10008.1.2.4.110"
SR = "1.2.840.10008.5.1.4.1.1.88.33"


class Bad(NamedTuple):
    """A file, what is asked of it, and what has to be said.

    `wrong` and `do` are parts of the refusal: what is wrong, and what helps. Where there is none,
    a number may be given, with `doubt`; its unit or its bound is then `given`.
    """

    made: Callable[[], Dataset | bytes]
    kind: str = "joint_space"
    wrong: str = ""
    do: str = ""
    doubt: str = ""
    given: str = ""
    points: Callable[[], Points] | None = None


@cache
def joint() -> Shot:
    return shoot_bench(Bench(gap=2))


@cache
def carpus() -> Shot:
    return shoot_carpus()


def across(reach: float = 30, beside: float = 0, down: float = 0) -> Callable[[], Points]:
    """Two clicks along the joint."""

    def placed() -> Points:
        column, row = joint().middle
        return (column + beside - reach, row + down), (column + beside + reach, row + down)

    return placed


def beside_the_bone() -> Points:
    column, row = joint().middle
    return (column + 72, row - 60), (column + 72, row + 60)


def made(pixels: np.ndarray | None = None, without: str = "", **values: object) -> Dataset:
    """An image with a spacing that is to be believed, and what is changed of it."""
    pixels = joint().pixels if pixels is None else pixels
    spacing = {"PixelSpacing": [SIZE, SIZE], "PixelSpacingCalibrationType": "FIDUCIAL"}
    found = image(np.asarray(pixels, np.uint16), **spacing)
    for name, value in values.items():
        setattr(found, name, value)
    if without:
        delattr(found, without)
    return found


def spaced(written: str) -> bytes:
    """With a text as Pixel Spacing that no library would write."""
    return file_of(made()).replace(b"0.15\\0.15 ", written.encode().ljust(10))


def coloured() -> Dataset:
    grey = (joint().pixels // 16).astype(np.uint8)
    bits = {"BitsAllocated": 8, "BitsStored": 8, "HighBit": 7, "PlanarConfiguration": 0}
    found = made(SamplesPerPixel=3, PhotometricInterpretation="RGB", **bits)
    found.PixelData = np.repeat(grey[..., None], 3, 2).tobytes()
    return found


def in_a_palette() -> Dataset:
    found = made(PhotometricInterpretation="PALETTE COLOR")
    table = np.random.default_rng(1).integers(0, 65535, 4096, dtype=np.uint16).tobytes()
    for name in ("Red", "Green", "Blue"):
        setattr(found, f"{name}PaletteColorLookupTableDescriptor", [4096, 0, 16])
        setattr(found, f"{name}PaletteColorLookupTableData", table)
    return found


def lossy(syntax: str, **values: object) -> Dataset:
    grey = Image.fromarray((joint().pixels // 16).astype(np.uint8))
    out = io.BytesIO()
    if syntax == JPEGBaseline8Bit:
        grey.save(out, "JPEG", quality=70)
    else:
        grey.save(out, "JPEG2000", irreversible=True, quality_mode="rates", quality_layers=[20])
    found = made(BitsAllocated=8, BitsStored=8, HighBit=7, **values)
    return _encapsulated(found, syntax, out.getvalue())


def _encapsulated(found: Dataset, syntax: str, stream: bytes) -> Dataset:
    found.file_meta.TransferSyntaxUID = syntax
    found.PixelData = encapsulate([stream])
    found["PixelData"].is_undefined_length = True
    return found


def run_length(stated: float) -> Dataset:
    """An image whose header says so many times its rows."""
    found = made()
    found.compress(RLELossless)
    found.Rows = round(stated * found.Rows)
    return found


def garbage(syntax: str) -> Callable[[], Dataset]:
    return lambda: _encapsulated(made(), syntax, b"\x00\x01\x02\x03" * 9)


def without_spacing() -> Dataset:
    return made(without="PixelSpacing", PixelAspectRatio=[2, 1])


def cut_off(count: int) -> Callable[[], bytes]:
    return lambda: file_of(made())[:count]


NO_SPACE = {"given": "px", "doubt": "no usable pixel spacing"}
DAMAGED = {"wrong": "cannot be decoded", "do": "again"}
SCREW = Bench(gap=2, soft=9, screws=(Screw((9, 0, -12), (-9, 0, 12), 3.5),))
LIMB = {"kind": "swelling_profile", "points": tuple}

BAD: dict[str, Bad] = {
    "no limb": Bad(
        lambda: made(np.random.default_rng(0).normal(300, 5, (400, 400))),
        wrong="No limb was found", do="use", **LIMB),
    "two limbs": Bad(
        lambda: made(np.hstack([carpus().pixels[:, 60:-60]] * 2)),
        wrong="Two limbs", do="crop one", **LIMB),
    "a limb that leaves the field": Bad(
        lambda: made(carpus().pixels[:, :330]), wrong="leave the field", do="use", **LIMB),
    "a joint where no limb is": Bad(
        lambda: made(np.random.default_rng(0).normal(300, 5, (400, 400))),
        wrong="does not look like a joint space", do="Click"),
    "burnt-out skin": Bad(
        lambda: made(np.maximum(carpus().pixels, 700)), doubt="burnt out", given="at least",
        kind="swelling_profile", points=lambda: (carpus().middle,)),
    "an implant over the joint": Bad(
        lambda: made(shoot_bench(SCREW).pixels), wrong="not look like a joint space", do="Click"),
    "clicks off the bone": Bad(
        made, points=lambda: beside_the_bone(), wrong="bone", do="click"),
    "clicks on one point": Bad(made, points=across(reach=0), wrong="at least", do="Click two"),
    "a line where there is none": Bad(
        made, kind="lucent_line", points=across(down=80), wrong="No line stands out", do="click"),
    "an implant where there is none": Bad(
        made, kind="implant", points=across(down=80), wrong="No straight metal", do="click"),
    "a ball where there is none": Bad(
        made, kind="ball", points=tuple, wrong="No ball was found", do="click its middle"),
    "a colour image": Bad(coloured, wrong="in colour (RGB)", do="original"),
    "colours from a palette": Bad(in_a_palette, wrong="in colour (PALETTE COLOR)", do="original"),
    "several frames": Bad(
        lambda: made(np.stack([joint().pixels] * 2)), wrong="2 frames", do="one frame"),
    "lossy by its header": Bad(
        lambda: made(LossyImageCompression="01"), doubt="compressed with loss", given="mm"),
    "lossy by its compression": Bad(
        lambda: lossy(JPEGBaseline8Bit), doubt="compressed with loss", given="mm"),
    "a compression that may lose": Bad(
        lambda: lossy(JPEG2000), doubt="compressed with loss", given="mm"),
    "spacing of zero": Bad(lambda: spaced("0\\0"), **NO_SPACE),
    "spacing that is no number": Bad(lambda: spaced("NaN\\NaN"), **NO_SPACE),
    "spacing without end": Bad(lambda: spaced("1e99\\1e99"), **NO_SPACE),
    "negative spacing": Bad(lambda: spaced("-.15\\-.15"), **NO_SPACE),
    "one number as spacing": Bad(lambda: spaced("0.15"), **NO_SPACE),
    "no spacing": Bad(
        lambda: made(without="PixelSpacing"), given="px", doubt="no pixel spacing"),
    "spacing of metres": Bad(
        lambda: made(PixelSpacing=[3, 3]), wrong="3 by 3 mm", do="correct the header"),
    "pixels that are not square": Bad(
        lambda: made(PixelSpacing=[0.15, 0.22]), doubt="not square", given="mm"),
    "pixels five times as wide as high": Bad(
        lambda: made(PixelSpacing=[0.15, 0.75]), wrong="0.15 by 0.75 mm", do="correct the header"),
    "smaller on the detector than in the body": Bad(
        lambda: made(ImagerPixelSpacing=[0.1, 0.1]), given="px", doubt="contradicts itself"),
    "magnified six times": Bad(
        lambda: made(ImagerPixelSpacing=[0.9, 0.9]), given="px", doubt="contradicts itself"),
    "a ratio that contradicts the spacing": Bad(
        lambda: made(PixelAspectRatio=[2, 1]), wrong="Pixel Aspect Ratio", do="correct the header"),
    "a ratio without a spacing": Bad(
        without_spacing, wrong="Pixel Aspect Ratio", do="correct the header"),
    "one pixel": Bad(
        lambda: made(np.zeros((1, 1))), points=lambda: ((0, 0), (1, 1)),
        wrong="1 by 1", do="original"),
    "twenty thousand pixels a side": Bad(
        lambda: made(np.zeros((2, 2)), Rows=20_000, Columns=20_000),
        wrong="20000 by 20000", do="cut out"),
    "a strip of twenty thousand rows": Bad(
        lambda: made(np.tile(joint().pixels, (56, 1))[:20_000]),
        wrong="2998 mm long", do="correct the header", **LIMB),
    "no contrast": Bad(
        lambda: made(np.full((400, 400), 7)), wrong="no contrast", do="original"),
    "no pixels": Bad(lambda: made(without="PixelData"), wrong="no pixels", do="image"),
    "a report": Bad(lambda: dataset(sop_class=SR), wrong="no pixels", do="image"),
    "no number of rows": Bad(lambda: made(without="Rows"), wrong="Rows", do="again"),
    "no bits": Bad(
        lambda: file_of(made()).replace(b"\x28\x00\x00\x01US", b"\x28\x00\x99\x01US"),
        wrong="Bits Allocated", do="again"),
    "pixels cut short": Bad(
        lambda: made(PixelData=joint().pixels.astype("<u2").tobytes()[:5000]),
        wrong="5000 of 216000 bytes", do="again"),
    "a compressed image of another size": Bad(
        lambda: lossy(JPEGBaseline8Bit, Rows=joint().pixels.shape[0] * 2),
        wrong="is 300 by 360 pixels, and its header says 300 by 720", do="again"),
    "a JPEG 2000 of another size": Bad(
        lambda: lossy(JPEG2000, Columns=joint().pixels.shape[1] // 2),
        wrong="is 300 by 360 pixels, and its header says 150 by 360", do="again"),
    "more pixels than the header says": Bad(
        lambda: made(Rows=joint().pixels.shape[0] // 2),
        wrong="216000 bytes instead of 108000 for 300 by 180 pixels", do="again"),
    "a run-length encoded image that is larger": Bad(
        lambda: run_length(0.5), wrong="216000 bytes instead of 108000", do="again"),
    "a run-length encoded image that is smaller": Bad(
        lambda: run_length(2.0), wrong="216000 bytes instead of 432000", do="again"),
    "damaged JPEG": Bad(garbage(JPEGBaseline8Bit), **DAMAGED),
    "damaged JPEG 2000": Bad(garbage(JPEG2000Lossless), **DAMAGED),
    "damaged JPEG-LS": Bad(garbage(JPEGLSLossless), **DAMAGED),
    "damaged RLE": Bad(garbage(RLELossless), **DAMAGED),
}  # fmt: skip
"""Everything that a node takes too, by what is wrong with it."""

NOT_DICOM = {"wrong": "no DICOM file", "do": "as the archive"}

ONLY_AS_FILES: dict[str, Bad] = {
    "a text": Bad(lambda: b"Carpus, right", **NOT_DICOM),
    "an empty file": Bad(lambda: b"", **NOT_DICOM),
    "a picture": Bad(lambda: _png(), **NOT_DICOM),
    "a file cut in its header": Bad(cut_off(500), wrong="no pixels", do="image"),
    "a file cut in its first bytes": Bad(cut_off(133), wrong="", do=""),
    "a file cut in its pixels": Bad(cut_off(-3000), wrong="213000 of 216000 bytes", do="again"),
    "a film": Bad(garbage(MPEG2MPML), wrong="MPEG2", do="uncompressed"),
    "a compression that is not known": Bad(garbage(JPEG_XL), wrong="JPEG XL", do="uncompressed"),
    "damaged HTJ2K": Bad(garbage(HTJ2KLossless), **DAMAGED),
}  # fmt: skip
"""What a person may give to the command line besides; a node refuses it at its door."""


def _png() -> bytes:
    out = io.BytesIO()
    Image.fromarray((joint().pixels // 16).astype(np.uint8)).save(out, "PNG")
    return out.getvalue()


def points_of(bad: Bad) -> Points:
    """Where it is clicked."""
    return (bad.points or across())()


def check(name: str, bad: Bad, found: dict) -> None:
    """That an answer says what the table asks for, in whole sentences of ours."""
    said = [found["refusal"], *found["doubts"]]
    assert not any("\n" in s or "0x" in s or "force=" in s for s in said), said
    if bad.given:
        assert found["refusal"] == "", name
        assert any(bad.doubt in doubt for doubt in found["doubts"]), found["doubts"]
        numbers = found["numbers"]
        assert numbers, name
        assert {n["bound"] or n["unit"] for n in numbers} >= {bad.given} or bad.given == "at least"
        if bad.given == "px":
            assert not {n["unit"] for n in numbers} & {"mm", "mm2"}
        if bad.given == "at least":
            assert numbers[0]["bound"] == "at least"
        return
    assert found["numbers"] == [], name
    assert bad.wrong in found["refusal"], found["refusal"]
    assert bad.do.casefold() in found["refusal"].casefold(), found["refusal"]
    assert found["refusal"].endswith("."), found["refusal"]
