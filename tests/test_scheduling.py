"""A test that ends its worker is named, and the run comes to its end."""

import subprocess
import sys

FILES = 12
DIES = 7
OPTIONS = [
    "-q",
    "-n",
    "2",
    "--dist",
    "loadfile",
    "--no-loadscope-reorder",
    "-p",
    "tests.scheduling",
]


def test_a_run_goes_on_when_a_worker_dies_and_says_of_which_test(tmp_path):
    for number in range(FILES):
        lines = "import os\ndef test_first(): pass\ndef test_second(): pass\n"
        if number == DIES:
            lines += "def test_dies(): os._exit(1)\ndef test_after(): pass\n"
        (tmp_path / f"test_{number:02}.py").write_text(lines, "utf-8")
    (tmp_path / "pytest.ini").write_text("[pytest]\n", "utf-8")
    command = [sys.executable, "-m", "pytest", *OPTIONS, "--rootdir", str(tmp_path), str(tmp_path)]
    ended = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert ended.returncode == 1, ended.stdout
    assert f"crashed while running 'test_{DIES:02}.py::test_dies'" in ended.stdout
    assert f"1 failed, {2 * FILES + 1} passed" in ended.stdout
