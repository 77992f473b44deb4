"""`sesamoid check FILE…`: are these DICOM files good? For people who know PACS but not us."""

import argparse
import json
import sys
import textwrap
from collections.abc import Sequence

from dicom_service.checking import Row, check
from dicom_service.settings import Settings

_WIDTH = 100
_MARKS = {"good": "ok", "problem": "PROBLEM", "not checked": "-"}


def run(options: argparse.Namespace, settings: Settings) -> int:  # noqa: ARG001
    """Print one table (or JSON); 1 when anything is a problem."""
    rows = check(options.files, progress=lambda name: print(f"checking {name}", file=sys.stderr))
    if options.json:
        print(json.dumps([row.model_dump() for row in rows], ensure_ascii=False, indent=2))
    else:
        print(table(rows))
    return 1 if any(row.verdict == "problem" for row in rows) else 0


def table(rows: Sequence[Row]) -> str:
    """The rows for people: one block for each file, and a last line that counts."""
    lines: list[str] = []
    for name in dict.fromkeys(row.file for row in rows):
        lines.append(name)
        for row in rows:
            if row.file == name:
                start = f"  {row.checker:<17} {_MARKS[row.verdict]:<8} "
                lines += textwrap.wrap(
                    row.sentence or "no problem",
                    _WIDTH,
                    initial_indent=start,
                    subsequent_indent=" " * len(start),
                    break_long_words=False,
                )
    bad = [row for row in rows if row.verdict == "problem"]
    files = len({row.file for row in rows})
    wrong = len({row.file for row in bad})
    lines.append(
        f"{files} file{'s' * (files != 1)}, {len(bad)} problem{'s' * (len(bad) != 1)}"
        + (f" in {wrong} of them." if bad else ".")
    )
    return "\n".join(lines)
