"""What comes along for running it is checked by the linters of those formats; nothing is built or started here."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import promql_parser
import pytest
import yaml

from service.operation.measures import Measures

SCRIPTS = Path(sys.executable).parent


@pytest.fixture
def deploy(repository: Path) -> Path:
    return repository / "service" / "deploy"


def ran(*command: object) -> None:
    done = subprocess.run([*map(str, command)], capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr


def test_the_containerfile(deploy):
    """hadolint, with every rule."""
    ran(SCRIPTS / "hadolint", deploy / "Containerfile")


def test_the_compose_file(deploy):
    """The schema of the Compose Specification, as check-jsonschema brings it along."""
    ran(SCRIPTS / "check-jsonschema", "--builtin-schema", "vendor.compose-spec", deploy / "compose.yaml")
    services = yaml.safe_load((deploy / "compose.yaml").read_text())["services"]
    assert set(services) == {"service", "worker", "database"}
    assert all(port.startswith("127.0.0.1:") for port in services["service"]["ports"]), "never to the street by itself"


def test_the_units(deploy, tmp_path):
    """systemd-analyze verify; it wants the program there, so this environment's stands for the installed one."""
    analyse = shutil.which("systemd-analyze")
    if analyse is None:
        pytest.skip("systemd-analyze is not on this machine")
    units = [path for path in deploy.iterdir() if path.suffix in (".service", ".timer")]
    assert len(units) == 4
    for unit in units:
        text = unit.read_text().replace("/opt/tideover/bin/tideover", str(SCRIPTS / "tideover"))
        (tmp_path / unit.name).write_text(text)
    ran(analyse, "verify", "--man=no", *(tmp_path / unit.name for unit in units))


def test_commands_of_the_units_are_commands(deploy, repository):
    said = {re.search(r"^ExecStart=\S+ (\S+)$", unit.read_text(), re.M).group(1) for unit in deploy.glob("*.service")}
    assert said == {"serve", "worker", "self-check"}
    compose = yaml.safe_load((deploy / "compose.yaml").read_text())["services"]
    assert {compose[name]["command"][0] for name in ("service", "worker")} == {"serve", "worker"}


def names_in(expression) -> set[str]:
    """Return the metrics that a PromQL expression reads."""
    found = {expression.name} if isinstance(expression, promql_parser.VectorSelector) else set()
    for part in ("expr", "lhs", "rhs", "vector_selector"):
        inner = getattr(expression, part, None)
        if inner is not None and not isinstance(inner, str):
            found |= names_in(inner)
    for argument in getattr(expression, "args", ()) or ():
        found |= names_in(argument)
    return found


def expressions(deploy: Path) -> list[str]:
    rules = yaml.safe_load((deploy / "alerts.yaml").read_text())["groups"][0]["rules"]
    panels = json.loads((deploy / "dashboard.json").read_text())["panels"]
    return [rule["expr"] for rule in rules] + [target["expr"] for panel in panels for target in panel["targets"]]


def test_rules_and_dashboard_read_metrics_that_are_there(deploy):
    """Parsed as PromQL by promql-parser, and held against the service's own registry."""
    there = set()
    for family in Measures().registry.collect():
        there |= {family.name, f"{family.name}_total", f"{family.name}_bucket", f"{family.name}_count"}
    read = set().union(*(names_in(promql_parser.parse(expression)) for expression in expressions(deploy)))
    assert len(read) > 10
    assert read <= there


def test_every_rule_says_how_grave_it_is_and_what_to_do(deploy):
    rules = yaml.safe_load((deploy / "alerts.yaml").read_text())["groups"][0]["rules"]
    assert len({rule["alert"] for rule in rules}) == len(rules)
    for rule in rules:
        assert rule["labels"]["severity"] in ("warning", "critical")
        assert rule["annotations"]["summary"].endswith((".", "?"))
