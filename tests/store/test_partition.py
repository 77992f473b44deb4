"""A database behind a network that loses every packet: nobody waits for ever, all go on after."""

import threading
import time

import psycopg
import pytest

from dicom_service.errors import TryLater
from dicom_service.store import postgres as engine_of
from tests.partitions import wire
from tests.postgres_server import Server
from tests.store.conftest import Kit

LIMIT = 30.0
"""Seconds after which a wait counts as one for ever; those that the tests set are 1."""


@pytest.fixture(scope="module")
def far():
    """A wire and a server at its other end."""
    with wire() as made:
        server = Server(durable=True, address=made.there, namespace=made.name)
        yield made, server
        server.close()


@pytest.fixture
def kit(far, tmp_path, monkeypatch):
    _, server = far
    monkeypatch.setattr(engine_of, "CONNECT_SECONDS", 1)
    monkeypatch.setattr(engine_of, "GONE_SECONDS", 1)
    monkeypatch.setattr(engine_of, "STUCK_SECONDS", 1)
    near = server.database()
    kit = Kit(tmp_path / "data", server.far(near))
    kit.near = near
    yield kit
    kit.store.close()
    server.give_back(near)


class Asked(threading.Thread):
    """Asks the store for something in a thread that the test need not wait for."""

    def __init__(self, question) -> None:
        super().__init__(daemon=True)
        self.question, self.said = question, None
        self.start()

    def run(self) -> None:
        try:
            self.said = self.question()
        except TryLater as error:
            self.said = error

    def answer(self):
        self.join(LIMIT)
        assert not self.is_alive(), "it waits for ever"
        return self.said


def test_a_question_to_a_database_whose_packets_vanish_ends_with_a_sentence(far, kit):
    made, _ = far
    kit.image("1.1")
    made.cut()
    try:
        listed = Asked(lambda: kit.store.studies())
        taken = Asked(lambda: kit.image("1.2"))
        assert isinstance(listed.answer(), TryLater)
        assert isinstance(taken.answer(), TryLater)
        assert "The index" in str(listed.said)
    finally:
        made.mend()
    assert kit.image("1.2") in ("new", "duplicate")
    assert {one.sop_instance_uid for one in kit.store.instances(kit.study)} == {"1.1", "1.2"}


def test_one_that_vanishes_while_a_statement_runs_is_noticed(far, kit):
    made, server = far
    began = threading.Event()

    def long():
        with kit.store._index.read() as connection:
            began.set()
            connection.exec_driver_sql("SELECT pg_sleep(600)")

    asked = Asked(long)
    assert began.wait(10)
    time.sleep(0.3)  # the server has the statement and said so: nothing of ours is under way
    made.cut()
    try:
        assert isinstance(asked.answer(), TryLater)
    finally:
        made.mend()
        with psycopg.connect(server.url("postgres"), autocommit=True) as other:
            other.execute(
                "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
                "WHERE query LIKE '%pg_sleep(600)' AND pid != pg_backend_pid()"
            )


@pytest.mark.long
def test_a_listener_notices_a_line_that_is_cut_and_hears_again(far, kit, caplog):
    made, _ = far
    heard = threading.Event()
    end = kit.store.listen(lambda _work: heard.set())
    try:
        assert heard.wait(10)
        made.cut()
        until = time.monotonic() + LIMIT
        while "cannot be listened to" not in caplog.text:
            assert time.monotonic() < until, "it is on a line that nobody has any more"
            time.sleep(0.05)
        heard.clear()
        made.mend()
        assert heard.wait(LIMIT), "it looks for what was missed"
        time.sleep(0.2)
        heard.clear()
        kit.image("1.1")
        assert heard.wait(LIMIT)
    finally:
        end()


@pytest.mark.long
def test_what_a_vanished_node_held_is_free_soon(far, kit):
    made, _ = far
    beside = Kit(kit.folder, kit.near)
    held, cut = threading.Event(), threading.Event()

    def holding():
        with kit.store._index.write(kit.study):
            held.set()
            cut.wait(LIMIT)

    asked = Asked(holding)
    try:
        assert held.wait(10)
        made.cut()
        assert Asked(lambda: beside.image("1.9")).answer() == "new"
    finally:
        cut.set()
        made.mend()
        asked.join(LIMIT)
        beside.store.close()
