"""A browser, and a node that speaks the panel's API from memory and fails on demand."""

import json
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from flask import Flask, Response, jsonify, request
from playwright.sync_api import Browser, Locator, Page

from dicom_service import review
from dicom_service.errors import Refused
from dicom_service.intake.corrected import corrected
from dicom_service.intake.model import Spacing, StudyFacts
from dicom_service.measure import MeasureRequest, Picture, measure, picture
from dicom_service.review.model import SECTIONS, Reading, Section, Template
from dicom_service.store import Preferences
from dicom_service.workflow.advice import advise
from dicom_service.workflow.comparing import ComparedAsked, changes_of
from dicom_service.workflow.measurable import measurable
from dicom_service.workflow.measuring import ONLY_STUDY, StudyMeasureRequest, animal_of
from dicom_service.workflow.prior_model import (
    PriorImage,
    PriorMeasurement,
    Priors,
    PriorStudyShown,
    SearchShown,
)
from dicom_service.workflow.vocabulary import correction_choices, descriptor_choices
from test_pacs.phantom.bench import Bench
from tests.browser.facts import STUDY, dog_study, horse_study
from tests.browser.site import Site, fresh_page, serving
from tests.measure.conftest import shoot_bench

SIZE: Any = {"viewport": {"width": 1280, "height": 900}}


@dataclass
class FakeNode:
    """The panel's API in memory; the fields may be changed between two requests."""

    facts: StudyFacts = field(default_factory=dog_study)
    away: bool = False
    signed_out: bool = False
    refuses: tuple[int, str] | None = None
    """Status and sentence with which it refuses whatever is saved."""
    version: int = 0
    state: str = "reading"
    documents: list[dict[str, Any]] = field(default_factory=list)
    saves: int = 0
    address: str = ""
    calibration: str = "detector plane"
    corrections: list[dict[str, Any]] = field(default_factory=list)
    order: tuple[Section, ...] = SECTIONS
    preferences: Preferences = field(default_factory=Preferences)
    asked: list[StudyMeasureRequest] = field(default_factory=list)
    earlier: dict[str, list[PriorMeasurement]] = field(default_factory=dict)
    """Measurements of earlier studies by item."""
    prior_images: tuple[PriorImage, ...] = ()
    pictures: dict[str, Picture] = field(default_factory=dict)
    """What is measured by kind, in place of two bones with a gap."""

    @property
    def priors(self) -> Priors:
        uids = {m.study_uid: m.date for kept in self.earlier.values() for m in kept}
        return Priors(
            search=SearchShown(state="off", words=""),
            studies=tuple(
                PriorStudyShown(
                    study_uid=uid,
                    study_date=date,
                    description="",
                    state="here",
                    images=self.prior_images,
                )
                for uid, date in uids.items()
            ),
            observations={},
            measurements={item: tuple(kept) for item, kept in self.earlier.items()},
        )

    def __post_init__(self) -> None:
        self.template: Template = review.build_template(self.facts, order=self.order)
        self.reading: Reading = review.opening_reading(self.facts, self.template)

    def opening(self) -> dict[str, Any]:
        return {
            "version": self.version,
            "facts": self.facts.model_dump(mode="json"),
            "template": self.template.model_dump(mode="json"),
            "state": self.state,
            "reader": "vera",
            "reader_name": "Vet^Vera^^Dr",
            "documents": self.documents,
            "descriptors": {
                section: [choice.model_dump(mode="json") for choice in choices]
                for section, choices in descriptor_choices().items()
            },
            "choices": correction_choices(self.facts.signalment.species).model_dump(mode="json"),
            **self.standing(),
        }

    def standing(self) -> dict[str, Any]:
        reading = self.reading
        return {
            "reading": reading.model_dump(mode="json"),
            "coverage": review.coverage(self.template, reading).model_dump(mode="json"),
            "gaps": [gap.model_dump() for gap in review.gaps(self.template, reading)],
            "advice": advise(self.facts, self.template, reading).model_dump(mode="json"),
        }

    def correct(self, image_uid: str, **change: Any) -> dict[str, Any]:
        self.corrections.append({"image_uid": image_uid, **change})
        self.late(corrected(self.facts, image_uid, **change))
        return self.opening()

    def save(self, body: dict[str, Any]) -> dict[str, Any]:
        reading = Reading.model_validate(body)
        if reading.template_revision != self.template.revision:
            reading = review.carry_over(reading, self.template)
        review.check_reading(self.template, reading)
        measured = tuple(
            m
            if m.computed
            else m.model_copy(update={"value": 8.3, "unit": "mm", "calibration": self.calibration})
            for m in reading.measurements
        )
        self.reading = reading.model_copy(update={"measurements": measured})
        self.version += 1
        self.saves += 1
        saved_at = datetime.now(UTC).isoformat()
        return {"version": self.version, "saved_at": saved_at, **self.standing()}

    def late(self, facts: StudyFacts) -> None:
        """A correction, or images that came late: a new template takes the reading over."""
        self.facts = facts
        revision = self.template.revision + 1
        self.template = review.build_template(facts, revision=revision, order=self.order)
        self.reading = review.carry_over(self.reading, self.template)

    def elsewhere(self, **change: Any) -> None:
        """Another tab saves."""
        self.reading = self.reading.model_copy(update=change)
        self.version += 1


def problem(status: int, detail: str, **more: Any) -> Response:
    answer = jsonify({"status": status, "title": "Refused", "detail": detail, **more})
    answer.status_code = status
    answer.content_type = "application/problem+json"
    return answer


def application(node: FakeNode) -> Flask:
    app = Flask("fake node")
    faults(app, node)
    reading_routes(app, node)
    measuring_routes(app, node)
    signing_routes(app, node)
    return app


def faults(app: Flask, node: FakeNode) -> None:
    @app.before_request
    def fail() -> Response | None:
        if request.path.startswith("/api") and node.away:
            return problem(503, "The node is being restarted.")
        if request.path.startswith("/api") and node.signed_out:
            return problem(401, "You are signed out.")
        unsafe = request.method not in ("GET", "HEAD")
        if unsafe and request.headers.get("X-Sesamoid-Token") != "token":
            return problem(403, "The request has no valid token.", reason="token")
        return None


def reading_routes(app: Flask, node: FakeNode) -> None:
    @app.get("/api/session")
    def session() -> dict[str, Any]:
        who = {"user": "vera", "display": "Vet^Vera^^Dr", "roles": ["reader"], "csrf": "token"}
        return who | {"preferences": node.preferences.model_dump(mode="json")}

    @app.patch("/api/preferences")
    def prefer() -> Any:
        merged = {**node.preferences.model_dump(), **request.get_json()}
        node.preferences = Preferences.model_validate(merged)
        return node.preferences.model_dump(mode="json")

    @app.get(f"/api/studies/{STUDY}/reading")
    def opened() -> dict[str, Any]:
        return node.opening()

    @app.put(f"/api/studies/{STUDY}/reading")
    def save() -> Any:
        if request.headers["If-Match"].strip('"') != str(node.version):
            return problem(412, "Saved by another tab.", current=node.version)
        if node.refuses:
            return problem(*node.refuses)
        return node.save(request.get_json())

    @app.get(f"/api/studies/{STUDY}/preview")
    def preview() -> dict[str, str]:
        text = review.findings_text(node.facts, node.template, node.reading)
        known = (node.facts, node.template, node.reading)
        return {
            "findings_text": text,
            "text": review.report_text(*known),
            "summary": review.summary(*known),
        }

    @app.post(f"/api/studies/{STUDY}/correction")
    def correction() -> Any:
        try:
            return node.correct(**request.get_json())
        except Refused as error:
            return problem(422, str(error))


def measuring_routes(app: Flask, node: FakeNode) -> None:
    """Measuring on a phantom of two bones, whatever image is asked for."""

    @app.get(f"/api/studies/{STUDY}/measurable")
    def offers() -> dict[str, Any]:
        animal = animal_of(node.facts.signalment)
        return measurable(animal, node.template.regions).model_dump(mode="json")

    @app.post(f"/api/studies/{STUDY}/measure")
    def answer() -> Any:
        asked = StudyMeasureRequest.model_validate(request.get_json())
        node.asked.append(asked)
        spacing = Spacing(kind="fiducial", row_mm=0.144, column_mm=0.144)
        pic = node.pictures.get(asked.kind) or picture(shoot_bench(Bench(gap=2.0)).pixels, spacing)
        wanted = asked.model_dump(exclude=ONLY_STUDY) | dict(animal_of(node.facts.signalment))
        try:
            second = MeasureRequest(kind=asked.kind, points=asked.control_points)
            control = measure(second, pic) if asked.control_uid else None
            found = measure(MeasureRequest(**wanted), pic, control)
        except Refused as error:
            return problem(400, str(error))
        return found.model_dump(mode="json")

    @app.get(f"/api/studies/{STUDY}/priors")
    def priors() -> dict[str, Any]:
        return node.priors.model_dump(mode="json")

    @app.post(f"/api/studies/{STUDY}/changes")
    def changes() -> dict[str, Any]:
        wanted = ComparedAsked.model_validate(request.get_json()).measurements
        kept = node.reading.measurements
        found = changes_of(node.facts, node.template, wanted, kept, node.priors)
        return found.model_dump(mode="json")


def signing_routes(app: Flask, node: FakeNode) -> None:
    @app.post(f"/api/studies/{STUDY}/sign")
    def sign() -> Any:
        if request.get_json()["password"] != "right":
            return problem(403, "The password is not right. Nothing was signed.")
        node.state = "signed"
        node.documents.append(
            {
                "kind": "final",
                "role": "report",
                "sop_instance_uid": f"{STUDY}.9",
                "series_uid": f"{STUDY}.8",
                "signed_by": "Vet^Vera^^Dr",
                "signed_at": "2026-11-04T10:50:00+00:00",
                "delivery": "owed",
                "delivery_detail": "",
            }
        )
        return {"documents": node.documents}

    @app.post(f"/api/studies/{STUDY}/addendum")
    def addendum() -> dict[str, Any]:
        text = request.get_json()["text"]
        more = {"kind": "addendum", "sop_instance_uid": f"{STUDY}.10", "delivery_detail": text}
        node.documents.append({**node.documents[0], **more})
        return {"documents": node.documents}


STUDIES = {
    "dog": {},
    "horse": {"facts": horse_study()},
    "forty": {"facts": dog_study(views=("DPa", "ML", "D45L-PaMO", "D45M-PaLO") * 10)},
    "one view": {"facts": dog_study(views=("ML",))},
    "own order": {"order": ("soft_tissue", "bone", "cartilage", "alignment", "devices")},
}


@pytest.fixture
def node(request: pytest.FixtureRequest, site: Site) -> FakeNode:
    """A node with the study of a dog, or with another of STUDIES (indirect parameter)."""
    fake = FakeNode(address=site.address, **STUDIES[getattr(request, "param", "dog")])
    site.node = application(fake)
    return fake


@pytest.fixture
def panel(page: Page, node: FakeNode) -> Locator:
    """The panel of the node's study, drawn."""
    return open_panel(page, node)


@pytest.fixture
def opened() -> Callable[[Page, FakeNode], Locator]:
    """How to open the panel again, after the node was changed."""
    return open_panel


def open_panel(page: Page, node: FakeNode) -> Locator:
    images = "".join(f"&image={image.uid}" for image in node.facts.images)
    page.goto(f"{node.address}/panel?study={node.facts.study_uid}{images}")
    page.locator("sesamoid-panel h1").wait_for()
    return page.locator("sesamoid-panel")


@pytest.fixture
def page(request: pytest.FixtureRequest, chromium: Browser) -> Iterator[Page]:
    """A page that fails the test when anything is thrown in it."""
    with ExitStack() as stack:
        if "node" in request.fixturenames:
            opener = request.getfixturevalue("opener")
            page = stack.enter_context(closing(fresh_page(opener)))
        else:
            page = stack.enter_context(closing(chromium.new_context(**SIZE))).new_page()
        thrown: list[str] = []
        page.on("pageerror", lambda error: thrown.append(str(error)))
        yield page
    assert thrown == [], f"errors in the page: {json.dumps(thrown)}"


@pytest.fixture(scope="session")
def site() -> Iterator[Site]:
    with serving() as site:
        yield site


@pytest.fixture(scope="session")
def opener(chromium: Browser, site: Site) -> Iterator[Page]:
    """A page of the browser that keeps the panel's files from test to test."""
    with closing(chromium.new_context(**SIZE)) as context:
        page = context.new_page()
        page.goto(f"{site.address}/empty")
        yield page


@pytest.fixture
def shots() -> Path:
    """Where screenshots go; git does not keep them."""
    folder = Path(__file__).parent / "screenshots"
    folder.mkdir(exist_ok=True)
    return folder
