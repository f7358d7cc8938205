"""What holds for the whole tree: lint, format, types, packaging, and that README and DEVELOPERS say what is so."""

from __future__ import annotations

import ast
import os
import re
import shutil
import subprocess
import sys
import tomllib
from functools import cache
from graphlib import TopologicalSorter
from itertools import pairwise
from pathlib import Path
from zipfile import ZipFile

import pytest
import tideover

from models.features.definitions import FEATURES
from service.core.settings import settings_table


def run(repository: Path, *command: str) -> subprocess.CompletedProcess[str]:
    environment = os.environ | {"NO_COLOR": "1"}
    return subprocess.run(
        [sys.executable, "-m", *command], cwd=repository, capture_output=True, text=True, check=False, env=environment
    )


def read(repository: Path, name: str) -> str:
    return (repository / name).read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "command",
    [("ruff", "check"), ("ruff", "format", "--check"), pytest.param(("mypy",), marks=pytest.mark.long)],
    ids=" ".join,
)
def test_lint_format_and_types(repository, command):
    found = run(repository, *command)
    assert found.returncode == 0, found.stdout + found.stderr


OTHER_PER_CENTS = re.compile(r"[\d}] %(?![(\w])|\df%%|%\(\w+\)s ?%%|\}\}%|^\.\d+%$")
"""A share written otherwise than by `models.base.percents`, or with a blank before the sign; a format as `.0%`."""


def sentences_in(path: Path) -> list[str]:
    """What people may read of a file: of a template all but its statements, of a module all but what documents it."""
    text = path.read_text(encoding="utf-8")
    if path.suffix == ".html":
        return re.sub(r"\{%.*?%\}", "", text).splitlines()
    nodes = list(ast.walk(ast.parse(text)))
    documenting = {id(node.value) for node in nodes if isinstance(node, ast.Expr)}
    return [
        node.value
        for node in nodes
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in documenting
    ]


def test_per_cents_are_written_one_way(repository):
    others = {}
    for tree in ("models", "training", "service"):
        for path in [*(repository / tree).rglob("*.py"), *(repository / tree).rglob("*.html")]:
            found = [text for text in sentences_in(path) if OTHER_PER_CENTS.search(text)]
            if path.name != "percents.py" and found:
                others[str(path.relative_to(repository))] = found
    assert others == {}


def entries_that_only_repeat(node: ast.FunctionDef | ast.AsyncFunctionDef) -> list[str]:
    """Parameters that a docstring lists with the type of the signature, and with nothing said of them."""
    types = {arg.arg: ast.unparse(arg.annotation) for arg in node.args.args if arg.annotation is not None}
    lines = [line for line in (ast.get_docstring(node) or "").splitlines() if line.strip()]
    alone = [line for line, after in pairwise([*lines, ""]) if not after.startswith(" ")]
    return [name for name, kind in types.items() if f"{name} : {kind}" in alone]


def test_docstrings_do_not_repeat_the_signature(repository):
    found = {
        f"{path.relative_to(repository)}: {node.name}": repeated
        for tree in ("models", "training", "service")
        for path in (repository / tree).rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and (repeated := entries_that_only_repeat(node))
    }
    assert found == {}


ORDER = {
    "models": (
        *("base", "packs", "physics", "survival", "estimators", "calibration", "features", "forecasts"),
        *("interventions", "forecaster", "topup", "decisions"),
    ),
    "training": (
        *("files", "simulation", "scoring", "plotting", "report", "cohort_report", "learning", "monitoring"),
        *("registry",),
    ),
    "service": (
        *(
            "core",
            "store",
            "http",
            "access",
            "records",
            "forecasting",
            "decisions",
            "notices",
            "exchange",
            "jobs",
            "operation",
        ),
        *("pages", "app_store", "app", "cli"),
    ),
}
"""Packages of each tree; one may import those before it. And each tree those before it."""


@cache
def imports_of(repository: Path) -> dict[str, set[str]]:
    """Modules of the three trees, and the modules of theirs that each imports."""
    paths = {
        ".".join(path.relative_to(repository).with_suffix("").parts).removesuffix(".__init__"): path
        for tree in ORDER
        for path in (repository / tree).rglob("*.py")
        if not {"migrations", "public"} & set(path.parts)  # a folder of scripts; the door for those outside
    }
    found: dict[str, set[str]] = {}
    for name, path in paths.items():
        wanted: set[str] = set()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.module is not None:
                wanted |= {f"{node.module}.{alias.name}" for alias in node.names} & set(paths) or {node.module}
            elif isinstance(node, ast.Import):
                wanted |= {alias.name for alias in node.names}
        found[name] = wanted & set(paths)
    return found


def test_arrows_point_one_way(repository):
    trees = list(ORDER)
    for name, wanted in imports_of(repository).items():
        tree, *rest = name.split(".")
        for other in sorted(wanted):
            its_tree, *its_rest = other.split(".")
            assert trees.index(its_tree) <= trees.index(tree), f"{name} imports {other}"
            if its_tree == tree and rest and its_rest:
                order = ORDER[tree]
                assert order.index(its_rest[0]) <= order.index(rest[0]), f"{name} imports {other}"


def test_every_package_has_its_place_in_the_order(repository):
    for tree, order in ORDER.items():
        names = {path.stem for path in (repository / tree).glob("*.py")} | {
            path.parent.name for path in (repository / tree).glob("*/__init__.py")
        }
        assert names - {"__init__"} == set(order)


def test_no_imports_go_in_circles(repository):
    graph = imports_of(repository)
    sorter = TopologicalSorter({name: wanted - {name} for name, wanted in graph.items()})
    sorter.prepare()  # raises CycleError, which names the circle


def test_models_are_pure(repository):
    """No files, network, clock, printing or plotting in models."""
    words = r"\bopen\(|\bPath\(|\bprint\(|datetime\.now|time\.time\(|httpx|sqlalchemy|matplotlib|import logging"
    for path in (repository / "models").rglob("*.py"):
        code = re.sub(r"^\s*(>>>|\.\.\.) .*$", "", path.read_text(encoding="utf-8"), flags=re.MULTILINE)
        found = re.search(words, code, re.MULTILINE)
        assert not found, f"{path.relative_to(repository)}: {found and found.group()}"


def test_the_test_command_of_readme_is_what_ci_runs(repository):
    readme = (repository / "README.md").read_text(encoding="utf-8")
    commands = [line for line in readme.splitlines() if line.startswith("python3.11 -m venv")]
    assert len(commands) == 2, "README names two commands, one line each"
    assert commands[1] in (repository / ".ci" / "run").read_text(encoding="utf-8").splitlines()


def test_readme_starts_with_the_job_and_links_to_what_is_there(repository):
    readme = (repository / "README.md").read_text(encoding="utf-8")
    first = readme.split("\n\n")[1]
    assert "topped-up" in first
    assert "probability" in first
    for name in ("README.md", "DEVELOPERS.md", "CHANGELOG.md"):
        text = (repository / name).read_text(encoding="utf-8")
        for target in re.findall(r"\]\((?!https?:|#)([^)#]+)", text):
            assert (repository / target).exists(), f"{name} links to {target}"


LONGEST_SENTENCE = 30
"""Words. A sentence that a mechanic reads on a phone."""


def sentences_of(text: str) -> list[str]:
    """Sentences of a Markdown page: code is left out, a table's cell or a list's point is read by itself."""
    text = re.sub(r"```.*?```", "", text, flags=re.DOTALL)
    text = re.sub(r"!?\[([^\]]*)\]\([^)]*\)", r"\1", text)
    parts = []
    for paragraph in re.split(r"\n\s*\n|\n(?=- )|\n(?=\|)|\n(?=#)", text):
        cells = paragraph.strip().strip("|").split("|") if paragraph.lstrip().startswith("|") else [paragraph]
        parts += [" ".join(cell.split()) for cell in cells]
    return [sentence for part in parts for sentence in re.split(r"(?<=[.!?])[*`)]*\s+", part) if sentence]


def test_no_sentence_of_readme_is_long(repository):
    sentences = sentences_of(read(repository, "README.md"))
    assert len(sentences) > 80
    for sentence in sentences:
        assert len(sentence.split()) <= LONGEST_SENTENCE, sentence


def test_every_setting_is_documented(repository):
    text = (repository / "README.md").read_text(encoding="utf-8")
    for row in settings_table():
        assert row.variable in text, f"README does not name {row.variable}"


def test_every_feature_says_what_it_is():
    for feature in FEATURES:
        assert feature.meaning
        assert feature.unit
        assert feature.direction in (-1, 0, 1)
    assert len({f.name for f in FEATURES}) == len(FEATURES)


def test_a_wheel_carries_its_data_files(repository, tmp_path):
    shutil.rmtree(repository / "build", ignore_errors=True)  # a left-over could hide what is missing
    made = run(repository, "pip", "wheel", "-q", "--no-deps", "--no-build-isolation", "-w", str(tmp_path), ".")
    assert made.returncode == 0, made.stderr
    (wheel,) = tmp_path.glob("tideover-*.whl")
    names = set(ZipFile(wheel).namelist())
    data = (".toml", ".html", ".css", ".js", ".svg", ".mako", ".json", ".typed", ".ini", ".po", ".pot")
    for package in ("models", "training", "service"):
        for path in (repository / package).rglob("*"):
            if (path.suffix in data or path.name == "py.typed") and "public" not in path.parts:
                assert str(path.relative_to(repository)) in names, path
    assert {"tideover/__init__.py", "tideover/py.typed"} <= names
    assert not any(name.startswith("service/public") for name in names)
    (facts,) = (name for name in names if name.endswith(".dist-info/METADATA"))
    told = ZipFile(wheel).read(facts).decode()
    assert "License-Expression: MIT" in told
    assert any(name.endswith("licenses/LICENSE") for name in names)
    ZipFile(wheel).extractall(tmp_path / "installed")
    asked = "import tideover, models; print(tideover.Forecaster.__name__, models.__file__)"
    environment = os.environ | {"PYTHONPATH": str(tmp_path / "installed")}
    said = subprocess.run(
        [sys.executable, "-c", asked], cwd=tmp_path, capture_output=True, text=True, check=True, env=environment
    ).stdout
    assert said.split() == ["Forecaster", str(tmp_path / "installed" / "models" / "__init__.py")]


def test_version_and_licence_are_told_alike(repository):
    told = tomllib.loads((repository / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    citation = read(repository, "CITATION.cff")
    assert f"version: {told['version']}\n" in citation
    assert f"license: {told['license']}\n" in citation
    versions = re.findall(r"^## (\d+\.\d+\.\d+), (\d{4}-\d\d-\d\d)$", read(repository, "CHANGELOG.md"), re.MULTILINE)
    assert versions[0][0] == told["version"]
    assert f'date-released: "{versions[0][1]}"\n' in citation
    assert [day for _, day in versions] == sorted((day for _, day in versions), reverse=True)


def test_the_public_names_are_the_ones_listed():
    assert sorted(tideover.__all__) == tideover.__all__
    for name in tideover.__all__:
        assert getattr(tideover, name).__doc__
