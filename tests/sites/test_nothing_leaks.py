"""Whoever reads at one clinic learns nothing of another on the same node: walked as an attack.

Every address of the application, with every method, is asked for what is the other clinic's, and
for what does not exist: the answers must be the same, but for the UIDs that were asked for.
"""

import itertools
import re

import pytest

from dicom_service.web.gate import STORING
from tests.sites.conftest import OF_SOUTH, Clinics
from tests.web.conftest import SignedIn, file_of, image

WITH_BODY = ("POST", "PUT", "PATCH", "DELETE")
_ARGUMENTS = {"numbers": "1", "tag": "7FE00010", "_rest": "x", "filename": "list.js"}
"""Parts of addresses that name nothing of anybody."""
_BODIES = ({}, {"version": 0, "password": "", "text": "x", "reason": "x", "priority": 1})


def rules(clinics: Clinics, *, of_studies: bool):
    found = [r for r in clinics.app.url_map.iter_rules() if ("study" in r.arguments) is of_studies]
    assert found
    return [(rule, method) for rule in found for method in sorted(rule.methods)]


def address(rule, **values) -> str:
    """The address of a rule; a part that this test does not know must be entered here first."""
    given = {**_ARGUMENTS, **values}
    unknown = rule.arguments - given.keys()
    assert not unknown, f"{rule}: say in this test what {unknown} names"
    return re.sub(r"<(?:[^:<>]+:)?([^<>]+)>", lambda part: str(given[part[1]]), rule.rule)


def said(caller: SignedIn, method: str, path: str, **options) -> tuple:
    if method in WITH_BODY:
        options = {"json": {}, "headers": {"If-Match": '"0"'}} | options
    answer = caller.send(method, path, **options)
    # What a user prefers is set as cookies with the first page, with the moment when they end.
    headers = sorted(h for h in answer.headers.items() if not h[1].startswith("sesamoid_"))
    return answer.status_code, headers, answer.get_data()


def without(answer: tuple, names) -> tuple:
    """An answer without what was asked for."""
    status, headers, body = answer
    for name in names:
        body = body.replace(str(name).encode(), b"?")
    hidden = [(n, v) for n, v in headers if n != "Content-Length"]
    return status, [(n, _cut(v, names)) for n, v in hidden], body


def _cut(text: str, names) -> str:
    for name in names:
        text = text.replace(str(name), "?")
    return text


@pytest.mark.parametrize("user", ["anna", pytest.param("admin@north", marks=pytest.mark.long)])
def test_a_study_of_another_clinic_answers_as_one_that_does_not_exist(clinics, user):
    caller, owner = clinics.as_(user), clinics.as_("admin@south")
    told_apart = 0
    missing = clinics.missing()
    for rule, method in rules(clinics, of_studies=True):
        named = [dict(zip(("study", "series", "instance"), u, strict=True))
                 for u in (clinics.south.uids, missing)]  # fmt: skip
        foreign, nowhere = (address(rule, **values) for values in named)
        for body in _BODIES if method in WITH_BODY else ({},):
            options = {"json": body} if method in WITH_BODY else {}
            theirs = without(said(caller, method, foreign, **options), clinics.south.uids)
            nothing = without(said(caller, method, nowhere, **options), missing)
            assert theirs == nothing, (method, foreign)
            if rule.endpoint == STORING or method == "OPTIONS":
                continue
            assert theirs[0] == 404, (method, foreign)
            # The control: who may see it is told something else.
            own = without(said(owner, method, foreign, **options), clinics.south.uids)
            told_apart += own != nothing
            assert own != nothing or method == "HEAD", (method, foreign, own)
    assert told_apart > 50


@pytest.mark.parametrize("user", [pytest.param("anna", marks=pytest.mark.long), "admin@north"])
def test_no_other_address_says_anything_of_another_clinic(clinics, user):
    caller = clinics.as_(user)
    (copy,) = (row.id for row in clinics.store.quarantined())
    for (rule, method), query in itertools.product(
        rules(clinics, of_studies=False), ("", "?site=south", "?site=north")
    ):
        if (rule.endpoint, method) == ("session.sign_out", "DELETE"):
            continue
        pairs = [("southpacs", "nobodypacs"), ("bertha@south", "nobody"), ("southcam", "nocam")]
        for theirs, nobody in pairs if "name" in rule.arguments else pairs[:1]:
            there = {"name": theirs, "copy": copy}
            nowhere = {"name": nobody, "copy": copy + 1000}
            asked = [address(rule, **values) + query for values in (there, nowhere)]
            first, second = (said(caller, method, path) for path in asked)
            if rule.arguments & {"name", "copy"} and rule.endpoint.split(".")[0] != "viewer":
                names = sorted(map(str, (*there.values(), *nowhere.values())), key=len)[::-1]
                assert without(first, names) == without(second, names), (method, asked)
            for secret in (*OF_SOUTH, *clinics.south.uids):
                if secret not in asked[0]:
                    assert secret.encode() not in first[2], (method, asked[0], secret)


def test_the_owner_of_all_that_sees_it_there(clinics):
    seen = b"".join(
        said(clinics.as_("admin@south"), "GET", path)[2]
        for path in (
            "/api/studies", "/dicomweb/studies", "/api/admin/users", "/api/admin/peers",
            "/api/admin/quarantine", "/api/admin/audit",
        )
    )  # fmt: skip
    for secret in (*OF_SOUTH, clinics.south.study, "southcam"):
        assert secret.encode() in seen, secret
    assert b"Bello" not in seen
    assert clinics.north.study.encode() not in seen


@pytest.mark.parametrize(
    "path",
    [
        "/dicomweb/studies?StudyInstanceUID={}",
        "/dicomweb/studies?0020000D={}",
        "/dicomweb/series?StudyInstanceUID={}",
        "/dicomweb/instances?StudyInstanceUID={}",
        "/api/studies?text={}",
        "/api/admin/audit?study={}",
        "/plain?StudyInstanceUIDs={}",
        "/read?StudyInstanceUIDs={}",
    ],
)
def test_a_study_that_is_named_in_a_query_does_not_show_either(clinics, path):
    caller, missing = clinics.as_("admin@north"), clinics.missing()[0]
    foreign = said(caller, "GET", path.format(clinics.south.study))
    nothing = said(caller, "GET", path.format(missing))
    if "audit" not in path:  # it has an event more from the first question
        assert without(foreign, [clinics.south.study]) == without(nothing, [missing])
    assert clinics.south.series.encode() not in foreign[2]


@pytest.mark.parametrize(
    "query", ["?PatientID=QF-77", "?PatientName=Quill*", "", "?everything=true"]
)
def test_a_search_finds_only_ones_own(clinics, query):
    found = clinics.as_("anna").get("/dicomweb/studies" + query)
    assert b"QF-77" not in found.data
    both = clinics.as_("both").get("/dicomweb/studies" + query)
    assert b"QF-77" in both.data


def test_the_reading_list_and_its_counts_are_of_ones_own_sites(fresh):
    counts = {}
    for user in ("anna", "bertha@south", "both", "root"):
        answer = fresh.as_(user).get("/api/studies").json
        counts[user] = (answer["total"], answer["stages"]["to_read"])
        assert [s["site"] for s in answer["studies"]] == {
            "anna": ["north"], "bertha@south": ["south"],
        }.get(user, ["south", "north"])  # fmt: skip
    assert counts == {"anna": (1, 1), "bertha@south": (1, 1), "both": (2, 2), "root": (2, 2)}


def test_an_image_of_another_clinic_is_no_control_and_no_image_of_before(clinics):
    caller, north, south = clinics.as_("anna"), clinics.north, clinics.south
    point = {"kind": "joint_space", "image_uid": north.instance, "points": [[1, 1], [4, 4]]}
    answers = []
    for uid in (south.instance, clinics.missing()[0]):
        body = point | {"control_uid": uid, "control_points": [[1, 1], [4, 4]]}
        answer = said(caller, "POST", f"/api/studies/{north.study}/measure", json=body)
        answers.append(without(answer, [uid]))
    assert answers[0] == answers[1]


def test_the_same_patient_id_at_two_clinics_is_two_patients(fresh):
    theirs = image(PatientName="Quillfeather^Rex", PatientID="P1", StudyDate="20250101")
    ours = image(PatientName="Meyer^Bello", PatientID="P1", StudyDate="20250202")
    fresh.keep(theirs, "south")
    fresh.keep(ours, "north")
    priors = fresh.as_("anna").get(f"/api/studies/{fresh.north.study}/priors").json
    assert [study["study_uid"] for study in priors["studies"]] == [str(ours.StudyInstanceUID)]


def test_an_object_with_a_uid_of_another_clinic_is_refused_and_changes_nothing(fresh):
    caller, south = fresh.as_("anna"), fresh.south
    before = fresh.store.study(south.study)
    body = b"".join(
        (b"--b\r\nContent-Type: application/dicom\r\n\r\n", file_of(south.object), b"\r\n--b--\r\n")
    )
    kind = 'multipart/related; type="application/dicom"; boundary=b'
    answer = caller.send("POST", "/dicomweb/studies", data=body, content_type=kind)
    assert answer.status_code == 409
    assert b"Quillfeather" not in answer.data
    assert "south" not in str(answer.headers)
    assert fresh.store.study(south.study) == before
    (event,) = fresh.store.audit_rows(text="object refused")
    assert event.site == "north"
    assert "south" not in event.detail


def test_a_user_of_a_site_that_is_no_longer_there_sees_nothing(fresh):
    fresh.app.extensions["sesamoid"].__dict__["settings"] = fresh.settings.model_copy(
        update={"sites": (), "peers": ()}
    )
    assert fresh.as_("anna").get("/api/studies").json["total"] == 0
    assert fresh.as_("anna").get(f"/api/studies/{fresh.north.study}/reading").status_code == 404
