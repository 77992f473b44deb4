"""A store whose objects are in a bucket."""

from dicom_service.store import Store
from dicom_service.store.elsewhere import Elsewhere, Spooling
from tests.store.conftest import STUDY, Kit


class BucketKit(Kit):
    """A store whose objects are in a bucket."""

    def __init__(self, folder, place, spooling=None, index_url=""):
        self.place, self.spooling = place, spooling or Spooling()
        super().__init__(folder, index_url)

    def open(self, **options):
        where = Elsewhere(self.place, self.spooling)
        return Store(self.folder, index_url=self.index_url, elsewhere=where, **options)

    def read(self, study=STUDY):
        return {row.sop_instance_uid: row.path.read_bytes() for row in self.store.instances(study)}

    def forget_copies(self):
        """What is on this machine but need not be."""
        self.store.drain()
        for name in list(self.store._blobs.names()):
            self.store._blobs._file(name).unlink()
        for file in (self.folder / "cache").rglob("*"):
            if file.is_file():
                file.unlink()
