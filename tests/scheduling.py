"""Files of tests go to workers as with `--dist loadfile`, and the run ends when a worker dies.

A worker keeps its last test until it is given more or told that there is none. After a worker died,
pytest-xdist 3.8.0 hands the files that it had finished to the others again, as files with nothing
to do, and gives its successor one file only, which may be a single test: both then wait for ever,
and which test had ended the worker is never said.
"""

from collections.abc import Iterator

import pytest
from xdist.remote import Producer
from xdist.scheduler import LoadFileScheduling
from xdist.workermanage import WorkerController


class WholeFiles(LoadFileScheduling):
    """Forgets what a dead worker had done, and does not run again what it died of."""

    def remove_node(self, node: WorkerController) -> str | None:
        """Take a worker out; returns the test that it died of, if it was in one."""
        files = self.assigned_work[node]
        crashed = next(_unfinished(files), None)
        for file, tests in list(files.items()):
            if crashed in tests:
                tests[crashed] = True
            if all(tests.values()):
                del files[file]
        super().remove_node(node)
        return crashed

    def _reschedule(self, node: WorkerController) -> None:
        if node not in self.registered_collections:  # it will be asked for when it has
            return
        super()._reschedule(node)
        while not node.shutting_down and self._pending_of(self.assigned_work[node]) < 2:
            super()._reschedule(node)


def _unfinished(files: dict[str, dict[str, bool]]) -> Iterator[str]:
    return (test for tests in files.values() for test, done in tests.items() if not done)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Producer) -> WholeFiles | None:
    """Called by pytest-xdist."""
    return WholeFiles(config, log) if config.option.dist == "loadfile" else None
