"""Promoting while answering: no request lost, the old model stays if the new one is refused, reasons are kept."""

from __future__ import annotations

import copy
import json
import shutil
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from models.forecaster import Forecaster
from service.core.model_source import RETRY_SECONDS, RegistrySource
from training.files.tables import write_tables
from training.registry import ModelRegistry
from training.simulation.cohort import CohortPlan, simulate_cohort

MARROW_BAY = Path(__file__).parents[2] / "data" / "synthetic"
AT = datetime(2026, 3, 3, tzinfo=UTC)


@pytest.fixture
def two(home, tmp_path):
    """A home with two models; the first one answers."""
    own = shutil.copytree(home, tmp_path / "home")
    registry = ModelRegistry(own / "models")
    first = registry.load_current(Forecaster)
    add(registry, first, "second")
    return own, registry, first.manifest.model_id


def add(registry, stored, name, factor=None):
    other = copy.copy(stored.model)
    other.model_id = name
    if factor is not None:
        # A class of the tests cannot be loaded elsewhere: bend the fitted map itself.
        other.recalibration = copy.deepcopy(other.recalibration)
        other.recalibration.overall_.intercepts_ = other.recalibration.overall_.intercepts_ + factor
    return registry.save(
        other,
        model_id=name,
        report=stored.report,
        data_digest="d" * 64,
        seed=0,
        scores={},
        created=AT,
        families=stored.manifest.families,
        card="Another model.",
        facts={"trained_on": "simulation"},
    )


def cut_off(folder):
    path = folder / "model.joblib"
    path.write_bytes(path.read_bytes()[:-1000])


def tampered(folder):
    path = folder / "model.joblib"
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)


def of_another_version(folder):
    path = folder / "manifest.json"
    path.write_text(json.dumps(json.loads(path.read_text()) | {"code_version": "0.0.1"}))


def pointer_gone_bad(folder):
    (folder.parent / "current.json").write_text("{")


@pytest.mark.parametrize(
    ("damage", "said"),
    [
        (cut_off, "cut off"),
        (tampered, "was changed"),
        (of_another_version, "made with tideover 0.0.1"),
        (shutil.rmtree, "folder is gone"),
        (pointer_gone_bad, "cut off or was changed"),
    ],
    ids=lambda v: getattr(v, "__name__", ""),
)
def test_a_refused_newcomer_leaves_the_old_model_answering(two, damage, said):
    own, registry, first = two
    told = []
    time = [0.0]
    source = RegistrySource(ModelRegistry(own / "models", told.append), clock=lambda: time[0])
    assert source.current().manifest.model_id == first
    registry.promote("second", AT)
    kept = shutil.copytree(own / "models" / "second", own / "kept")
    damage(own / "models" / "second")
    for _ in range(5):
        assert source.current().manifest.model_id == first
    assert len(told) == 1
    assert said in told[0].what
    if damage is pointer_gone_bad:
        return
    # Once it is mended it is taken up, without a restart.
    shutil.rmtree(own / "models" / "second", ignore_errors=True)
    shutil.copytree(kept, own / "models" / "second")
    assert source.current().manifest.model_id == first
    time[0] += RETRY_SECONDS
    assert source.current().manifest.model_id == "second"


def test_every_answer_comes_from_one_of_the_two_while_they_change(two):
    own, registry, first = two
    source = RegistrySource(ModelRegistry(own / "models"))
    with ThreadPoolExecutor(8) as pool:
        asked = [pool.submit(lambda: source.current()) for _ in range(400)]
        for number in range(6):
            if number % 2:
                registry.rollback(AT + timedelta(minutes=number))
            else:
                registry.promote("second", AT + timedelta(minutes=number), "a test")
            asked += [pool.submit(lambda: source.current()) for _ in range(400)]
        for future in asked:
            stored = future.result()
            assert stored.manifest.model_id in (first, "second")
            assert stored.model.model_id == stored.manifest.model_id
    assert source.current().manifest.model_id == first


def test_promotion_needs_a_comparison_or_a_reason(two, tideover, tmp_path):
    own, registry, first = two
    env = {"TIDEOVER_HOME": str(own)}
    ran = tideover("models", "promote", "second", env=env)
    assert ran.exit_code == 2
    assert "--from" in ran.stderr
    assert "--force" in ran.stderr
    assert registry.current_id() == first

    write_tables(simulate_cohort(CohortPlan(150, 61, years=1)).tables, tmp_path / "record")
    add(registry, registry.load(first), "worse", factor=1.5)
    ran = tideover("models", "promote", "worse", "--from", tmp_path / "record", env=env)
    assert ran.exit_code == 2
    assert "The challenger is worse" in ran.stderr
    assert registry.current_id() == first
    told = tideover("models", "compare", "worse", first, "--from", tmp_path / "record", env=env)
    assert told.exit_code == 0
    assert "The challenger is worse" in told.stdout

    ran = tideover("models", "promote", "second", "--from", tmp_path / "record", env=env)
    assert ran.exit_code == 0, ran.stderr
    assert registry.current_id() == "second"
    assert registry.history()[-1].why.startswith("The challenger is no worse")

    ran = tideover("models", "promote", "worse", "--force", "trial on the demo fleet", env=env)
    assert ran.exit_code == 0
    assert registry.history()[-1].why == "forced: trial on the demo fleet"
    listed = tideover("models", "history", env=env).stdout.splitlines()
    assert listed[-1].endswith("promote worse forced: trial on the demo fleet")
    assert tideover("models", "rollback", env=env).exit_code == 0
    assert registry.current_id() == "second"


def test_learning_from_a_record_on_the_command_line(two, tideover, tmp_path):
    own, registry, first = two
    env = {"TIDEOVER_HOME": str(own)}
    write_tables(simulate_cohort(CohortPlan(25, 64, years=1)).tables, tmp_path / "record")
    ran = tideover("train", "--from", tmp_path / "record", "--workers", "1", env=env)
    assert ran.exit_code == 0, ran.stderr
    made = [registry.manifest(name) for name in registry.names() if name not in (first, "second")]
    assert len(made) == 1
    facts = made[0].facts
    assert facts["base_model"] == first
    assert facts["trained_on"] in ("both", "shop")
    assert facts["returns"] > 0
    assert facts["why"] in " ".join(ran.stdout.split())
    answers = registry.current_id() == made[0].model_id
    assert ("is used from now on" in ran.stdout) == answers
    assert ("goes on answering" in ran.stdout) != answers
    if "It is open whether" in ran.stdout or "nothing can be compared" in ran.stdout:
        assert f"To go back to {first}: tideover models rollback" in " ".join(ran.stdout.split())
    # The same record is learned from anew, from the same start: the same model.
    again = tideover("train", "--from", tmp_path / "record", "--workers", "1", env=env)
    assert again.exit_code == 0, again.stderr
    assert registry.load(made[0].model_id, Forecaster).model.model_id == made[0].model_id
    assert "is used from now on" not in again.stdout
    assert f"{registry.current_id()} goes on answering" in " ".join(again.stdout.split())


def test_where_nothing_was_learned_nobody_is_told_of_a_new_model(two, tideover, tmp_path):
    own, _, first = two
    env = {"TIDEOVER_HOME": str(own)}
    record = simulate_cohort(CohortPlan(8, 64, years=1)).tables
    replaced = record.outcomes.assign(kind="replaced", found=None, code=None)
    write_tables(replace(record, outcomes=replaced), tmp_path / "record")
    ran = tideover("train", "--from", tmp_path / "record", "--workers", "1", env=env)
    assert ran.exit_code == 0, ran.stderr
    assert "is used from now on" not in ran.stdout
    assert f"Model {first} goes on answering." in ran.stdout
    told = tideover("forecast", "--data", MARROW_BAY, "--pack", "MB-VAN-15", "--json", env=env)
    assert "no return of yours has been learned from yet" in str(json.loads(told.stdout)["sentences"])


def test_learning_starts_from_what_sister_workshops_recorded(two, tideover, tmp_path):
    own, registry, first = two
    sisters = tmp_path / "sisters"
    sisters.mkdir()
    env = {"TIDEOVER_HOME": str(own), "TIDEOVER_SISTERS_DIR": str(sisters)}
    record = simulate_cohort(CohortPlan(25, 62, years=1)).tables
    once = record.topups.groupby("pack_id", as_index=False).head(1)
    write_tables(replace(record, outcomes=record.outcomes[:0], topups=once), tmp_path / "record")
    ran = tideover("train", "--from", tmp_path / "record", env=env)
    assert ran.exit_code == 2
    assert "holds no folder of a workshop" in " ".join(ran.stderr.split())
    # Two workshops may call their packs alike.
    for name in ("north", "south"):
        write_tables(simulate_cohort(CohortPlan(25, 63, years=1)).tables, sisters / name)
    ran = tideover("train", "--from", tmp_path / "record", "--workers", "1", env=env)
    assert ran.exit_code == 0, ran.stderr
    assert "of sister workshops" in " ".join(ran.stdout.split())
    made = [registry.manifest(name) for name in registry.names() if name not in (first, "second")]
    assert made[0].facts["sister_fates"] > 0
    assert registry.load(made[0].model_id, Forecaster).model.own_outcomes == 0
    ran = tideover("forecast", "--data", MARROW_BAY, "--pack", "MB-VAN-15", "--json", env=env)
    assert ran.exit_code == 0, ran.stderr
    told = json.loads(ran.stdout)
    assert told["own_outcomes"] == 0
    assert told["sister_outcomes"] == made[0].facts["sister_fates"]
    assert f"outcomes of yours: 0, of your sister workshops: {told['sister_outcomes']}" in str(told["sentences"])
    (sisters / "south" / "topups.csv").write_text("pack_id\nlate\n")
    ran = tideover("train", "--from", tmp_path / "record", env=env)
    assert ran.exit_code == 2
    assert "south, topups.csv" in " ".join(ran.stderr.split())
