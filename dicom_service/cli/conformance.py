"""`sesamoid conformance PEER`: does this archive do what we need? With invented animals only."""

import argparse
import json
import logging
import sys
from pathlib import Path

from dicom_service.conformance import Result, Run, Target, chosen, run_checks
from dicom_service.conformance import pages as shown
from dicom_service.conformance.model import find_peer
from dicom_service.errors import SetupError
from dicom_service.settings import Settings


def run(options: argparse.Namespace, settings: Settings) -> int:
    """Examine a peer; 1 when any check fails."""
    target = _target(options, settings)
    if target.peer.site and not options.ae_title:
        settings = settings.at(target.peer.site)
    if options.listen is not None:
        settings = settings.model_copy(update={"dimse_port": options.listen})
    checks = chosen(options.only)
    # What the library would say of refusals that are meant stands in the findings.
    logging.getLogger("pynetdicom").setLevel(logging.CRITICAL)
    progress = sys.stderr if options.json else sys.stdout
    results: list[Result] = []
    examination = Run(target, settings)
    try:
        for number, result in enumerate(run_checks(examination, options.only), start=1):
            results.append(result)
            print(f"[{number:2}/{len(checks)}] {shown.text_of(result)}", file=progress, flush=True)
    finally:
        examination.close()
    print(f"\n{shown.summary(results)}\n{shown.remains(examination)}", file=progress)
    if options.json:
        print(json.dumps(shown.as_json(examination, results), ensure_ascii=False, indent=2))
    _write(options.junit, shown.as_junit(examination, results))
    _write(options.html, shown.as_html(examination, results))
    return 1 if any(result.verdict == "FAIL" for result in results) else 0


def arguments(parser: argparse.ArgumentParser) -> None:
    """The options of the command."""
    add = parser.add_argument
    add("peer", metavar="PEER", help="name of a peer in the settings, or host:port:AETITLE")
    add("--ae-title", help="our own AE title, as the peer knows it")
    add("--listen", type=int, metavar="PORT", help="port to listen on (default: dimse_port)")
    add("--dimse-host", help="address to listen on")
    add("--seconds", type=float, default=10.0, help="how long to wait for an answer")
    add("--report-seconds", type=float, default=10.0, help="the same for a commitment report")
    add("--only", action="append", default=[], metavar="CHECK",
        help="make only this check (its name stands in --json); may be repeated")  # fmt: skip
    add("--web", default="", metavar="URL", help="its DICOMweb address, to be checked too")
    add("--web-header", action="append", default=[], metavar="'NAME: VALUE'",
        help="sent with every web request, for signing in; may be repeated")  # fmt: skip
    add("--tls-port", type=int, help="its secure DICOM port, to be checked too")
    add("--tls-ca", type=Path, metavar="FILE", help="certificates that we trust (PEM)")
    add("--tls-cert", type=Path, metavar="FILE", help="our own certificate (PEM)")
    add("--tls-key", type=Path, metavar="FILE", help="its key (PEM)")
    add("--json", action="store_true", help="print JSON; progress goes to standard error")
    add("--junit", type=Path, metavar="FILE", help="write JUnit XML")
    add("--html", type=Path, metavar="FILE", help="write one HTML page, to mail to a vendor")


def _target(options: argparse.Namespace, settings: Settings) -> Target:
    headers = []
    for text in options.web_header:
        name, colon, value = text.partition(":")
        if not colon:
            raise SetupError(f"--web-header '{name}' is not written as 'NAME: VALUE'.")
        headers.append((name.strip(), value.strip()))
    if options.web and not options.web.startswith(("http://", "https://")):
        raise SetupError(f"--web {options.web} does not begin with http:// or https://.")
    return Target(
        peer=find_peer(options.peer, settings),
        web=options.web.rstrip("/"),
        web_headers=tuple(headers),
        tls_port=options.tls_port,
        tls_authority=options.tls_ca,
        tls_certificate=options.tls_cert,
        tls_key=options.tls_key,
        answer_seconds=options.seconds,
        report_seconds=options.report_seconds,
    )


def _write(file: Path | None, text: str) -> None:
    if file is None:
        return
    try:
        file.write_text(text, "utf-8")
    except OSError as error:
        raise SetupError(f"{file} cannot be written: {error.strerror}.") from error
