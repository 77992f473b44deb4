"""What is of one site: its data, and its anatomy, the shipped files with those that it added."""

from pathlib import Path

from dicom_service.anatomy import Atlas, atlas, load_atlas
from dicom_service.errors import SetupError
from dicom_service.settings import Settings
from dicom_service.store import Store


def site_files(folder: Path) -> tuple[Path, ...]:
    """The data files of a site's folder and the folders in it, by name.

    Raises
    ------
    SetupError
        There is no such folder.
    """
    if not folder.is_dir():
        raise SetupError(f"The anatomy folder {folder} does not exist.")
    return tuple(sorted(path for path in folder.rglob("*.yaml") if path.is_file()))


def site_atlas(settings: Settings) -> Atlas:
    """The atlas that a node uses.

    Raises
    ------
    SetupError
        The folder does not exist, or a file in it is wrong; the message names file and line.
    """
    if not settings.anatomy_folder:
        return atlas()
    return load_atlas(site_files(Path(settings.anatomy_folder)))


def site_store(settings: Settings, *, exclusive: bool = False) -> Store:
    """The store of a site, for a command that looks or changes a user; `exclusive` for its node.

    Raises
    ------
    SetupError
        See `Store`.
    """
    folder = Path(settings.data_folder)
    elsewhere = settings.bucket.elsewhere()
    return Store(folder, exclusive=exclusive, index_url=settings.index_url, elsewhere=elsewhere)
