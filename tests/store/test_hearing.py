"""Nodes of one index tell each other of work: once, and of which kind."""

import queue
import threading
import time
from collections.abc import Callable

import psycopg
import pytest

from dicom_service.store.index import SEND, SETTLE, tell
from tests.node.conftest import HANG_SECONDS


@pytest.fixture
def engine():
    return "postgres"


def test_a_node_hears_of_work_that_another_made(kit):
    heard = threading.Event()
    beside = kit.open()
    end = beside.listen(lambda _work: heard.set())
    try:
        for attempt in range(2):
            time.sleep(0.2)
            assert heard.wait(HANG_SECONDS), "once when the line is up"
            heard.clear()
            kit.image(study=f"1.2.{attempt}")
            assert heard.wait(HANG_SECONDS)
            heard.clear()
            if not attempt:  # a line that breaks is made again, and what was missed is looked for
                with pytest.MonkeyPatch.context() as patch:
                    patch.setattr("dicom_service.store.postgres.CONNECT_SECONDS", 0.1)
                    with psycopg.connect(kit.index_url, autocommit=True) as other:
                        other.execute(
                            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
                            "WHERE query LIKE 'LISTEN%' AND datname = current_database()"
                        )
                    assert heard.wait(HANG_SECONDS)
                    heard.set()
    finally:
        end()
        beside.close()


def test_it_hears_of_a_study_once_and_not_of_each_of_its_objects(kit):
    heard: queue.Queue[frozenset[str]] = queue.Queue()
    end = kit.store.listen(heard.put)

    def told(done: Callable[[], object]) -> set[str]:
        """What is heard of this, up to something that is told after it."""
        done()
        with kit.store._index.write() as connection:
            tell(connection, "the end")
        kinds: set[str] = set()
        while "the end" not in kinds:
            kinds |= heard.get(timeout=HANG_SECONDS)
        return kinds - {"the end"}

    try:
        assert heard.get(timeout=HANG_SECONDS) == set(), "anything may have been before"
        assert told(kit.image) == {SETTLE}
        assert told(kit.image) == set(), "it is known that it will be due"
        assert told(kit.other) == set()
        assert told(kit.prepare) == {SEND}
        assert told(kit.image) == {SETTLE}, "it is to be prepared anew"
        told(kit.prepare)
        assert told(kit.save) == set()
        assert told(kit.image) == {SETTLE}, "its template is stale"
        assert told(kit.image) == set()
        told(kit.prepare)
        assert told(kit.sign) == {SEND}
        assert told(kit.image) == set(), "it is signed: nobody prepares it"
        assert told(kit.reopen) == {SETTLE}
        kit.prior(study="1.2.9")
        assert told(lambda: kit.prior(study="1.2.9")) == set()
        assert told(lambda: kit.image(study="1.2.9")) == {SETTLE}
    finally:
        end()


def test_an_earlier_program_that_says_no_more_may_mean_anything(kit):
    heard: queue.Queue[frozenset[str]] = queue.Queue()
    end = kit.store.listen(heard.put)
    try:
        heard.get(timeout=HANG_SECONDS)
        with kit.store._index.write() as connection:
            tell(connection, "")
            tell(connection, SEND)
        assert heard.get(timeout=HANG_SECONDS) == set()
    finally:
        end()
