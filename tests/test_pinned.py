"""What is installed in production is pinned, by version and by digest."""

from __future__ import annotations

import re
from importlib.metadata import distribution
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

LINE = re.compile(r"(?P<name>[A-Za-z0-9._-]+)==(?P<version>\S+) --hash=sha256:[0-9a-f]{64}")


def pins(path: Path) -> dict[str, str]:
    lines = [line.split(" --hash")[0] for line in path.read_text().splitlines()]
    return {canonicalize_name(name): version for name, version in (line.split("==") for line in lines)}


def runtime(repository: Path) -> set[str]:
    """Every package that the service needs, and what those need, with PostgreSQL."""
    text = (repository / "pyproject.toml").read_text().split("[project.optional-dependencies]")[0]
    wanted = [Requirement(line) for line in re.findall(r'^    "(.+)",$', text.split("dependencies = [")[1], re.M)]
    wanted += [Requirement("psycopg[binary]")]
    found: set[str] = set()
    while wanted:
        one = wanted.pop()
        name = canonicalize_name(one.name)
        if name in found and not one.extras:
            continue
        found.add(name)
        for text in distribution(one.name).requires or ():
            needs = Requirement(text)
            if needs.marker is None or any(needs.marker.evaluate({"extra": extra}) for extra in ("", *one.extras)):
                wanted.append(needs)
    return found


def test_every_line_has_the_digest_of_one_file(repository):
    for line in (repository / ".ci" / "runtime.txt").read_text().splitlines():
        assert LINE.fullmatch(line), line


def test_the_runtime_is_pinned_whole_and_as_the_tests_run_it(repository):
    pinned, constraints = pins(repository / ".ci" / "runtime.txt"), pins(repository / ".ci" / "constraints.txt")
    assert pinned.items() <= constraints.items()
    assert runtime(repository) == set(pinned)


def test_continuous_integration_installs_it_by_digest(repository):
    assert "--require-hashes -r .ci/runtime.txt" in (repository / ".ci" / "run").read_text()
