"""The table of hostile cases names tests that are there."""

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]


def test_every_test_that_the_table_names_is_there():
    table = (ROOT / "docs/hostile-cases.md").read_text("utf-8")
    named = re.findall(r"\| (tests/\S+\.py)::(test_\w+) \|", table)
    assert len(named) == sum(line.startswith("| ") for line in table.splitlines()) - 3
    gone = [n for file, n in named if f"def {n}(" not in (ROOT / file).read_text("utf-8")]
    assert gone == []
