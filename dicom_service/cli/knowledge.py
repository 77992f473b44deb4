"""`sesamoid codes` and `sesamoid docs`: what the data files hold, for people and other programs."""

import argparse
import json
import sys
from collections.abc import Mapping
from pathlib import Path

from dicom_service import __version__
from dicom_service.anatomy import Atlas
from dicom_service.anatomy.concepts import concepts
from dicom_service.anatomy.tables import anatomy_tables, code_tables
from dicom_service.codes.export import csv_text, fhir_code_system
from dicom_service.errors import SetupError
from dicom_service.report.tables import template_tables
from dicom_service.settings import Settings
from dicom_service.site import site_atlas
from dicom_service.statement import conformance_statement, openapi_text


def codes(options: argparse.Namespace, settings: Settings) -> int:
    """Print the registry of codes, with those of the site's own anatomy."""
    known = concepts(site_atlas(settings))
    if options.fhir:
        print(json.dumps(fhir_code_system(known, __version__), ensure_ascii=False, indent=2))
    else:
        sys.stdout.write(csv_text(known).replace("\r\n", "\n"))
    return 0


def pages(atlas: Atlas) -> Mapping[str, str]:
    """File name -> text of every page that is made from data or from the code's own tables."""
    return {
        **anatomy_tables(atlas),
        "codes.md": code_tables(concepts(atlas)),
        "template-tables.md": template_tables(),
        "conformance-statement.md": conformance_statement(),
        "openapi.json": openapi_text(),
    }


def docs(options: argparse.Namespace, settings: Settings) -> int:
    """Write the pages, those of the site's own anatomy with it."""
    folder: Path = options.folder
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in pages(site_atlas(settings)).items():
            (folder / name).write_text(text, "utf-8")
            print(folder / name)
    except OSError as error:
        raise SetupError(f"{folder} cannot be written: {error.strerror}.") from error
    return 0
