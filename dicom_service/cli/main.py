"""Arguments of `sesamoid` and the way to each command."""

import argparse
import logging
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from dicom_service import __version__, quiet_logs
from dicom_service.cli import (
    audit,
    backup,
    bucket,
    check,
    conformance,
    demo,
    exports,
    give,
    knowledge,
    measure,
    offline,
    quarantine,
    samples,
    selftest,
    serve,
    teach,
    users,
)
from dicom_service.errors import SesamoidError, outcome_of
from dicom_service.settings import Settings, load

Command = Callable[[argparse.Namespace, Settings], int]
Add = Callable[[str, Command, str], argparse.ArgumentParser]
"""Adds a command: its name, what runs it, and what it does in a sentence."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit status (0 done, 1 refused or failed, 2 wrong usage)."""
    options = _parser().parse_args(arguments)
    try:
        settings = settings_of(options)
        quiet_logs.set_up(settings.log_level, settings.log_format)
        logging.getLogger("pynetdicom").setLevel(logging.WARNING)
        command: Command = options.command
        return command(options, settings)
    except SesamoidError as error:
        print(f"sesamoid: {error} {outcome_of(error).advice}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:  # whoever read our output, such as head, has read enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0


def settings_of(options: argparse.Namespace) -> Settings:
    """The settings as file, environment and command line have them now."""
    given = {
        name: getattr(options, name, None)
        for name in ("ae_title", "dimse_host", "dimse_port", "http_host", "http_port")
    }
    given["roles"] = getattr(options, "node_roles", None)
    return load(options.config, data_folder=options.data, **given)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="sesamoid",
        description="Systematic review and coded reports of dog, cat and horse limb radiographs.",
    )
    parser.add_argument("--version", action="version", version=f"sesamoid {__version__}")
    parser.add_argument("--config", type=Path, help="settings file (TOML)")
    parser.add_argument("--data", type=Path, help="data folder")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")

    def add(name: str, run: Command, text: str) -> argparse.ArgumentParser:
        sub = commands.add_parser(name, help=text, description=text)
        sub.set_defaults(command=run, settings_of=settings_of)
        return sub

    _running(add)
    _reports(add)
    _tables(add)
    _keeping(add)
    return parser


def _running(add: Add) -> None:
    serve.arguments(
        add("serve", serve.run, "Run the node: receive studies, serve the panel, send reports.")
    )
    clinic = add("demo", demo.run, "Run an invented clinic, the node and the viewer together.")
    clinic.add_argument("--http-port", type=int, help="port of the web pages")
    clinic.add_argument("--dimse-port", type=int, help="DIMSE port")
    add("selftest", selftest.run, "Do the whole job once without a browser and time each step.")
    examined = add("conformance", conformance.run, "Examine a peer, with invented animals only.")
    conformance.arguments(examined)


def _reports(add: Add) -> None:
    template = add("template", offline.template, "Write the prepared SR template of a study.")
    template.add_argument("study_uid", metavar="STUDY_UID")
    template.add_argument("--output", type=Path, help="file to write (default: STUDY_UID.dcm)")
    checked = add("check", check.run, "Check DICOM files with our rules and outside validators.")
    checked.add_argument("files", type=Path, nargs="+", metavar="FILE")
    checked.add_argument("--json", action="store_true", help="print JSON instead of a table")
    other = add("export", exports.export, "Write a signed report as PDF, text, FHIR, HL7 and SR.")
    other.add_argument("study_uid", metavar="STUDY_UID")
    other.add_argument("folder", type=Path, metavar="DIR")
    case = add("teach", teach.run, "Write a signed study as a teaching case without names.")
    case.add_argument("study_uid", metavar="STUDY_UID")
    case.add_argument("folder", type=Path, metavar="FOLDER")
    measure.arguments(add("measure", measure.run, "Measure one image file; prints JSON."))


def _tables(add: Add) -> None:
    written = add("samples", samples.run, "Write one of each object that we produce.")
    written.add_argument("folder", type=Path, metavar="DIR")
    forms = add("mrrt", exports.mrrt, "Write every report template in the format of IHE MRRT.")
    forms.add_argument("folder", type=Path, metavar="DIR")
    codes = add("codes", knowledge.codes, "Print every code that we write, as CSV.")
    codes.add_argument(
        "--fhir", action="store_true", help="print our own codes as a FHIR R4 CodeSystem"
    )
    pages = add("docs", knowledge.docs, "Write the pages that are made from the data files.")
    pages.add_argument("folder", type=Path, metavar="DIR")


def _keeping(add: Add) -> None:
    users.arguments(add("user", users.run, "Add a user or set a password."))
    give.arguments(add("give", give.run, "Give a study, with its reports, to another site."))
    trail = add("audit", audit.run, "Prove the audit trail, or write it as DICOM audit messages.")
    audit.arguments(trail)
    quarantine.arguments(
        add("quarantine", quarantine.run, "Decide about copies of objects with other content.")
    )
    saved = add("backup", backup.run_backup, "Bring a backup up to date while the node runs.")
    saved.add_argument("folder", type=Path, metavar="FOLDER")
    restored = add("restore", backup.run_restore, "Make the data folder from a backup.")
    restored.add_argument("folder", type=Path, metavar="FOLDER")
    bucket.arguments(
        add("bucket", bucket.run, "Compare bucket and index, or bring the objects back.")
    )
