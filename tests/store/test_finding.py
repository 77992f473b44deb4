"""How a page of the reading list is found: the same whichever way, and always in an index."""

import itertools
import random

import pytest
from sqlalchemy import event, insert, select, update

from dicom_service.store import ListQuery, finding, texts
from dicom_service.store.schema import list_lines, studies, study_words

_STATES = ("signed", "signed", "signed", "waiting", "reading", "arriving", "failed", "kept")
_QUESTIONS = [
    ListQuery(**dict(chosen))
    for count in (0, 1, 2)
    for chosen in itertools.combinations(
        (
            ("text", "rex"),
            ("stage", "to_read"),
            ("urgent", True),
            ("missing", True),
            ("species", "dog"),
            ("reader", "ida"),
            ("states", ("waiting", "reading")),
            ("states", ("signed", "kept")),
            ("order", "newest"),
        ),
        count,
    )
    if len({name for name, _ in chosen}) == count
]


@pytest.fixture(scope="module")
def rows():
    chance = random.Random(5)
    return [
        {
            "study_uid": f"1.5.{number}",
            "state": chance.choice(_STATES),
            "last_object_at": 1_700_000_000_000_000 + number // 2,
            "species": chance.choice(("dog", "cat")),
            "reader": chance.choice(("ida", "ben", "")),
            "patient_name": chance.choice(("rex", "rexy", "luna")),
            "priority": chance.choice((0, 0, 1, 2)),
            "missing": chance.choice(("", "No DPa view.")),
        }
        for number in range(300)
    ]


@pytest.fixture
def many(kit, rows):
    tables = (
        (studies, ("study_uid", "state", "last_object_at", "species", "reader", "patient_name")),
        (list_lines, ("study_uid", "priority", "missing")),
    )
    with kit.store._index.write() as connection:
        for table, names in tables:
            connection.execute(table.insert(), [{n: row[n] for n in names} for row in rows])
        words = [
            {"study_uid": row["study_uid"], "word": row[field]}
            for row in rows
            for field in ("patient_name", "species")
        ]
        connection.execute(study_words.insert(), words)
        texts.take_in_older(connection)
    return kit.store


def expected(rows, query):
    """The studies of a question, in order, without a database."""
    stage = {"to_read": "waiting"}.get(query.stage)
    found = [
        row
        for row in rows
        if row["patient_name"].startswith(query.text)
        and (stage is None or row["state"] == stage)
        and (not query.urgent or row["priority"])
        and (not query.missing or row["missing"])
        and query.species in ("", row["species"])
        and query.reader in ("", row["reader"])
        and (row["state"] in query.states if query.states else row["state"] != "kept")
    ]
    found.sort(key=lambda row: row["study_uid"])
    if stage and query.order == "queue":
        found.sort(key=lambda row: (-row["priority"], row["last_object_at"]))
    else:
        found.sort(key=lambda row: -row["last_object_at"])
    return [row["study_uid"] for row in found]


WAYS = {
    "from what few have": {"FEW": finding.FEW, "WORTH": 0, "FAR": 0},
    "the newest of what is known": {"FEW": finding.FEW, "WORTH": 1 << 40, "FAR": 0},
    "from the newest": {"FEW": 0, "KNOWN": 0, "FAR": 0},
    "from as many as statistics say": {"FEW": 0, "KNOWN": 0, "FAR": 10**9},
    "statistics mislead, to the newest": {"FEW": 0, "KNOWN": 0, "FAR": 10**9, "_LEAST": 1},
    "statistics mislead, to what few have": {"FAR": 10**9, "_LEAST": 1},
    "as it is delivered": {},
}


@pytest.mark.parametrize("way", WAYS)
def test_every_way_finds_what_is_asked_in_the_order_that_is_asked(many, rows, way, monkeypatch):
    if "_LEAST" in WAYS[way]:
        monkeypatch.setattr(finding, "_MORE", 0.0)
    for name, value in WAYS[way].items():
        monkeypatch.setattr(finding, name, value)
    for query in _QUESTIONS:
        wanted = expected(rows, query)
        found = [row.study_uid for row in many.listed(query, 20, 5)]
        assert found == wanted[5:25], query
        assert many.count_listed(query) == len(wanted), query
        assert many.count_listed(query, 7) == min(7, len(wanted)), query


def plans(store, query, *, counted=True):
    """How the database goes about finding a page and counting."""
    seen = []

    def explained(connection, cursor, statement, parameters, context, executemany):
        if statement.startswith("SELECT"):
            plan = cursor.execute(f"EXPLAIN QUERY PLAN {statement}", parameters).fetchall()
            seen.extend(row[-1] for row in plan)

    event.listen(store._index.engine, "before_cursor_execute", explained)
    with store._index.read() as connection:
        finding.page_of(connection, query, 50, 0)
        if counted:
            finding.count_of(connection, query, 1000)
    event.remove(store._index.engine, "before_cursor_execute", explained)
    return seen


@pytest.mark.parametrize(
    "query",
    [
        ListQuery(),
        ListQuery(stage="to_read"),
        ListQuery(stage="delivered"),
        ListQuery(text="rex luna"),
        ListQuery(text="rex", stage="to_read"),
        ListQuery(urgent=True),
        ListQuery(urgent=True, missing=True),
        ListQuery(missing=True, species="dog"),
        ListQuery(reader="ida"),
        ListQuery(species="rabbit"),
        ListQuery(stage="in_progress", urgent=True),
        ListQuery(states=("waiting", "reading")),
        ListQuery(states=("signed",)),
    ],
    ids=str,
)
def test_a_question_that_many_answer_reads_no_row_of_a_study(sqlite_kit, query, monkeypatch):
    monkeypatch.setattr(finding, "FEW", -1)
    monkeypatch.setattr(finding, "KNOWN", -1)
    lines = plans(sqlite_kit.store, query)
    of_studies = [line for line in lines if line.startswith(("SCAN studies", "SEARCH studies"))]
    assert len(of_studies) == 2, lines
    assert all("COVERING INDEX" in line for line in of_studies), lines
    words = [line for line in lines if "study_words" in line]
    assert all("INDEX study_words_of_study" in line or "word>" in line for line in words), lines


@pytest.mark.parametrize(
    "query",
    [
        ListQuery(),
        ListQuery(text="rex"),
        ListQuery(reader="ida"),
        ListQuery(missing=True),
        ListQuery(species="rabbit"),
    ],
    ids=str,
)
def test_the_newest_are_walked_through_in_order_and_not_sorted(sqlite_kit, query, monkeypatch):
    monkeypatch.setattr(finding, "FEW", -1)
    monkeypatch.setattr(finding, "KNOWN", -1)
    lines = plans(sqlite_kit.store, query)
    assert not any("TEMP B-TREE FOR ORDER BY" in line for line in lines), lines
    index = "studies_of_reader" if query.reader else "studies_newest"
    index = "studies_of_species" if query.species else index
    index = "studies_lacking" if query.missing else index
    assert any(f"INDEX {index}" in line for line in lines), lines


@pytest.mark.parametrize(
    ("query", "index"),
    [
        (ListQuery(stage="to_read"), "studies_waiting"),
        (ListQuery(stage="in_progress", missing=True), "studies_reading"),
        (ListQuery(stage="to_read", sites=("north",)), "studies_waiting_at_site"),
        (ListQuery(stage="in_progress", sites=("north",)), "studies_reading_at_site"),
    ],
    ids=str,
)
def test_a_queue_is_read_from_its_head_and_not_sorted(sqlite_kit, query, index):
    (line,) = plans(sqlite_kit.store, query, counted=False)
    assert f"USING COVERING INDEX {index}" in line


@pytest.mark.parametrize("query", [ListQuery(stage="trouble"), ListQuery(urgent=True)], ids=str)
def test_what_few_of_many_are_is_read_in_order_and_not_sorted(sqlite_kit, query):
    lines = plans(sqlite_kit.store, query, counted=False)
    assert not any("TEMP B-TREE FOR ORDER BY" in line for line in lines), lines
    assert all("studies USING COVERING INDEX" in line for line in lines if "studies" in line)


def test_the_database_keeps_what_a_line_says_whoever_writes_it(kit):
    def shown():
        with kit.store._index.read() as connection:
            return tuple(connection.execute(select(studies.c.urgent, studies.c.lacking)).one())

    kit.image()
    assert shown() == (0, 0)
    for change in (
        insert(list_lines).values(study_uid=kit.study, priority=2, missing=""),
        update(list_lines).values(missing="No DPa view."),
        update(list_lines).values(priority=0),
    ):
        with kit.store._index.write() as connection:
            connection.execute(change)
            line = connection.execute(select(list_lines)).one()
        assert shown() == (line.priority, int(line.missing != ""))


def test_marks_that_few_have_lead_to_the_studies(sqlite_kit):
    for query in (
        ListQuery(text="rex"),
        ListQuery(species="dog", urgent=True),
        ListQuery(missing=True, species="dog", text="rex stifle"),
    ):
        lines = plans(sqlite_kit.store, query)
        assert not any(line.startswith("SCAN studies") for line in lines), lines
        assert any("SEARCH studies USING INTEGER PRIMARY KEY" in line for line in lines), lines
        assert not any("study_words" in line or "list_lines" in line for line in lines), lines


def test_the_newest_of_many_that_are_known_are_met_on_the_way(many, engine, monkeypatch):
    if engine != "sqlite":
        return  # the other engine does not tell in which order studies came
    monkeypatch.setattr(finding, "FEW", 5)
    met = plans(many, ListQuery(text="rex"))
    assert any("SCAN studies USING COVERING INDEX studies_newest" in line for line in met), met
    # None of a rare word would be met soon.
    with many._index.read() as connection:
        known = texts.found(connection, finding._matched(connection, ListQuery(text="rex")), 300)
        assert texts.depth(connection, known, 1) < texts.depth(connection, known, known.many)
        assert texts.depth(connection, known, known.many + 1) is None


def test_words_that_many_studies_have_but_none_together_end_the_search_at_once(
    many, engine, monkeypatch
):
    monkeypatch.setattr(finding, "FEW", 5)
    monkeypatch.setattr(finding, "KNOWN", 5)
    query = ListQuery(text="rexy luna")
    assert many.listed(query, 50) == []
    if engine == "sqlite":
        assert not any("study_words" in line for line in plans(many, query))


def test_the_full_text_index_follows_every_change(kit, later):
    kit.image(patient_name="Brandt^Pip")

    def found(**asked):
        query = ListQuery(**asked)
        with kit.store._index.read() as connection:
            indexed = texts.found(connection, finding._matched(connection, query), 9).many
        assert indexed == len(kit.store.listed(query, 9)), asked
        return bool(indexed)

    assert found(text="bra pip")
    assert not found(urgent=True, text=kit.study)
    kit.prepare()  # without a name in its facts
    assert not found(text="brandt")
    assert found(text=kit.study)
    kit.store.set_priority(kit.study, 2, user="ida", at=later(0))
    assert found(urgent=True, text=kit.study)
    assert not found(urgent=True, missing=True, text=kit.study)
    kit.store.set_priority(kit.study, 0, user="ida", at=later(0))
    assert not found(urgent=True, text=kit.study)
    kit.restart()
    assert found(text=kit.study)


def test_a_store_whose_texts_do_not_fit_is_indexed_when_it_is_opened(sqlite_kit):
    sqlite_kit.image(patient_name="Brandt^Pip")
    with sqlite_kit.store._index.write() as connection:
        connection.exec_driver_sql("UPDATE study_texts SET number = number + 7")
    assert len(sqlite_kit.restart().listed(ListQuery(text="pip bra"), 9)) == 1
    sqlite_kit.prepare()
    assert sqlite_kit.store.listed(ListQuery(text="brandt"), 9) == []


@pytest.mark.parametrize(
    "text", ['"', 'a" OR "b', "rex*", "¤urgent", "-", "NOT", "ẞÅ", "日本", "٣", "a.b"]
)
def test_no_text_is_taken_for_a_command_of_the_index(many, text):
    assert isinstance(many.listed(ListQuery(text=text), 9), list)


@pytest.mark.parametrize("engine", ["postgres"], indirect=True)
def test_texts_are_never_gone_through_from_end_to_end(many):
    with many._index.write() as connection:
        connection.exec_driver_sql("ANALYZE study_texts")
    seen = []

    def explained(connection, cursor, statement, parameters, context, executemany):
        if "json_agg(study_uid)" in statement:
            seen.extend(cursor.execute(f"EXPLAIN {statement}", parameters).fetchall())

    event.listen(many._index.engine, "before_cursor_execute", explained)
    with many._index.read() as connection:
        texts.found(connection, "'rex':* & 'dog'", 1)
        after = connection.exec_driver_sql("SHOW enable_seqscan").scalar()
        memory = connection.exec_driver_sql("SHOW work_mem").scalar()
    event.remove(many._index.engine, "before_cursor_execute", explained)
    assert seen
    assert not any("Seq Scan" in line for (line,) in seen), seen
    assert (after, memory) == ("on", "64MB")
