"""A database that is there and does not answer: the machine lives, its processes stand still."""

import os
import signal
import threading
import time

import psycopg
import pytest

from dicom_service.errors import TryLater
from dicom_service.store import postgres as engine_of
from tests.postgres_server import Server
from tests.store.conftest import Kit
from tests.store.test_partition import Asked


@pytest.fixture
def server():
    server = Server(durable=True)
    yield server
    server.close()


@pytest.fixture
def kit(server, tmp_path, monkeypatch):
    for name, seconds in (("ANSWER_SECONDS", 1.0), ("PING_SECONDS", 0.5), ("CONNECT_SECONDS", 2)):
        monkeypatch.setattr(engine_of, name, seconds)
    kit = Kit(tmp_path / "data", server.database())
    yield kit
    kit.store.close()


@pytest.fixture
def stopped():
    """Stops processes; in the end they go on."""
    numbers = []

    def stop(some):
        for number in some:
            os.kill(number, signal.SIGSTOP)
            numbers.append(number)

    def go_on():
        while numbers:
            os.kill(numbers.pop(), signal.SIGCONT)

    stop.go_on = go_on
    yield stop
    go_on()


def ours(server, kit) -> list[int]:
    """The processes of the server that work for the store."""
    with psycopg.connect(kit.index_url, autocommit=True) as connection:
        found = connection.execute(
            "SELECT pid FROM pg_stat_activity WHERE application_name LIKE 'sesamoid%'"
        ).fetchall()
    return [number for (number,) in found]


def test_one_process_that_stands_still_holds_up_one_question_and_not_for_ever(server, kit, stopped):
    kit.image("1.1")
    began = threading.Event()

    def long():
        with kit.store._index.read() as connection:
            connection.exec_driver_sql("SELECT 1")
            began.set()
            time.sleep(0.3)
            connection.exec_driver_sql("SELECT count(*) FROM studies")

    asked = Asked(long)
    assert began.wait(10)
    stopped(ours(server, kit))
    assert isinstance(asked.answer(), TryLater)
    assert "does not answer" in str(asked.said)
    # New ones are made in place of those that stand still, also of those that were idle.
    assert Asked(lambda: kit.image("1.2")).answer() == "new"
    stopped.go_on()
    assert {one.sop_instance_uid for one in kit.store.instances(kit.study)} == {"1.1", "1.2"}


def test_a_server_that_stands_still_as_a_whole_is_a_sentence_and_then_all_goes_on(
    server, kit, stopped
):
    kit.image("1.1")
    first = int((server.folder / "data" / "postmaster.pid").read_text().split()[0])
    stopped([first, *ours(server, kit)])
    listed = Asked(lambda: kit.store.studies())
    taken = Asked(lambda: kit.image("1.2"))
    assert isinstance(listed.answer(), TryLater)
    assert isinstance(taken.answer(), TryLater)
    stopped.go_on()
    assert kit.image("1.2") in ("new", "duplicate")
    assert {one.sop_instance_uid for one in kit.store.instances(kit.study)} == {"1.1", "1.2"}
    assert kit.store.audit_verify().why == ""


def test_a_transaction_that_is_not_answered_kept_all_or_nothing_and_its_bytes_stay(
    server, kit, stopped, monkeypatch
):
    told = engine_of.hold

    def stands_still(connection, *about):
        told(connection, *about)
        (number,) = connection.exec_driver_sql("SELECT pg_backend_pid()").one()
        stopped([number])

    with monkeypatch.context() as patch:
        patch.setattr(engine_of, "hold", stands_still)
        taken = Asked(lambda: kit.image("1.1"))
        assert isinstance(taken.answer(), TryLater)
    stopped.go_on()
    assert Asked(lambda: kit.image("1.1")).answer() in ("new", "duplicate")
    (row,) = kit.store.instances(kit.study)
    assert row.path.read_bytes() == b"pixels"


def test_the_change_of_tables_may_take_longer(server, kit):
    with kit.store._index.write("the tables") as connection:
        kit.store._index.begin_change(connection, None)
        connection.exec_driver_sql("SELECT pg_sleep(1.5)")
    with pytest.raises(TryLater), kit.store._index.write("the tables") as connection:
        connection.exec_driver_sql("SELECT pg_sleep(5)")
