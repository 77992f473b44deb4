"""Runs the tests of the reading list's words under Node.js."""

import subprocess
from pathlib import Path


def test_the_words_of_the_reading_list(program):
    tests = Path(__file__).with_suffix(".mjs")
    done = subprocess.run(
        [program("node"), "--test", str(tests)], capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 0, done.stdout
    assert "# pass 0" not in done.stdout, done.stdout
