"""Runs the tests of the panel's plain classes, which are written for node's own test runner."""

import re
import subprocess
from collections.abc import Callable
from pathlib import Path

HERE = Path(__file__).parent


def test_all_javascript_tests_pass(program: Callable[[str], str]) -> None:
    files = sorted(str(file) for file in HERE.glob("*.test.js"))
    done = subprocess.run(
        [program("node"), "--test", *files], capture_output=True, text=True, timeout=120
    )
    assert done.returncode == 0, done.stdout + done.stderr
    ran = re.search(r"^# pass (\d+)$", done.stdout, re.MULTILINE)
    assert ran is not None, done.stdout
    assert int(ran[1]) >= len(files), "no tests were found in the files"
