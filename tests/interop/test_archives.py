"""Archives that others have written keep every object, find it and give it back as it was sent.

Sent, asked for and fetched with DCMTK's storescu, findscu and getscu, so that neither end is ours.
"""

import subprocess
from pathlib import Path

import pydicom
import pytest

from dicom_service.conformance.compare import differences
from tests.peers import TITLE, dcmqrscp, free_port, orthanc

pytestmark = pytest.mark.peer


@pytest.fixture(scope="module", params=[dcmqrscp, orthanc], ids=lambda start: start.__name__)
def peer(request, program, tmp_path_factory, folder):
    """An archive that was sent everything."""
    with request.param(program, tmp_path_factory.mktemp("peer"), free_port()) as running:
        sent = [str(path) for path in folder.glob("*.dcm")]
        # -R: what is sent is offered, not the classes of pictures that it would offer else.
        command = [*_call(program("storescu"), running.port), "-R", *sent]
        made = subprocess.run(command, capture_output=True, text=True, check=False)
        assert made.returncode == 0, made.stdout + made.stderr
        yield running


def _call(command: str, port: int) -> list[str]:
    return [command, "-aet", "SESAMOID", "-aec", TITLE, "127.0.0.1", str(port)]


@pytest.fixture(scope="module")
def came(peer, program, objects, tmp_path_factory):
    """What the archive gives back: SOP Instance UID -> object."""
    target = tmp_path_factory.mktemp("came")
    for study in {str(sent.StudyInstanceUID) for sent in objects.values()}:
        keys = ["-k", "QueryRetrieveLevel=STUDY", "-k", f"StudyInstanceUID={study}"]
        command = [*_call(program("getscu"), peer.port), "-S", *keys, "-od", str(target)]
        subprocess.run(command, check=True, capture_output=True)
    read = [pydicom.dcmread(path) for path in target.iterdir()]
    return {str(dataset.SOPInstanceUID): dataset for dataset in read}


def test_every_object_comes_back_as_it_was_sent(objects, came):
    assert set(came) == {str(sent.SOPInstanceUID) for sent in objects.values()}
    changed = {
        name: found
        for name, sent in objects.items()
        if (found := list(differences(sent, came[str(sent.SOPInstanceUID)])))
    }
    assert changed == {}


def test_every_object_is_found_in_its_series(peer, program, objects, tmp_path: Path):
    for name, sent in objects.items():
        keys = [
            "QueryRetrieveLevel=IMAGE",
            f"StudyInstanceUID={sent.StudyInstanceUID}",
            f"SeriesInstanceUID={sent.SeriesInstanceUID}",
            "SOPInstanceUID",
        ]
        target = tmp_path / name
        target.mkdir()
        command = [*_call(program("findscu"), peer.port), "-S", "-X", "-od", str(target)]
        subprocess.run(
            [*command, *(part for key in keys for part in ("-k", key))],
            check=True,
            capture_output=True,
        )
        found = [str(pydicom.dcmread(path).SOPInstanceUID) for path in target.iterdir()]
        assert str(sent.SOPInstanceUID) in found, name
        assert len(found) <= 2, "the two images share a series"
