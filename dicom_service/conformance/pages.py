"""The results as text, JSON, JUnit and one self-contained HTML page."""

import textwrap
import xml.etree.ElementTree as ET
from collections import Counter
from collections.abc import Sequence
from html import escape
from importlib import resources

from pydantic import JsonValue

from dicom_service import __version__
from dicom_service.conformance.model import Result
from dicom_service.conformance.run import Run

_WIDTH = 96


def text_of(result: Result) -> str:
    """One result for a terminal."""
    lines = [f"{result.verdict}  {result.title}"]
    rows = [("", result.got)]
    if result.verdict == "FAIL":
        rows = [("expected: ", result.expected), ("got: ", result.got)]
    if result.ask and result.verdict != "PASS":
        rows.append(("ask: ", result.ask))
    for name, words in rows:
        lines += textwrap.wrap(
            name + words, _WIDTH, initial_indent="      ", subsequent_indent="        ",
            break_long_words=False,
        )  # fmt: skip
    return "\n".join(lines)


def summary(results: Sequence[Result]) -> str:
    """How many of each, and which failed."""
    count = Counter(result.verdict for result in results)
    failed = [result.title for result in results if result.verdict == "FAIL"]
    said = f"{count['PASS']} passed, {count['FAIL']} failed, {count['SKIP']} skipped."
    return said + (f" Failed: {'; '.join(failed)}." if failed else "")


def remains(run: Run) -> str:
    """What stays on the peer: DICOM has no way to delete."""
    if not run.kept:
        return "Nothing was stored on the peer."
    studies = sorted({str(dataset.StudyInstanceUID) for dataset in run.kept.values()})
    return (
        f"{len(run.kept)} invented objects in {len(studies)} studies stay on the peer, since DICOM "
        f"has no way to delete. To remove them, delete the patients {run.patient_id.upper()}-* "
        f"there (studies {', '.join(studies)})."
    )


def as_json(run: Run, results: Sequence[Result]) -> dict[str, JsonValue]:
    """Everything, for programs."""
    peer = run.target.peer
    return {
        "version": __version__,
        "started": run.started.isoformat(timespec="seconds"),
        "peer": {"ae_title": peer.ae_title, "host": peer.host, "port": peer.port},
        "our_ae_title": run.settings.ae_title,
        "passed": all(result.verdict != "FAIL" for result in results),
        "results": [result.model_dump(mode="json") for result in results],
        "remains": remains(run),
    }


def as_junit(run: Run, results: Sequence[Result]) -> str:
    """JUnit XML, for build servers."""
    count = Counter(result.verdict for result in results)
    suite = ET.Element(
        "testsuite",
        name=f"conformance of {run.target.peer.ae_title}",
        tests=str(len(results)),
        failures=str(count["FAIL"]),
        skipped=str(count["SKIP"]),
        errors="0",
        time=f"{sum(r.seconds for r in results):.3f}",
        timestamp=run.started.strftime("%Y-%m-%dT%H:%M:%S"),
    )
    for result in results:
        case = ET.SubElement(
            suite, "testcase", classname=result.group, name=f"{result.id}: {result.title}",
            time=f"{result.seconds:.3f}",
        )  # fmt: skip
        if result.verdict == "FAIL":
            text = f"expected: {result.expected}\ngot: {result.got}\nask: {result.ask}"
            ET.SubElement(case, "failure", message=_xml(result.got)).text = _xml(text)
        elif result.verdict == "SKIP":
            ET.SubElement(case, "skipped", message=_xml(result.got))
    ET.indent(suite)
    return ET.tostring(suite, encoding="unicode", xml_declaration=True) + "\n"


def _xml(text: str) -> str:
    """Text without what XML cannot carry: a peer may answer with control characters."""
    return "".join(c if c.isprintable() or c in "\n\t" else "?" for c in text)


def as_html(run: Run, results: Sequence[Result]) -> str:
    """One page that can be mailed to a vendor; no other file, no script, no network."""
    peer = run.target.peer
    count = Counter(result.verdict for result in results)
    groups = dict.fromkeys(result.group for result in results)
    values = {
        "title": f"Conformance of {peer.ae_title}",
        "peer": f"{peer.ae_title} at {peer.host}:{peer.port}",
        "ours": f"{run.settings.ae_title}, Sesamoid {__version__}",
        "when": f"{run.started:%Y-%m-%d %H:%M} UTC",
        "passed": str(count["PASS"]),
        "failed": str(count["FAIL"]),
        "skipped": str(count["SKIP"]),
        "remains": remains(run),
    }
    file = resources.files("dicom_service.conformance") / "data" / "page.html"
    page = file.read_text("utf-8")
    for name, value in values.items():
        page = page.replace(f"{{{{{name}}}}}", escape(value))
    bodies = (_group(g, [r for r in results if r.group == g]) for g in groups)
    return page.replace("{{groups}}", "\n".join(bodies))


def _group(name: str, results: Sequence[Result]) -> str:
    rows = "\n".join(_row(result) for result in results)
    return f"<section><h2>{escape(name)}</h2>\n{rows}\n</section>"


def _row(result: Result) -> str:
    ask = result.verdict != "PASS" and result.ask
    asked = f"<dt>To do or to ask</dt><dd>{escape(result.ask)}</dd>" if ask else ""
    return (
        f'<article class="{result.verdict.lower()}"><p class="verdict">{result.verdict}</p>'
        f"<div><h3>{escape(result.title)}</h3><dl><dt>Expected</dt><dd>{escape(result.expected)}"
        f"</dd><dt>Found</dt><dd>{escape(result.got)}</dd>{asked}</dl></div>"
        f'<p class="time">{result.seconds:.1f} s</p></article>'
    )
