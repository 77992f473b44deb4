"""A node of two clinics, each with a study, people, a peer and a copy in quarantine."""

import uuid
from datetime import UTC, datetime

import pytest
from pydicom.uid import generate_uid

from dicom_service.errors import DifferentBytes
from dicom_service.settings import Settings
from dicom_service.store import Store
from dicom_service.web import create_app
from dicom_service.web.dicomweb.incoming import read_instance_header
from dicom_service.workflow import Desk
from tests.web.conftest import Buffered, SignedIn, file_of, image

NORTH = {"id": "north", "name": "Clinic North", "ae_titles": ["NORTH"]}
SOUTH = {"id": "south", "name": "Clinic South", "ae_titles": ["SOUTH"]}
OF_SOUTH = ("Quillfeather", "QF-77", "bertha@south", "Sudermann", "southpacs", "10.9.8.7")
"""What nobody of the north may ever see."""
_PEERS = (
    {"name": "southpacs", "ae_title": "SPACS", "host": "10.9.8.7", "port": 104, "site": "south"},
    {"name": "northpacs", "ae_title": "NPACS", "host": "10.1.2.3", "port": 104, "site": "north"},
)


class Clinic:
    """What one of the two has on the node."""

    def __init__(self, clinics, site: str, name: str, patient_id: str) -> None:
        self.site = site
        self.object = image(PatientName=name, PatientID=patient_id, ViewPosition="ML",
                            BodyPartExamined="CARPUS")  # fmt: skip
        self.study = str(self.object.StudyInstanceUID)
        self.series = str(self.object.SeriesInstanceUID)
        self.instance = str(self.object.SOPInstanceUID)
        clinics.keep(self.object, site)
        clinics.desk.prepare(self.study)

    @property
    def uids(self) -> tuple[str, str, str]:
        return self.study, self.series, self.instance


class Clinics:
    def __init__(self, folder, index_url="") -> None:
        self.settings = Settings.model_validate(
            {
                "data_folder": str(folder),
                "index_url": index_url,
                "sites": [NORTH, SOUTH],
                "peers": _PEERS,
            }
        )
        self.store = Store(folder, index_url=index_url)
        self.store.set_sites(["north", "south"])
        for name, display, site, roles in (
            ("anna", "Nordmann^Anna", "north", ["reader"]),
            ("admin@north", "Nordmann^Chief", "north", ["reader", "administrator"]),
            ("bertha@south", "Sudermann^Bertha", "south", ["reader"]),
            ("admin@south", "Sudermann^Chief", "south", ["reader", "administrator"]),
            ("root", "Operator^Otto", "", ["administrator"]),
            ("both", "Wanderer^Wim", "north", ["reader"]),
        ):
            self.store.add_user(name, display, "x", roles, site=site)
        self.store.set_site_roles("both", "south", ["reader"])
        self.desk = Desk(self.store, self.settings)
        self.north = Clinic(self, "north", "Meyer^Bello", "P1")
        self.south = Clinic(self, "south", "Quillfeather^Rex", "QF-77")
        self.app = create_app(self.settings, self.store, self.desk)
        self.app.test_client_class = Buffered

    def keep(self, made, site: str) -> str:
        temp = self.store.incoming / f"{uuid.uuid4().hex}.dcm"
        temp.write_bytes(file_of(made))
        return self.store.accept(temp, read_instance_header(temp), source="test", site=site)

    def as_(self, user: str) -> SignedIn:
        return SignedIn(self.app, user)

    def fill(self) -> None:
        """More that must not be seen: a peer, a copy with other content, a delivery."""
        self.south.object.PatientName = "Quillfeather^Again"
        with pytest.raises(DifferentBytes):
            self.keep(self.south.object, "south")
        self.store.put_peer(
            "south/southcam", '{"name": "southcam", "ae_title": "C", "port": 4, "site": "south"}',
            detail="south/southcam", by="admin@south", at=datetime.now(UTC), site="south",
        )  # fmt: skip

    @staticmethod
    def missing() -> tuple[str, str, str]:
        return generate_uid(), generate_uid(), generate_uid()


ENGINES = ("sqlite", pytest.param("postgres", marks=pytest.mark.long))


@pytest.fixture(scope="module", params=ENGINES)
def index_url(request):
    """An empty index, of each engine."""
    if request.param == "sqlite":
        yield ""
        return
    server = request.getfixturevalue("postgres")
    url = server.database()
    yield url
    server.give_back(url)


@pytest.fixture(scope="module")
def clinics(tmp_path_factory, index_url):
    """For tests that only look."""
    made = Clinics(tmp_path_factory.mktemp("sites") / "node", index_url)
    made.fill()
    yield made
    made.store.close()


@pytest.fixture
def fresh(tmp_path):
    """For tests that change something."""
    made = Clinics(tmp_path / "node")
    yield made
    made.store.close()
