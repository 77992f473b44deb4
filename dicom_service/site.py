"""The anatomy of one site: the shipped data files and those that the site has added."""

from pathlib import Path

from dicom_service.anatomy import Atlas, atlas, load_atlas
from dicom_service.errors import SetupError
from dicom_service.settings import Settings


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
