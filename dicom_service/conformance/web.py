"""Checks of DICOMweb, where an address is given: store, search, retrieve invented objects."""

import io
import json
import urllib.error
import urllib.request
import uuid
from email import message_from_bytes

import pydicom
from pydicom.dataset import Dataset

from dicom_service import report
from dicom_service.conformance.compare import differences, listed
from dicom_service.conformance.model import Finding
from dicom_service.conformance.run import Run

_NO_ADDRESS = Finding(
    verdict="SKIP",
    got="No address was given.",
    ask="Give --web https://archive/dicom-web if it speaks DICOMweb.",
)
_STORED = (200, 202)


def stow(run: Run) -> Finding:
    """STOW-RS of the cat's first image."""
    if not run.target.web:
        return _NO_ADDRESS
    dataset, boundary = _object(run), uuid.uuid4().hex
    start = f"--{boundary}\r\nContent-Type: application/dicom\r\n\r\n".encode()
    status, body, _ = _ask(
        run,
        "/studies",
        start + report.file_of(dataset) + f"\r\n--{boundary}--\r\n".encode(),
        {
            "Content-Type": f'multipart/related; type="application/dicom"; boundary={boundary}',
            "Accept": "application/dicom+json",
        },
    )
    if status in _STORED and b"00081198" not in body:
        run.kept[str(dataset.SOPInstanceUID)] = dataset
        return Finding(verdict="PASS", got=f"It took the object (HTTP {status}).")
    return _failed(status, body, "May this address store?")


def qido(run: Run) -> Finding:
    """QIDO-RS for exactly one study of ours."""
    if not run.target.web:
        return _NO_ADDRESS
    uid = str(_object(run).StudyInstanceUID)
    status, body, _ = _ask(
        run, f"/studies?StudyInstanceUID={uid}", headers={"Accept": "application/dicom+json"}
    )
    if status == 200:
        try:
            found = [entry["0020000D"]["Value"][0] for entry in json.loads(body)]
        except (ValueError, KeyError, IndexError, TypeError):
            return Finding(verdict="FAIL", got="Its answer is no DICOM JSON.")
        if found == [uid]:
            return Finding(verdict="PASS", got="Exactly this study is found.")
        return Finding(
            verdict="FAIL",
            got=f"{len(found)} studies are found instead of one.",
            ask="Does it ignore StudyInstanceUID as a key?",
        )
    return _failed(status, body, "May this address search?")


def wado(run: Run) -> Finding:
    """WADO-RS of one object, compared."""
    if not run.target.web:
        return _NO_ADDRESS
    sent = _object(run)
    place = (
        f"/studies/{sent.StudyInstanceUID}/series/{sent.SeriesInstanceUID}"
        f"/instances/{sent.SOPInstanceUID}"
    )
    status, body, kind = _ask(
        run, place, headers={"Accept": 'multipart/related; type="application/dicom"'}
    )
    if status != 200:
        return _failed(status, body, "May this address retrieve?")
    parts = message_from_bytes(f"Content-Type: {kind}\r\n\r\n".encode() + body).get_payload()
    try:
        part = parts[0].get_payload(decode=True)  # type: ignore[index, union-attr]
        came = pydicom.dcmread(io.BytesIO(part))  # type: ignore[arg-type]
    except Exception as error:  # noqa: BLE001 - whatever a server's bytes do to the parser
        return Finding(verdict="FAIL", got=f"Its answer cannot be read: {str(error)[:100]}.")
    changed = list(differences(sent, came))
    if changed:
        return Finding(
            verdict="FAIL",
            got=f"It changed the object: {listed(changed)}.",
            ask="Turn coercion of attributes off for objects from us.",
        )
    return Finding(verdict="PASS", got="The object came back unchanged.")


def _object(run: Run) -> Dataset:
    return run.studies["cat"][0]


def _failed(status: int, body: bytes, ask: str) -> Finding:
    said = " ".join(body.decode("utf-8", "replace").split())[:160]
    got = f"HTTP {status}: {said}" if status else f"It does not answer: {said}"
    return Finding(verdict="FAIL", got=got.rstrip(". ") + ".", ask=ask)


def _ask(
    run: Run, path: str, body: bytes | None = None, headers: dict[str, str] | None = None
) -> tuple[int, bytes, str]:
    """Status, body and Content-Type of an answer; status 0: none."""
    # The address is the one that the person who runs this has given.
    request = urllib.request.Request(  # noqa: S310
        run.target.web.rstrip("/") + path,
        data=body,
        headers={**dict(run.target.web_headers), **(headers or {})},
    )
    try:
        with urllib.request.urlopen(request, timeout=run.target.answer_seconds) as answer:  # noqa: S310
            return answer.status, answer.read(), answer.headers.get("Content-Type", "")
    except urllib.error.HTTPError as error:
        return error.code, error.read(), ""
    except OSError as error:
        return 0, str(error).encode(), ""
