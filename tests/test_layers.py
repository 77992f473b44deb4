"""The core stays free of input and output, and layers import only what DEVELOPERS.md allows."""

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "dicom_service"
CORE = ("codes", "anatomy", "intake", "review", "measure", "report")
INPUT_OUTPUT = {
    "flask", "pynetdicom", "sqlalchemy", "socket", "http", "urllib", "subprocess", "sqlite3",
    "threading", "waitress", "time", "os", "tempfile",
}  # fmt: skip
ALLOWED = {
    "codes": {"base"},
    "anatomy": {"base", "codes", "errors"},
    "intake": {"base", "codes", "errors", "anatomy"},
    "review": {"base", "codes", "errors", "anatomy", "intake", "measure"},
    "measure": {"base", "codes", "errors", "intake", "review"},
    "report": {"__version__", "base", "codes", "errors", "intake", "review", "anatomy", "measure"},
    "store": {"base", "errors", "intake", "review", "report", "codes"},
    "audit": {"errors", "settings", "store"},
    "node": {
        "base",
        "errors",
        "roster",
        "settings",
        "store",
        "passwords",
        "intake",
        "quiet_logs",
    },
}


def _imports(part: str) -> set[str]:
    found = set()
    for file in (PACKAGE / part).rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text("utf-8"))):
            if isinstance(node, ast.Import):
                found |= {alias.name for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module:
                names = {f"{node.module}.{alias.name}" for alias in node.names}
                found |= names if node.module == "dicom_service" else {node.module}
    return found


@pytest.mark.parametrize("part", CORE)
def test_the_core_imports_no_network_web_database_or_clock(part):
    assert {name.split(".")[0] for name in _imports(part)} & INPUT_OUTPUT == set()


@pytest.mark.parametrize(("part", "allowed"), ALLOWED.items())
def test_each_layer_imports_only_the_layers_below_it(part, allowed):
    ours = {n.split(".")[1] for n in _imports(part) if n.startswith("dicom_service.")}
    assert ours - {part} <= allowed


def test_every_module_is_short_enough_to_read_at_once():
    sources = [*PACKAGE.rglob("*.py"), *(PACKAGE.parent / "viewer_plugin").rglob("*.js")]
    long = {f.name: n for f in sources if (n := len(f.read_text("utf-8").splitlines())) > 400}
    assert long == {}
