"""Our pages, the host viewer's files and our plugin: who gets what, with which headers."""

import base64
import gzip
import hashlib
import re

import pytest

from dicom_service.web.app import create_app


def test_the_reading_list_sends_strangers_to_sign_in_and_back(client):
    answer = client.get("/?state=signed")
    assert answer.status_code == 303
    assert answer.headers["Location"] == "/login?next=%2F%3Fstate%3Dsigned"


def test_a_link_to_a_study_survives_signing_in(client):
    answer = client.get("/read?StudyInstanceUIDs=1.2")
    assert answer.headers["Location"] == "/login?next=%2Fread%3FStudyInstanceUIDs%3D1.2"


def test_our_pages_allow_no_inline_scripts_and_have_none(reader, client):
    for answer in (reader.get("/"), client.get("/login")):
        assert answer.status_code == 200
        policy = answer.headers["Content-Security-Policy"]
        assert "script-src 'self';" in policy
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert re.findall(r"<script(?![^>]*src=)", answer.text) == []
        assert re.findall(r'\son\w+="|\sstyle="', answer.text) == []


def test_what_our_pages_name_is_there(reader):
    for page in ("/", "/login"):
        for name in re.findall(r'(?:src|href)="(/static/[^"]+)"', reader.get(page).text):
            assert reader.get(name).status_code == 200, name


@pytest.mark.parametrize("path", ["/", "/login", "/api/health", "/api/nothing", "/nothing"])
def test_every_answer_carries_the_protecting_headers(client, path):
    headers = client.get(path).headers
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Referrer-Policy"] == "same-origin"
    assert headers["Cross-Origin-Opener-Policy"] == "same-origin"
    assert "default-src 'none'" in headers["Content-Security-Policy"]
    assert headers["Cache-Control"] == "no-store"


def test_the_viewers_page_allows_exactly_its_own_inline_scripts(reader):
    answer = reader.get("/read?StudyInstanceUIDs=1.2")
    assert answer.status_code == 200
    policy = answer.headers["Content-Security-Policy"]
    inline = re.findall(r"<script>(.*?)</script>", answer.text)
    assert len(inline) == 1
    digest = base64.b64encode(hashlib.sha256(inline[0].encode()).digest()).decode()
    assert re.findall(r"'sha256-([^']+)'", policy) == [digest]
    assert "'unsafe-eval'" not in policy
    assert "object-src 'self' blob:" in policy


def test_any_page_below_read_is_the_viewer(reader):
    assert reader.get("/read/sesamoid?StudyInstanceUIDs=1.2").text == reader.get("/read").text


def test_without_a_viewer_the_page_says_what_to_do(reader, tmp_path, store, desk, app):
    from dicom_service.settings import Settings
    from tests.web.conftest import SignedIn

    bare = create_app(Settings(data_folder=tmp_path / "node"), store, desk)
    answer = SignedIn(bare, "ida").get("/read", headers={"Accept": "text/html"})
    assert answer.status_code == 503
    assert "sesamoid serve" in answer.text
    assert answer.mimetype == "text/html"


def test_the_decode_worker_alone_may_use_eval(client):
    decoder = client.get("/8097.bundle.0123456789abcdef.js")
    other = client.get("/app.bundle.0123456789abcdef.js")
    assert "'unsafe-eval'" in decoder.headers["Content-Security-Policy"]
    assert "unsafe" not in other.headers["Content-Security-Policy"]


@pytest.mark.parametrize(
    ("name", "kind", "caching"),
    [
        ("app.bundle.0123456789abcdef.js", "text/javascript", "immutable"),
        ("codec.wasm", "application/wasm", "no-cache"),
    ],
)
def test_the_viewers_files_have_their_type_and_life(client, name, kind, caching):
    answer = client.get(f"/{name}")
    assert answer.mimetype == kind
    assert caching in answer.headers["Cache-Control"]


def test_a_compressed_copy_is_sent_to_browsers_that_take_it(client, viewer):
    packed = viewer.parent / "gzip"
    packed.mkdir()
    (packed / "app.bundle.0123456789abcdef.js.gz").write_bytes(gzip.compress(b"1"))
    path = "/app.bundle.0123456789abcdef.js"
    answer = client.get(path, headers={"Accept-Encoding": "gzip, br"})
    assert answer.headers["Content-Encoding"] == "gzip"
    assert answer.mimetype == "text/javascript"
    assert gzip.decompress(answer.data) == b"1"
    plain = client.get(path)
    assert "Content-Encoding" not in plain.headers
    assert plain.data == b"1"


def test_the_viewer_is_configured_by_us(client):
    answer = client.get("/app-config.js")
    assert answer.mimetype == "text/javascript"
    assert "window).config" in answer.text
    assert answer.data == client.get("/plugin/config.js").data


@pytest.mark.parametrize(
    "path",
    [
        "/../secret.txt",
        "/%2e%2e/secret.txt",
        "/..%2fsecret.txt",
        "/%2e%2e%2fsecret.txt",
        "/..%5csecret.txt",
        "//etc/passwd",
        "/plugin/../pyproject.toml",
        "/plugin/%2e%2e/pyproject.toml",
        "/plugin/..%2fdicom_service/errors.py",
        "/plugin//etc/passwd",
        "/plugin/",
        "/plugin/panel",
        "/plugin/panel/",
        "/static/",
        "/static/../app.py",
        "/static/%2e%2e/app.py",
        "/plugin/.hidden",
        "/plugin/__pycache__/x.pyc",
        "/index.html",
        "/x%00.js",
    ],
)
def test_nothing_outside_the_public_folders_and_no_listing_is_served(client, path):
    answer = client.get(path)
    assert answer.status_code in (301, 308, 400, 404)
    for secret in (b"behind the wall", b"[project]", b"SesamoidError", b"root:"):
        assert secret not in answer.data


def test_a_link_out_of_the_viewers_folder_is_not_followed_by_a_name(client, viewer):
    (viewer / "deep").mkdir()
    assert client.get("/deep").status_code == 404
    assert client.get("/deep/..%2f..%2fsecret.txt").status_code == 404


def test_a_person_at_a_wrong_address_gets_a_page_and_a_program_a_problem(client):
    person = client.get("/wrong<b>", headers={"Accept": "text/html,*/*;q=0.8"})
    assert person.status_code == 404
    assert person.mimetype == "text/html"
    assert "<b>" not in person.text
    program = client.get("/api/wrong", headers={"Accept": "text/html"})
    assert program.content_type == "application/problem+json"


def test_a_method_that_is_not_offered_names_the_ones_that_are(client):
    answer = client.post("/login")
    assert answer.status_code == 405
    assert "GET" in answer.headers["Allow"]
