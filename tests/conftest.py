"""What tests of several packages share: one small cohort and one forecaster really trained on it, made once."""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
from pathlib import Path

# Two workers on two cores, each with two threads that wait for one another, took twice the time. The libraries read
# this as they are loaded, here and in every process that a test starts.
os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1")

# What one process has compiled the next ones read, even where the environment says not to keep it: tests start the
# program by the dozen, and each compiled everything anew, .7 s of it.
os.environ["PYTHONDONTWRITEBYTECODE"] = ""

# The stores of tests wait for the disk as real ones do. Where there is room they lie in memory, which is there at once:
# a whole run writes 1.3 GB.
if "TMPDIR" not in os.environ and (memory := Path("/dev/shm")).is_dir() and shutil.disk_usage(memory).free > 4 << 30:
    os.environ["TMPDIR"] = tempfile.tempdir = str(memory)

import fcntl
import gc
import hashlib
from collections.abc import Callable
from functools import cache
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import settings

# The process that only hands out tests reads this file as well: what is heavy comes in where it is used.
if TYPE_CHECKING:
    from training.learning.fitting import Trained
    from training.simulation.cohort import Cohort

settings.register_profile("patient", deadline=None)  # a busy machine is slow, not wrong
settings.load_profile("patient")


def pytest_sessionstart() -> None:
    """Collect no garbage while modules come in, which stay to the end, and keep what is compiled on the way."""
    gc.disable()
    sys.dont_write_bytecode = False


def pytest_xdist_auto_num_workers() -> int:
    """Run one more than there are cores: a test that waits for a clock or a browser leaves its core to another."""
    return len(os.sched_getaffinity(0)) + 1


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with what is long, so that nobody waits for it at the end, and then what needs the trained model.

    The worker at the other end then need not wait while it is trained.
    """
    items.sort(
        key=lambda item: (
            item.get_closest_marker("long") is None,
            "small_trained" not in getattr(item, "fixturenames", ()),
        )
    )


def pytest_collection_finish() -> None:
    """From here on the collector passes over what stays, and comes by seldom: it took an eighth of all time."""
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)
    gc.enable()


@cache
def _code_digest() -> str:
    """Tell apart states of the code and libraries that anything simulated or trained depends on."""
    root = Path(__file__).parents[1]
    digest = hashlib.sha256()
    for path in sorted(
        p for tree in ("models", "training", "tests/studies") for p in (root / tree).rglob("*") if p.is_file()
    ):
        if path.suffix in (".py", ".toml"):
            digest.update(str(path.relative_to(root)).encode() + path.read_bytes())
    for name in ("numpy", "scipy", "scikit-learn", "pandas"):
        digest.update(f"{name} {version(name)}".encode())
    return digest.hexdigest()[:16]


@pytest.fixture(scope="session")
def made_once(request: pytest.FixtureRequest) -> Callable[[str, Callable[[], Any]], Any]:
    """Make something costly once and load it after that, in this run and in later ones of the same code.

    The first process that asks makes it; the others wait. It is kept in pytest's own cache (`--cache-clear` empties
    it), by a digest of models, training, studies, libraries and the file that says how it is made. What other code
    made goes.
    """
    import joblib

    folder = request.config.cache.mkdir("made-once")

    def get(name: str, make: Callable[[], Any]) -> Any:
        said = Path(make.__code__.co_filename).read_bytes() + Path(__file__).read_bytes()
        path = folder / f"{name}-{_code_digest()}-{hashlib.sha256(said).hexdigest()[:8]}.joblib"
        with (folder / f"{name}.lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            if not path.exists():
                for old in folder.glob(f"{name}-*.joblib"):
                    old.unlink()
                part = path.with_suffix(".part")
                joblib.dump(make(), part)
                part.rename(path)
        return joblib.load(path)

    return get


@pytest.fixture(scope="session")
def small_cohort(made_once) -> Cohort:
    """A thousand simulated packs of the usual mix; invented."""
    from training.simulation.cohort import CohortPlan, simulate_cohort

    return made_once("small-cohort", lambda: simulate_cohort(CohortPlan(packs=1000, seed=11)))


@pytest.fixture(scope="session")
def small_trained(made_once, small_cohort: Cohort) -> Trained:
    """A forecaster trained on `small_cohort`, with its report. Shared: tests must not change it.

    Enough to behave like a model in every respect but accuracy; a few seconds on one core.
    """
    from training.files.families import load_families
    from training.learning.fitting import FitSettings, train_forecaster
    from training.simulation.bank import simulate_bank

    return made_once(
        "small-trained",
        lambda: train_forecaster(
            small_cohort.tables,
            truth=small_cohort.truth,
            bank=simulate_bank(load_families(), seed=0, packs_per_family=60),
            settings=FitSettings(workers=1, seed=0),
            made_at="2026-03-02T08:30+00:00",
        ),
    )


@pytest.fixture
def synced(monkeypatch: pytest.MonkeyPatch) -> Callable[[], list[Path]]:
    """What was waited for until it was on the disk, in order: files, and folders with the names in them."""
    found: list[Path] = []
    really = os.fsync

    def noted(handle: int) -> None:
        really(handle)
        found.append(Path(f"/proc/self/fd/{handle}").readlink())

    monkeypatch.setattr(os, "fsync", noted)
    return lambda: found


@pytest.fixture(scope="session")
def repository() -> Path:
    """The checkout."""
    return Path(__file__).parents[1]
