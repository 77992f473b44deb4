"""A scripted reader: goes through the reading list and the panel's API as a person's panel does.

Used by `sesamoid selftest`, by `sesamoid samples` and by tests. What it "sees" is decided by
the caller, from the known truth of an invented study, never from the images.
"""

import json
import time
import urllib.error
import urllib.request
from collections.abc import Sequence
from http.cookiejar import CookieJar
from typing import Any

from dicom_service.review.model import (
    CrossCheck,
    Finding,
    Measurement,
    Observation,
    Reading,
    Template,
    TemplateItem,
)


class RequestRefused(Exception):
    """The node answered with a problem document."""

    def __init__(self, status: int, problem: dict[str, Any]) -> None:
        super().__init__(f"{status}: {problem.get('detail') or problem}")
        self.status = status
        self.problem = problem


class ReaderClient:
    """The calls of the panel, over HTTP, with its session and token.

    Parameters
    ----------
    address
        Of the node's web pages, ending in "/".
    """

    def __init__(self, address: str) -> None:
        self.address = address
        self._opener = urllib.request.build_opener(
            urllib.request.ProxyHandler({}), urllib.request.HTTPCookieProcessor(CookieJar())
        )
        self._token = ""

    def request(
        self, method: str, path: str, body: object = None, **headers: str
    ) -> dict[str, Any]:
        """One JSON request; raises RequestRefused for any status of 400 and above."""
        data = None if body is None else json.dumps(body).encode()
        sent = {"Content-Type": "application/json", "X-Sesamoid-Token": self._token} | headers
        request = urllib.request.Request(  # noqa: S310 - the caller gives an http address
            self.address + path, data=data, method=method, headers=sent
        )
        try:
            with self._opener.open(request, timeout=60) as answer:
                return dict(json.loads(answer.read() or b"{}"))
        except urllib.error.HTTPError as error:
            text = error.read()
            try:
                problem = json.loads(text)
            except ValueError:
                problem = {"detail": text.decode(errors="replace")[:400]}
            raise RequestRefused(error.code, problem) from error

    def download(self, path: str) -> bytes:
        """The bytes of a file."""
        with self._opener.open(self.address + path, timeout=60) as answer:
            return bytes(answer.read())

    def sign_in(self, user: str, password: str) -> None:
        """Open a session."""
        self._token = self.request("POST", "api/session", {"user": user, "password": password})[
            "csrf"
        ]

    def studies(self) -> list[dict[str, Any]]:
        """The reading list."""
        return list(self.request("GET", "api/studies")["studies"])

    def wait_for(self, study_uid: str, *states: str, seconds: float = 60) -> dict[str, Any]:
        """The study's row once its state or delivery is one of `states`."""
        deadline = time.monotonic() + seconds
        row: dict[str, Any] = {}
        while time.monotonic() < deadline:
            rows = [r for r in self.studies() if r["study_uid"] == study_uid]
            row = rows[0] if rows else {}
            if row and (row["state"] in states or row["delivery"] in states):
                return row
            time.sleep(0.05)
        raise TimeoutError(f"study {study_uid} is still {row or 'not on the reading list'}")

    def open(self, study_uid: str) -> dict[str, Any]:
        """What the panel shows of a study."""
        return self.request("GET", f"api/studies/{study_uid}/reading")

    def save(self, study_uid: str, version: int, reading: Reading) -> dict[str, Any]:
        """Save a reading on top of `version`."""
        return self.request(
            "PUT",
            f"api/studies/{study_uid}/reading",
            reading.model_dump(mode="json"),
            **{"If-Match": f'"{version}"'},
        )

    def sign(self, study_uid: str, version: int, password: str) -> dict[str, Any]:
        """Sign with the password entered again."""
        body = {"version": version, "password": password}
        return self.request("POST", f"api/studies/{study_uid}/sign", body)


def normal_reading(template: Template, opening: Reading) -> Reading:
    """Everything that can be seen is normal on every view."""
    observations = {
        item.id: {
            uid: Observation(value="normal")
            for uid, visibility in item.visibility.items()
            if visibility != "no"
        }
        for item in template.items
    }
    return opening.model_copy(
        update={
            "template_revision": template.revision,
            "observations": {key: row for key, row in observations.items() if row},
            "impression": "No radiographic abnormality of the structures seen on these views.",
        }
    )


def with_finding(
    template: Template,
    reading: Reading,
    structure: str,
    descriptors: Sequence[str],
    *,
    answer: CrossCheck = "confirmed",
    points: Sequence[tuple[float, float]] = (),
    impression: str,
) -> Reading:
    """Mark one structure abnormal on its first view, cross-checked on the orthogonal ones.

    `points` (column, row) add a length (two points) or an angle (three) as evidence.
    """
    item = item_of(template, structure)
    uid = next(view for view, seen in item.visibility.items() if seen != "no")
    view = next(v for v in template.views if v.uid == uid)
    observations = {key: dict(row) for key, row in reading.observations.items()}
    observations.setdefault(item.id, {})[uid] = Observation(value="abnormal")
    checks: dict[str, CrossCheck] = dict.fromkeys(view.orthogonal, answer) or {"": "no_such_view"}
    for other in view.orthogonal:
        if item.visibility.get(other, "no") == "no":
            checks[other] = "not_assessable"
        elif answer == "confirmed":
            observations[item.id][other] = Observation(value="abnormal")
    finding = Finding(
        id=f"f-{structure}",
        item=item.id,
        view=uid,
        descriptors=tuple(descriptors),
        severity="moderate",
        cross_check=checks,
    )
    measurements = reading.measurements
    if points:
        kind = "length" if len(points) == 2 else "angle"
        measurements += (
            Measurement(
                id=f"m-{structure}-{kind}",
                item=item.id,
                view=uid,
                kind=kind,
                points=tuple(points),
                finding=finding.id,
            ),
        )
    return reading.model_copy(
        update={
            "observations": observations,
            "findings": (*reading.findings, finding),
            "measurements": measurements,
            "impression": impression,
        }
    )


def item_of(template: Template, structure: str) -> TemplateItem:
    """The first item of that structure that at least one view can show."""
    return next(
        item
        for item in template.items
        if item.structure == structure and set(item.visibility.values()) - {"no"}
    )
