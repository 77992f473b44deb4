"""An update of a node in its roles, one process after the other, while work comes in.

The next version changes the tables when the first of its processes starts; the others of the
version before go on beside it until their turn comes.
"""

import threading

import psycopg
import pytest

from tests.hostile.roles import Cluster, broken
from tests.node.conftest import image, wait_for
from tests.postgres_server import Server
from tests.store.newer import NEXT

SEED = 2026


@pytest.fixture
def cluster(tmp_path):
    server = Server(durable=True)
    cluster = Cluster(tmp_path, server.database(), SEED)
    yield cluster
    cluster.close()
    server.close()


def version(cluster) -> int:
    with psycopg.connect(cluster.url) as connection:
        (found,) = connection.execute("SELECT version FROM schema_version").fetchone()
        return found


def test_nobody_is_refused_while_one_process_after_the_other_becomes_newer(cluster, tmp_path):
    newer = (str(tmp_path / "newer"), "expand")
    seen = []

    def update():
        for role in cluster.roles:
            before = len(cluster.told.saved)
            cluster.replace(role, newer)
            # The others of the version before work beside it.
            wait_for(lambda before=before: len(cluster.told.saved) > before + 2, 60)
            seen.append(version(cluster))

    updating = threading.Thread(target=update)
    updating.start()
    while updating.is_alive():
        cluster.work(4, lambda: None)
    cluster.delivered()
    assert seen == len(cluster.roles) * [NEXT]
    assert cluster.refused == []
    assert broken(cluster) == []


def test_where_the_tables_lose_something_the_older_are_refused_until_their_turn(cluster, tmp_path):
    """The control, and what an update is where there is no other way."""
    newer = (str(tmp_path / "newer"), "contract")
    first, second, made = cluster.roles[0], cluster.roles[1], image()
    cluster.replace(second, newer)
    assert version(cluster) == NEXT
    cluster.ports.remove(second.port)
    assert not cluster.send(made)
    assert cluster.refused == [f"status {0xA700}"]
    cluster.replace(first, newer)
    assert cluster.send(made)
