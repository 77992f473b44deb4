"""The conformance statement and the OpenAPI description say what the code does, all of it."""

import re

from openapi_spec_validator import OpenAPIV31SpecValidator
from openapi_spec_validator import validate as validate_openapi

from dicom_service.codes import SCHEME_UID
from dicom_service.errors import OUTCOMES
from dicom_service.node.limits import LIMITS
from dicom_service.node.services import STORED_CLASSES, TRANSFER_SYNTAXES
from dicom_service.report.states import STATES
from dicom_service.settings import Settings
from dicom_service.statement import conformance_statement, openapi
from dicom_service.statement.openapi import BODIES, MEDIA, QUERIES
from dicom_service.statement.routes import routes
from dicom_service.store import Store
from dicom_service.web import create_app
from dicom_service.workflow import Desk

STATEMENT = conformance_statement()
API = openapi()


def _rows(title: str) -> list[list[str]]:
    """The cells of the first table below a heading."""
    below = STATEMENT.split(f"{title}\n", 1)[1]
    table = re.search(r"(?:^\|.*\n)+", below, flags=re.M)
    assert table is not None
    return [line.strip("| ").split(" | ") for line in table[0].splitlines()[2:]]


def test_every_class_that_is_received_is_stated_as_scp() -> None:
    rows = {row[1]: row[3] for row in _rows("## 1 Overview")}
    assert {uid for uid in STORED_CLASSES if rows[uid] == "yes"} == set(STORED_CLASSES)
    assert rows["1.2.840.10008.1.20.1"] == "no"


def test_transfer_syntaxes_limits_states_and_statuses_are_those_of_the_code() -> None:
    assert [row[1] for row in _rows("### 4.3 Storage SCP")] == list(TRANSFER_SYNTAXES)
    assert len(_rows("### 4.2 Limits of what is accepted")) == len(type(LIMITS).model_fields)
    assert str(LIMITS.pdu) in {row[1] for row in _rows("### 4.2 Limits of what is accepted")}
    assert {row[0] for row in _rows("### 8.1 Created objects")} == set(STATES)
    for outcome in OUTCOMES.values():
        assert f"| 0x{outcome.dimse:04X} |" in STATEMENT
    assert SCHEME_UID in {row[1] for row in _rows("### 8.3 Coding schemes")}


def test_the_completion_criteria_are_stated() -> None:
    assert "C.17.2.7" in STATEMENT


def test_no_row_of_a_table_is_broken() -> None:
    for block in re.findall(r"(?:^\|.*\n)+", STATEMENT, flags=re.M):
        assert len({line.count("|") for line in block.splitlines()}) == 1, block


def test_the_description_is_valid_openapi() -> None:
    validate_openapi(API, cls=OpenAPIV31SpecValidator)


def test_every_address_of_the_real_application_is_described(tmp_path) -> None:
    settings = Settings(data_folder=tmp_path)
    store = Store(tmp_path)
    try:
        app = create_app(settings, store, Desk(store, settings))
    finally:
        store.close()
    real = {
        (re.sub(r"<(?:\w+:)?(\w+)>", r"{\1}", str(rule.rule)), method.lower())
        for rule in app.url_map.iter_rules()
        for method in (rule.methods or set()) - {"HEAD", "OPTIONS"}
        if str(rule.rule).startswith(("/api/", "/dicomweb/"))
    }
    described = {(path, method) for path, of in API["paths"].items() for method in of}
    assert described == real


def test_whatever_takes_json_has_its_model_and_no_entry_is_left_over() -> None:
    endpoints = {route.endpoint for route in routes()}
    assert set(BODIES) | set(MEDIA) | set(QUERIES) <= endpoints
    taking = {r.endpoint for r in routes() if r.method in ("POST", "PUT", "PATCH")}
    described = {name for name, body in BODIES.items() if body.takes is not None}
    assert taking - {"dicomweb.store_objects"} == described, "add the model to BODIES"


def test_a_change_asks_for_the_token_and_a_save_for_its_version() -> None:
    save = API["paths"]["/api/studies/{study}/reading"]["put"]
    assert save["security"] == [{"cookie": [], "token": []}]
    assert "If-Match" in {p["name"] for p in save["parameters"]}
    assert save["requestBody"]["content"]["application/json"]["schema"]["$ref"].endswith("/Reading")
    assert API["paths"]["/api/health"]["get"]["security"] == []
