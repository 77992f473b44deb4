"""How fast a large index on PostgreSQL answers; see docs/performance.md.

    python -m tests.benchmarks.postgres --studies 1000000 --json result.json

A server is started for it from Debian's package and removed afterwards. The studies are made by
the server, as those of `reading_list.py` are, of the same words in the same shares, with two
objects each. With `--url` and `--folder` a database of another server is used, filled when it is
empty, and kept for the next run.
"""

import argparse
import json
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any, get_args

import psycopg
from sqlalchemy import Boolean, Integer, Table

from dicom_service.store import Store
from dicom_service.store.model import StudyState
from dicom_service.store.schema import (
    documents,
    instances,
    list_lines,
    outbox,
    studies,
    study_texts,
    study_words,
)
from tests.benchmarks.reading_list import _NAMES, _PARTS, _SPECIES, _STATES, _timed, measure
from tests.postgres_server import Server

_FILLED = (studies, study_words, study_texts, instances, list_lines, documents, outbox)
_STUDY = {
    "study_uid": "'1.2.826.0.1.3680043.10.' || (n::bigint * 7919 % 9999991) || '.' || n",
    "patient_id": "'A' || n / 3",
    "patient_name": "'Owner' || 100 + floor(random() * 200)::int || '^' || {names}",
    "species": "{species}",
    "accession_number": "'ACC' || n",
    "description": "{parts} || ' ' || (array['left', 'right'])[1 + floor(random() * 2)::int]",
    "regions": "'[]'",
    "state": "{states}",
    "reader": "case when random() < 0.001 then 'ida' else 'ben' end",
    "images": "2",
    "urgent": "(random() < 0.01)::int",
    "lacking": "(random() < 0.02)::int",
    "last_object_at": "n::bigint * 172800000",
    "latest_at": "n::bigint * 172800000",
    # As compressible as JSON is, to a sixth.
    "facts": "repeat((select string_agg(md5(n::text || k), '') from "
    "generate_series(1, 8) as k), 6)",
    "template": "repeat((select string_agg(md5(n || 't' || k), '') from "
    "generate_series(1, 13) as k), 6)",
}
_OBJECT = {
    "sop_instance_uid": "study_uid || '.' || k",
    "study_uid": "study_uid",
    "series_uid": "study_uid || '.9'",
    "sop_class_uid": "'1.2.840.10008.5.1.4.1.1.1'",
    "transfer_syntax": "'1.2.840.10008.1.2.1'",
    "modality": "'CR'",
    "patient_id": "patient_id",
    "instance_number": "k",
    "blob": "substr(md5(study_uid || k), 1, 32)",
    "digest": "md5(study_uid) || md5(k::text)",
    "size": "8000000",
    "received_at": "last_object_at",
}
_WORDS = (
    "unnest(string_to_array(lower(replace(concat_ws(' ', patient_id, patient_name, species, "
    "accession_number, description, study_uid), '^', ' ')), ' '))"
)


def fill(url: str, count: int, *, short: bool = False) -> None:
    """Let the server make invented studies; the indexes are made when the rows are there.

    Parameters
    ----------
    short
        Without facts, templates and single words, which no question reads and which take most of
        the disk.
    """
    with psycopg.connect(url, autocommit=True) as base:
        # No checks of foreign keys, and no triggers.
        base.execute("SET session_replication_role = replica")
        base.execute("SET synchronous_commit = off")
        base.execute("SET work_mem = '256MB'")
        base.execute("SET maintenance_work_mem = '512MB'")
        base.execute("SELECT setseed(0.1)")
        indexes = base.execute(
            "SELECT indexname, indexdef FROM pg_indexes WHERE tablename = ANY(%s) "
            "AND indexname NOT IN (SELECT conname FROM pg_constraint)",
            ([table.name for table in _FILLED],),
        ).fetchall()
        for name, _ in indexes:
            base.execute(f"DROP INDEX {name}")
        for statement in (*_statements(count, short=short), *(made for _, made in indexes)):
            began = time.monotonic()
            base.execute(statement)
            print(f"{time.monotonic() - began:6.0f} s {statement[:70]}", flush=True)
        base.execute("VACUUM (ANALYZE)")


def _statements(count: int, *, short: bool) -> list[str]:
    chosen = {
        "names": _one_of(_NAMES),
        "species": _one_of(_SPECIES),
        "parts": _one_of(_PARTS),
        "states": _one_of(_STATES),
    }
    study = {name: made.format(**chosen) for name, made in _STUDY.items()}
    if short:
        study |= {"facts": "'{}'", "template": "'{}'"}
    line = {
        "study_uid": "study_uid",
        "question": "'Lame?'",
        "missing": "case when lacking > 0 then 'No DPa view.' else '' end",
        "priority": "urgent",
    }
    paper = {"study_uid": "study_uid", "sop_instance_uid": "study_uid || '.7'", "kind": "'final'"}
    paper |= {"blob": "md5(study_uid)", "id": "row_number() over ()"}
    sent = {"study_uid": "study_uid", "sop_instance_uid": "study_uid || '.7'"}
    sent |= {"state": "case when random() < 0.9999 then 'committed' else 'owed' end"}
    sent |= {"destination": "'archive'", "id": "row_number() over ()"}
    signed = "FROM studies WHERE state = 'signed'"
    made = [
        _insert(studies, study, f"FROM generate_series(1, {count}) AS n"),
        _insert(instances, _OBJECT, "FROM studies, generate_series(1, 2) AS k"),
        _insert(list_lines, line, "FROM studies"),
        _insert(documents, paper, signed),
        _insert(outbox, sent, signed),
        f"INSERT INTO study_texts (study_uid, words) SELECT study_uid, (SELECT string_agg(word, "
        f"' ' ORDER BY word) FROM (SELECT {_WORDS} AS word "
        "UNION ALL SELECT '¤urgent' WHERE priority > 0 "
        "UNION ALL SELECT '¤missing' WHERE missing != '') AS known) "
        "FROM studies JOIN list_lines USING (study_uid)",
    ]
    if not short:
        made.append(
            f"INSERT INTO study_words (word, study_uid) SELECT {_WORDS}, study_uid FROM studies"
        )
    return made


def _one_of(values: Any) -> str:
    listed = ", ".join(f"'{value}'" for value in values)
    return f"(array[{listed}])[1 + floor(random() * {len(values)})::int]"


def _insert(table: Table, values: dict[str, str], source: str) -> str:
    blank = {
        column.name: "false"
        if isinstance(column.type, Boolean)
        else "0"
        if isinstance(column.type, Integer)
        else "''"
        for column in table.columns
        if not column.nullable
    }
    row = blank | values
    named = ", ".join(f'"{name}"' for name in row)
    return f"INSERT INTO {table.name} ({named}) SELECT {', '.join(row.values())} {source}"


def processors(store: Store) -> Callable[[], float]:
    """Seconds that this thread and the server's processes for it have used, if it is here."""
    with store._index.read() as connection:
        asked = "SELECT pid FROM pg_stat_activity WHERE datname = current_database()"
        pids = connection.exec_driver_sql(asked).scalars().all()
    files = [file for pid in pids if (file := Path(f"/proc/{pid}/schedstat")).exists()]

    def spent() -> float:
        return time.thread_time() + sum(int(f.read_text().split()[0]) for f in files) / 1e9

    return spent


def queries(store: Store, count: int, rounds: int) -> dict[str, dict[str, float]]:
    """Milliseconds of what the index does for a DICOMweb search (QIDO-RS); files are not read."""

    def search(**wanted: Any) -> None:
        found = store.studies(states=get_args(StudyState), limit=50, **wanted)
        store.instances_of([row.study_uid for row in found])

    def one(uid: str) -> None:
        store.study(uid)
        store.instances(uid)

    newest = store.studies(limit=1)[0].study_uid
    asked: dict[str, Callable[[], None]] = {
        "QIDO, one study": partial(one, newest),
        "QIDO, a patient's studies": partial(search, patient_id=f"A{count // 6}"),
        "QIDO, the newest 50 studies": search,
    }
    spent = processors(store)
    return {name: _timed({"page": ask}, rounds, spent) for name, ask in asked.items()}


def run(url: str, folder: Path, count: int, rounds: int, *, short: bool) -> dict[str, Any]:
    """Fill an empty database and measure it."""
    store = Store(folder, index_url=url)
    try:
        if not store.studies(limit=1):
            began = time.monotonic()
            fill(url, count, short=short)
            print(f"filled in {time.monotonic() - began:.0f} s", flush=True)
        if not rounds:
            return {}
        measure(store, 1)  # connections, and what the server reads once
        spent = processors(store)
        return measure(store, rounds, spent=spent) | queries(store, count, rounds)
    finally:
        store.close()


def main() -> None:
    """Fill, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=1_000_000)
    parser.add_argument("--rounds", type=int, default=9, help="0: only fill")
    parser.add_argument("--short", action="store_true", help="fill only what is asked for")
    parser.add_argument("--url")
    parser.add_argument("--folder", type=Path, help="the data folder that belongs to it")
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    asked = options.studies, options.rounds
    with tempfile.TemporaryDirectory() as temporary:
        folder = options.folder or Path(temporary)
        if options.url:
            found = run(options.url, folder, *asked, short=options.short)
        else:
            server = Server()
            try:
                found = run(server.database(), folder, *asked, short=options.short)
            finally:
                server.close()
    for name, figures in found.items():
        print(f"{name:40}" + "".join(f"{k} {v:<9}" for k, v in figures.items()))
    if options.json:
        options.json.write_text(json.dumps(found, indent=1))


if __name__ == "__main__":
    main()
