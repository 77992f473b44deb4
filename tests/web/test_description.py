"""The interface as its OpenAPI description says, asked with whatever the description allows."""

from collections.abc import Iterator

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings

from dicom_service.settings import Settings
from dicom_service.statement.openapi import openapi
from dicom_service.store import Store
from dicom_service.web import create_app
from dicom_service.workflow import Desk
from tests.web.conftest import PASSWORD_HASH, SignedIn, file_of, image

EXAMPLES = 3
LEFT_OUT = (
    "delete /api/session",  # ends the session that the others need
    # Bodies of these are no JSON: test_hostile_uploads.py has them.
    "post /dicomweb/studies",
    "post /dicomweb/studies/{study}",
)


@pytest.fixture(scope="module")
def asked(tmp_path_factory) -> Iterator[tuple[SignedIn, str]]:
    """Somebody who may do everything, and a study that is ready to be read."""
    import uuid

    from dicom_service.web.dicomweb.incoming import read_instance_header

    folder = tmp_path_factory.mktemp("described")
    store = Store(folder)
    store.add_user("ida", "Vreeland^Ida", PASSWORD_HASH, ["reader", "administrator"])
    configured = Settings(data_folder=folder, requests_per_second=100_000)
    desk = Desk(store, configured)
    made = image(PatientSpeciesDescription="dog", BodyPartExamined="CARPUS", ViewPosition="ML")
    temp = store.incoming / f"{uuid.uuid4().hex}.dcm"
    temp.write_bytes(file_of(made))
    store.accept(temp, read_instance_header(temp), source="test")
    desk.prepare(made.StudyInstanceUID)
    app = create_app(configured, store, desk)
    yield SignedIn(app, "ida"), str(made.StudyInstanceUID)
    store.close()


SCHEMA = schemathesis.openapi.from_dict(openapi())
OPERATIONS = {
    f"{result.ok().method} {result.ok().path}": result.ok()
    for result in SCHEMA.get_all_operations()
}


@pytest.mark.parametrize("name", [n for n in OPERATIONS if n.lower() not in LEFT_OUT])
def test_whatever_the_description_allows_is_answered(asked, name):
    signed_in, study = asked
    operation = OPERATIONS[name]

    @settings(
        max_examples=EXAMPLES,
        deadline=None,
        database=None,
        derandomize=True,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(case=operation.as_strategy())
    def ask(case: schemathesis.Case) -> None:
        variables = dict(case.path_parameters or {})
        if "study" in variables:
            variables["study"] = study
        path = operation.path.format(**variables)
        body = case.body if isinstance(case.body, dict | list) else None
        answer = signed_in.send(
            operation.method.upper(),
            path,
            headers={k: str(v) for k, v in (case.headers or {}).items() if str(v).isprintable()},
            query_string=dict(case.query or {}),
            **({"json": body} if body is not None else {}),
        )
        assert answer.status_code < 500 or answer.status_code == 503, (path, answer.text)
        if answer.status_code >= 400:
            assert answer.mimetype == "application/problem+json", (path, answer.mimetype)
            assert answer.json["detail"]
            assert answer.json["advice"]

    ask()
