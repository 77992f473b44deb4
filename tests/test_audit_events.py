"""Every event that the program writes into the audit trail has its meaning in the standard."""

import ast
from pathlib import Path

from dicom_service.audit import meanings

PACKAGE = Path(__file__).parent.parent / "dicom_service"
PARTS = ("*.py", "cli/*.py", "node/*.py", "store/*.py", "web/**/*.py", "workflow/*.py")
WRITERS = {"audit": 0, "note": 0, "_note": 0, "_audit_rows": 2}
"""Functions that write an event, and which argument names it."""


def _written() -> set[str]:
    found = set()
    files = (f for part in PARTS for f in PACKAGE.glob(part))
    for file in files:
        for node in ast.walk(ast.parse(file.read_text("utf-8"))):
            if not isinstance(node, ast.Call):
                continue
            name = getattr(node.func, "attr", getattr(node.func, "id", ""))
            if name not in WRITERS:
                continue
            for argument in node.args[:3]:
                branches = (
                    (argument.body, argument.orelse)
                    if isinstance(argument, ast.IfExp)
                    else (argument,)
                )
                texts = [b.value for b in branches if isinstance(b, ast.Constant)]
                found |= {t for t in texts if isinstance(t, str) and t}
                if texts:
                    break
    return found


def test_every_event_is_in_events_yaml():
    """Add a new event to dicom_service/audit/events.yaml."""
    written = _written()
    assert {"signed in", "reading changed", "study opened", "report sent"} <= written
    assert written - set(meanings()) == set()
