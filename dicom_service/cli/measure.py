"""`sesamoid measure`: one measurement on one file, as JSON and as a picture to look at."""

import argparse
import sys
from pathlib import Path
from typing import get_args

import numpy as np
from PIL import Image, ImageDraw
from pydantic import TypeAdapter, ValidationError

from dicom_service.errors import Refused, SetupError
from dicom_service.measure import Drawn, Measured, MeasureRequest, NotMeasurable, Picture
from dicom_service.measure.request import Kind
from dicom_service.review.computed import ComputedNumber, Coordinate, Scale, number_words
from dicom_service.settings import Settings
from dicom_service.workflow.loading import load
from dicom_service.workflow.measuring import measure_file

COLOURS = ("#ff4040", "#40e0ff", "#ffd040", "#60ff60", "#ff70ff", "#ffffff")

NARROWEST = 560
"""Width of the picture, so that words fit beneath a small image."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    add = parser.add_argument
    add("file", type=Path, metavar="FILE")
    add("kind", choices=get_args(Kind))
    add("--point", action="append", metavar="COLUMN,ROW", help="in the order asked")
    add("--name", help="measurement of the catalogue, such as aLDFA")
    add("--species", help="compare with published values of this species")
    add("--breed", help="compare with those of this breed or size")
    add("--sex", choices=["M", "F"], help="compare with those of this sex")
    add("--true-mm", type=float, help="true size of the ball or ruler")
    add("--scale", choices=["ball", "ruler"],
                     help="take the size of pixels from this, of --true-mm")  # fmt: skip
    add("--scale-point", action="append", metavar="COLUMN,ROW")
    other = "the other limb, an earlier image, or a fracture's view across"
    add("--control", type=Path, help=other)
    add("--control-point", action="append", metavar="COLUMN,ROW")
    add("--png", type=Path, help="annotated picture to write")


def run(options: argparse.Namespace, settings: Settings) -> int:
    """Print the measurement as JSON; write the annotated picture; 1 when it was refused."""
    del settings  # measuring needs no node
    if not options.file.is_file():
        raise Refused(f"{options.file} is not a file.")
    request = _request(options, options.point or [])
    control = None
    if options.control:
        if not options.control.is_file():
            raise Refused(f"{options.control} is not a file.")
        control = measure_file(options.control, _request(options, options.control_point or []))
    found = measure_file(options.file, request, control, _scale(options))
    print(found.model_dump_json(indent=2))
    if options.png:
        _draw_into(options.png, options.file, found)
    return 1 if found.refusal else 0


def _draw_into(png: Path, file: Path, found: Measured) -> None:
    try:
        pic, _ = load(file)
    except NotMeasurable:  # the reason has been printed: it is the refusal
        print("No picture was written: the file has none that can be drawn on.", file=sys.stderr)
        return
    try:
        annotated(pic, found).save(png, "PNG")
    except OSError as error:
        raise SetupError(f"{png} cannot be written: {error.strerror}.") from error


def _request(options: argparse.Namespace, words: list[str]) -> MeasureRequest:
    points = _points(words)
    try:
        return MeasureRequest(
            kind=options.kind, points=points, name=options.name or "",
            true_mm=options.true_mm or 0.0, species=options.species or "",
            breed=options.breed or "", sex=options.sex or "",
        )  # fmt: skip
    except ValidationError as error:
        raise _wrong(error) from error


def _wrong(error: ValidationError) -> Refused:
    """The first argument that is wrong, in a sentence."""
    first = error.errors(include_url=False, include_input=False)[0]
    option = str(first["loc"][0]).removesuffix("s").replace("_", "-")
    return Refused(f"--{option} is wrong: {first['msg']}.")


def _scale(options: argparse.Namespace) -> Scale | None:
    """The object that gives the image its scale, where one is named."""
    if not options.scale:
        return None
    if not options.true_mm:
        raise Refused(f"Say with --true-mm how large the {options.scale} is.")
    points = _points(options.scale_point or [])
    try:
        return Scale(kind=options.scale, points=points, true_mm=options.true_mm)
    except ValidationError as error:
        raise _wrong(error) from error


def _points(words: list[str]) -> tuple[tuple[float, float], ...]:
    try:
        return TypeAdapter(tuple[tuple[Coordinate, Coordinate], ...]).validate_python(
            tuple(tuple(word.split(",")) for word in words)
        )
    except ValidationError as error:
        raise Refused("Points are written COLUMN,ROW, such as --point 512.5,840.") from error


def annotated(pic: Picture, found: Measured) -> Image.Image:
    """The image with everything that was drawn, and the words beneath it."""
    step = max(1, round(max(pic.values.shape) / 1500))
    low, high = np.percentile(pic.values, [1, 99.7])
    grey = np.clip((pic.values[::step, ::step] - low) / max(float(high - low), 1e-9), 0, 1)
    picture = Image.fromarray((grey * 255).astype(np.uint8)).convert("RGB")
    width = max(picture.width, NARROWEST)
    words = [("#ffffff", part) for line in _lines(found) for part in _wrapped(line, width)]
    words += [(COLOURS[i % len(COLOURS)], d.name) for i, d in enumerate(found.drawn)]
    canvas = Image.new("RGB", (width, picture.height + 18 * len(words) + 8))
    canvas.paste(picture)
    pen = ImageDraw.Draw(canvas)
    for index, shape in enumerate(found.drawn):
        _draw(pen, shape, COLOURS[index % len(COLOURS)], step)
    for index, (colour, line) in enumerate(words):
        pen.text((6, picture.height + 4 + 18 * index), line, fill=colour)
    return canvas


def _wrapped(line: str, width: int) -> list[str]:
    """The line in as many as fit beside each other over the width."""
    pen = ImageDraw.Draw(Image.new("L", (1, 1)))
    rows = [""]
    for word in line.split(" "):
        longer = f"{rows[-1]} {word}".lstrip()
        if rows[-1] and pen.textlength(longer) > width - 12:
            rows.append(f"  {word}")
        else:
            rows[-1] = longer
    return rows


def _draw(pen: ImageDraw.ImageDraw, shape: Drawn, colour: str, step: int) -> None:
    points = [(x / step, y / step) for x, y in shape.points]
    if shape.kind == "circle":
        (x, y), r = points[0], shape.radius / step
        pen.ellipse([x - r, y - r, x + r, y + r], outline=colour, width=2)
    elif shape.kind == "points":
        for x, y in points:
            pen.ellipse([x - 1, y - 1, x + 1, y + 1], fill=colour)
    else:
        pen.line(points, fill=colour, width=1)


def _lines(found: Measured) -> list[str]:
    if found.refusal:
        return [f"not measured: {found.refusal}"]
    lines = [f"{n.name}: {number_words(ComputedNumber(**dict(n)))}" for n in found.numbers]
    if found.word:
        lines.append(f"{found.word}: {found.why}")
    return [*lines, *(f"doubt: {doubt}" for doubt in found.doubts)]
