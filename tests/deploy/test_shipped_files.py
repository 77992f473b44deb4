"""What docs/deploy gives to IT staff: units, a compose file, a dashboard, alert rules."""

import json
import logging
import re
import shutil
import subprocess
import tomllib
from ipaddress import ip_address, ip_network
from pathlib import Path
from typing import get_args

import yaml

from dicom_service.errors import Refused
from dicom_service.quiet_logs import FORMAT, JsonFormatter, QuietFormatter
from dicom_service.settings import PREFIX, Role, Settings, load
from dicom_service.store import Store
from dicom_service.web.metrics import Requests

TOP = Path(__file__).parent.parent.parent
SHIPPED = TOP / "docs" / "deploy"
ENDINGS = {"counter": ["_total"], "histogram": ["_bucket", "_sum", "_count"], "info": ["_info"]}


def test_the_units_are_what_systemd_takes(tmp_path):
    for unit in SHIPPED.glob("sesamoid*.*"):
        text = unit.read_text().replace("/opt/sesamoid/bin/sesamoid", shutil.which("true"))
        for role in get_args(Role) if "@." in unit.name else ("",):
            (tmp_path / unit.name.replace("@.", f"@{role}.")).write_text(text)
    files = sorted(str(unit) for unit in tmp_path.iterdir())
    assert len(files) == 3 + len(get_args(Role))
    checked = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", *files],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    ours = [line for line in checked.stderr.splitlines() if "sesamoid" in line]
    assert (checked.returncode, ours) == (0, []), checked.stderr


def test_the_compose_file_sets_what_there_is_and_mounts_what_is_named():
    text = yaml.safe_load((SHIPPED / "compose.yaml").read_text())
    node = text["services"]["sesamoid"]
    given = {name: str(value) for name, value in node["environment"].items()}
    settings = load(environment=given)
    known = {PREFIX + name.upper() for name in Settings.model_fields}
    assert {name for name in given if name.startswith(PREFIX)} <= known
    ports = {int(line.rsplit(":", 1)[1]) for line in node["ports"]}
    assert ports == {settings.dimse_port, settings.http_port}
    volume, place = node["volumes"][0].split(":")
    assert volume in text["volumes"]
    assert Path(place) == settings.data_folder
    seconds = int(node["stop_grace_period"].removesuffix("s"))
    assert seconds > settings.drain_seconds
    assert f":{settings.http_port}/api/health/ready" in node["healthcheck"]["test"][-1]
    container = (SHIPPED.parent / node["build"]["dockerfile"].removeprefix("docs/")).read_text()
    assert f"VOLUME {place}" in container
    assert (SHIPPED / node["build"]["context"]).resolve() == TOP


def test_the_compose_file_of_the_whole_set_up_names_only_what_it_has():
    text = yaml.safe_load((SHIPPED / "compose-group.yaml").read_text())
    services = text["services"]
    shared = tomllib.loads((SHIPPED / "group.toml").read_text())
    settings = load(SHIPPED / "group.toml", {})
    ours = {name: one for name, one in services.items() if one["image"] == "sesamoid"}
    roles = sorted(one["command"][-1] for one in ours.values() if one["command"][0] == "serve")
    assert sorted(get_args(Role)) == sorted(set(roles))
    assert {"receive", "web"} == {role for role in roles if roles.count(role) > 1}
    for name, one in ours.items():
        folder = next(line for line in one["volumes"] if line.endswith(":/data")).partition(":")[0]
        assert folder in text["volumes"], name
        assert {config["source"] for config in one["configs"]} <= text["configs"].keys()
        assert set(one["secrets"]) <= text["secrets"].keys()
        assert int(one["stop_grace_period"].removesuffix("s")) > settings.drain_seconds
        assert (
            one["environment"]["PGPASSWORD"]
            == services["database"]["environment"]["POSTGRES_PASSWORD"]
        )
    (net,) = (ip_network(one["subnet"]) for one in text["networks"]["inside"]["ipam"]["config"])
    fixed = {
        name: one["networks"]["inside"]["ipv4_address"]
        for name, one in services.items()
        if isinstance(one["networks"], dict)
    }
    assert len(set(fixed.values())) == len(fixed)
    assert all(ip_address(address) in net for address in fixed.values())
    assert shared["balancers"] == [fixed["balancer"]]
    assert shared["trusted_proxy"] == fixed["balancer"]
    called = services["balancer"]["environment"]
    asked = re.findall(r"\$\{(SESAMOID_\w+)-", (SHIPPED / "haproxy.cfg").read_text())
    assert sorted(called) == sorted(asked)
    assert called == {
        "SESAMOID_DICOM_ONE": f"{fixed['receive-1']}:{settings.dimse_port}",
        "SESAMOID_DICOM_TWO": f"{fixed['receive-2']}:{settings.dimse_port}",
        "SESAMOID_WEB_ONE": f"{fixed['web-1']}:{settings.http_port}",
        "SESAMOID_WEB_TWO": f"{fixed['web-2']}:{settings.http_port}",
    }
    assert settings.bucket.secret_key_file == "/run/secrets/bucket-key"
    assert settings.index_url.split("@")[1] == "database/sesamoid"


def figures(tmp_path: Path) -> dict[str, set[str]]:
    """Name of each series of /metrics, and the names of its labels."""
    store = Store(tmp_path / "data")
    try:
        counted = Requests(store)
        counted.answers.labels("GET", "pages.login", "200").inc()
        counted.seconds.labels("GET", "pages.login").observe(1)
        found = list(counted.registry.collect())
    finally:
        store.close()
    return {
        family.name + ending: {label for one in family.samples for label in one.labels}
        for family in found
        for ending in ENDINGS.get(family.type, [""])
    }


def used(expression: str) -> dict[str, set[str]]:
    """The same of an expression: series with the labels that are asked of them."""
    named = re.findall(r"(sesamoid_\w+)(?:\{([^}]*)\})?", expression)
    return {name: set(re.findall(r"(\w+)\s*[=!]~?=?\"", labels)) for name, labels in named}


def test_dashboard_and_alert_rules_ask_for_figures_that_there_are_and_leave_none_out(tmp_path):
    there = figures(tmp_path)
    panels = json.loads((SHIPPED / "dashboard.json").read_text())["panels"]
    rules = yaml.safe_load((SHIPPED / "alerts.yaml").read_text())["groups"][0]["rules"]
    expressions = [target["expr"] for panel in panels for target in panel["targets"]]
    expressions += [rule["expr"] for rule in rules]
    asked = set()
    for expression in expressions:
        assert expression.count("(") == expression.count(")"), expression
        for name, labels in used(expression).items():
            assert name in there, expression
            assert labels - {"instance"} <= there[name] or not there[name], expression
            asked.add(name)
    unused = {name for name in there if not name.endswith(("_sum", "_count"))} - asked
    assert unused == set()
    places = [(panel["gridPos"]["x"], panel["gridPos"]["y"]) for panel in panels]
    assert len(set(places)) == len(panels) == len({panel["id"] for panel in panels})
    for rule in rules:
        assert rule["annotations"]["summary"].endswith(".")
        assert rule["labels"]["severity"] in ("info", "warning", "critical")


def record(error: Exception, message: str = "line one\nline two “%s”") -> logging.LogRecord:
    try:
        raise error
    except type(error) as raised:
        told = (type(raised), raised, raised.__traceback__)
    return logging.LogRecord("part", logging.ERROR, __file__, 1, message, ("x",), told)


def test_a_line_of_the_json_log_is_one_object_and_above_debug_shows_no_error_of_others():
    quiet = JsonFormatter(QuietFormatter(FORMAT))
    line = quiet.format(record(KeyError("Rex^Patient")))
    assert "\n" not in line
    said = json.loads(line)
    assert set(said) == {"time", "level", "logger", "message", "error"}
    assert (said["level"], said["message"]) == ("ERROR", "line one\nline two “x”")
    assert said["time"].endswith("+00:00")
    assert "KeyError" in said["error"]
    assert "Rex" not in line
    assert (
        "for people" in json.loads(quiet.format(record(Refused("A sentence for people."))))["error"]
    )
    loud = JsonFormatter(logging.Formatter(FORMAT))
    assert "Rex^Patient" in loud.format(record(KeyError("Rex^Patient")))
