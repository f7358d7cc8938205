"""The registry: what was saved comes back, and nothing that was touched since is ever loaded."""

from __future__ import annotations

import json
import os
import pickle
import stat
import subprocess
import sys
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path

import joblib
import numpy as np
import pytest
from sklearn.linear_model import LogisticRegression

from models.base.errors import BadInput, ModelRefused, Problem
from training.registry import ModelRegistry, model_card
from training.registry.manifest import LIBRARIES

MADE = datetime(2026, 3, 2, 8, 30, tzinfo=UTC)


class RunsWhenLoaded:
    """Invented attack: unpickling it writes a file."""

    def __init__(self, marker: Path) -> None:
        self.marker = marker

    def __reduce__(self):
        return (Path.write_text, (self.marker, "it ran"))


@pytest.fixture(scope="module")
def fitted() -> LogisticRegression:
    X = np.random.default_rng(1).normal(size=(60, 3))
    return LogisticRegression().fit(X, X[:, 0] > 0)


@pytest.fixture
def registry(tmp_path: Path) -> ModelRegistry:
    return ModelRegistry(tmp_path / "models")


def save(registry: ModelRegistry, model: object, model_id: str = "first", **changes: object):
    facts: dict = {
        "report": {"brier_14": 0.07},
        "data_digest": "d" * 64,
        "seed": 5,
        "scores": {"integrated Brier": 0.071},
        "created": MADE,
        "families": ("harbour-van",),
        "card": "A model for the tests.",
    }
    return registry.save(model, model_id=model_id, **(facts | changes))


def refusal(registry: ModelRegistry, model_id: str = "first") -> Problem:
    """Load a model that must be refused, and return the sentence parts."""
    with pytest.raises(ModelRefused) as caught:
        registry.load(model_id)
    problem = caught.value.args[0]
    assert problem.where
    assert problem.what.endswith(".")
    assert problem.mend.endswith(".")
    return problem


def test_saved_model_comes_back_with_its_report_and_predicts_the_same(registry, fitted):
    manifest = save(registry, fitted)
    stored = registry.load("first", LogisticRegression)
    X = np.random.default_rng(2).normal(size=(200, 3))
    np.testing.assert_array_equal(stored.model.predict_proba(X), fitted.predict_proba(X))
    assert stored.manifest == manifest
    assert stored.report == {"brier_14": 0.07}


def test_what_is_in_use_is_loaded_once_and_checked_each_time(registry, fitted):
    save(registry, fitted)
    used = registry.load("first", LogisticRegression).model
    assert ModelRegistry(registry.folder).load("first", LogisticRegression).model is used
    with pytest.raises(ModelRefused, match="not a Path"):
        registry.load("first", Path)
    payload = registry.folder / "first" / "model.joblib"
    payload.write_bytes(payload.read_bytes()[:-1])
    with pytest.raises(ModelRefused):
        registry.load("first", LogisticRegression)


def test_manifest_records_the_versions_that_are_installed(registry, fitted):
    manifest = save(registry, fitted)
    modules = {
        "numpy": "numpy",
        "scikit-learn": "sklearn",
        "pandas": "pandas",
        "scipy": "scipy",
    }
    assert set(manifest.libraries) == set(LIBRARIES)
    for name, module in modules.items():
        assert manifest.libraries[name] == __import__(module).__version__
    assert manifest.python_version == f"{sys.version_info.major}.{sys.version_info.minor}"


def test_digest_is_that_of_an_independent_tool(registry, fitted):
    """Reference: coreutils `sha256sum` over the stored file."""
    manifest = save(registry, fitted)
    said = subprocess.run(
        ["sha256sum", registry.folder / "first" / "model.joblib"], capture_output=True, text=True, check=True
    ).stdout
    assert said.split()[0] == manifest.payload_sha256


def test_every_file_is_readable_by_this_user_only(registry, fitted):
    save(registry, fitted)
    registry.promote("first", MADE)
    paths = [registry.folder, *registry.folder.rglob("*")]
    assert len(paths) == 7
    for path in paths:
        assert stat.S_IMODE(path.stat().st_mode) & 0o077 == 0, path


@pytest.mark.parametrize("share", [0.0, 0.1, 0.5, 0.9, 0.999])
def test_one_changed_byte_anywhere_is_refused(registry, fitted, share):
    save(registry, fitted)
    path = registry.folder / "first" / "model.joblib"
    content = bytearray(path.read_bytes())
    content[int(share * len(content))] ^= 1
    path.write_bytes(content)
    assert "not the one its manifest describes" in refusal(registry).what


def test_truncated_file_is_named_as_cut_off(registry, fitted):
    save(registry, fitted)
    path = registry.folder / "first" / "model.joblib"
    content = path.read_bytes()
    path.write_bytes(content[:-40])
    problem = refusal(registry)
    assert f"cut off: {len(content) - 40} of {len(content)} bytes" in problem.what
    assert problem.where == str(path)
    assert "tideover train" in problem.mend


def test_missing_payload_changed_report_and_broken_manifest_are_refused(registry, fitted):
    for name in ("a", "b", "c", "d"):
        save(registry, fitted, name)
    (registry.folder / "a" / "model.joblib").unlink()
    assert "missing" in refusal(registry, "a").what
    (registry.folder / "b" / "report.json").write_text("{}")
    assert "changed" in refusal(registry, "b").what
    manifest = registry.folder / "c" / "manifest.json"
    manifest.write_bytes(manifest.read_bytes()[:100])
    assert "not readable JSON" in refusal(registry, "c").what
    (registry.folder / "d" / "manifest.json").unlink()
    assert "no manifest" in refusal(registry, "d").what


@pytest.mark.parametrize(
    ("field", "value", "said"),
    [
        ("code_version", "0.0.1", "tideover 0.0.1 (here"),
        ("python_version", "3.8", "python 3.8 (here"),
        ("grid_version", "0", "day grid 0 (here"),
        ("features_version", "0-other", "features 0-other (here"),
        ("libraries", {"numpy": "1.0.0"}, "numpy 1.0.0 (here"),
        ("format", "tideover-model-0", "not of the format"),
        ("payload_bytes", -1, "payload_bytes is wrong"),
        ("model_id", "other", "belongs to model other"),
    ],
)
def test_manifest_of_another_version_is_refused(registry, fitted, field, value, said):
    save(registry, fitted)
    path = registry.folder / "first" / "manifest.json"
    path.write_text(json.dumps(json.loads(path.read_text()) | {field: value}))
    assert said in refusal(registry).what


def test_foreign_pickle_is_refused_without_running(registry, fitted, tmp_path):
    marker = tmp_path / "marker"
    foreign = pickle.dumps(RunsWhenLoaded(marker))
    save(registry, fitted)
    (registry.folder / "first" / "model.joblib").write_bytes(foreign + b"\0" * 10_000)
    refusal(registry)
    (registry.folder / "dropped-in").mkdir()
    (registry.folder / "dropped-in" / "model.joblib").write_bytes(foreign)
    refusal(registry, "dropped-in")
    with pytest.raises(ModelRefused):
        registry.promote("first", MADE)
    assert not marker.exists()

    # The control: the very same bytes do run when a loader that does not check meets them.
    joblib.load(registry.folder / "dropped-in" / "model.joblib")
    assert marker.read_text() == "it ran"


def test_model_of_another_version_is_refused_before_its_code_runs(registry, tmp_path):
    marker = tmp_path / "marker"
    save(registry, RunsWhenLoaded(marker))
    path = registry.folder / "first" / "manifest.json"
    path.write_text(json.dumps(json.loads(path.read_text()) | {"code_version": "0.0.1"}))
    refusal(registry)
    assert not marker.exists()


def test_payload_of_another_kind_is_refused(registry):
    save(registry, {"not": "a forecaster"})
    with pytest.raises(ModelRefused, match="holds a dict, not a LogisticRegression"):
        registry.load("first", LogisticRegression)


@pytest.mark.parametrize("mode", [0o020, 0o002])
@pytest.mark.parametrize("what", [".", "first", "first/model.joblib", "first/manifest.json", "current.json"])
def test_what_others_may_write_to_is_not_loaded(registry, fitted, mode, what):
    save(registry, fitted)
    registry.promote("first", MADE)
    registry.load_current()
    path = registry.folder / what
    path.chmod(path.stat().st_mode | mode)
    with pytest.raises(ModelRefused, match="loading a model runs code") as refused:
        registry.load_current()
    assert f"chmod go-w '{path}'" in str(refused.value)


@pytest.mark.parametrize("what", ["first", "first/model.joblib", "first/manifest.json", "current.json"])
def test_a_link_is_not_followed(registry, fitted, tmp_path, what):
    save(registry, fitted)
    registry.promote("first", MADE)
    path = registry.folder / what
    path.rename(tmp_path / "elsewhere")
    path.symlink_to(tmp_path / "elsewhere")
    with pytest.raises(ModelRefused, match="It is a link"):
        registry.load_current()


@pytest.mark.skipif(os.geteuid() != 0, reason="only the administrator can give a file away")
@pytest.mark.parametrize("what", [".", "first", "first/model.joblib", "current.json"])
def test_what_belongs_to_another_user_is_not_loaded(registry, fitted, what):
    save(registry, fitted)
    registry.promote("first", MADE)
    os.chown(registry.folder / what, 65534, -1)
    with pytest.raises(ModelRefused, match="belongs to another user"):
        registry.load_current()


def test_no_move_is_lost_when_many_move_at_once(registry, fitted):
    for name in ("first", "second"):
        save(registry, fitted, name)
    for _ in range(21):
        registry.promote("first", MADE)
        registry.promote("second", MADE)
    assert len(registry.history()) == 42

    def go_back() -> None:
        for _ in range(10):
            registry.rollback(MADE)

    movers = [threading.Thread(target=go_back) for _ in range(4)]
    for mover in movers:
        mover.start()
    for mover in movers:
        mover.join()
    assert len(registry.history()) == 42 + 40
    assert registry.current_id() == "second"


def test_failed_save_leaves_nothing_behind(registry, fitted):
    save(registry, fitted)
    with pytest.raises(BadInput, match="cannot be written as JSON"):
        save(registry, fitted, "second", report={"score": float("nan")})
    with pytest.raises(BadInput, match="offset from UTC is missing"):
        save(registry, fitted, "third", created=datetime(2026, 3, 2))  # noqa: DTZ001
    with pytest.raises(BadInput):
        save(registry, fitted, "../outside")
    assert [path.name for path in registry.folder.iterdir()] == ["first"]


def test_what_a_killed_process_left_goes_at_the_next_save(registry, fitted):
    save(registry, fitted)
    left = [registry.folder / ".saving-old", registry.folder / ".current-old", registry.folder / ".saving-new"]
    left[0].mkdir()
    (left[0] / "model.joblib").write_bytes(b"x")
    left[1].write_bytes(b"{")
    left[2].mkdir()
    for path in left[:2]:
        os.utime(path, (0, 0))
    save(registry, fitted, "second")
    assert [path.exists() for path in left] == [False, False, True], "what may still be written to stays"


def test_a_power_cut_does_not_take_back_a_model_or_a_promotion(registry, fitted, synced):
    save(registry, fitted)
    assert synced()[-1] == registry.folder, "its name is on the disk"
    registry.promote("first", MADE)
    assert synced()[-1] == registry.folder


def test_a_name_stands_for_one_model_only(registry, fitted):
    first = save(registry, fitted)
    assert save(registry, fitted, created=MADE + timedelta(days=1)) == first
    with pytest.raises(BadInput, match="already the name of another model"):
        save(registry, {"another": "model"})


def test_equal_models_are_one_even_if_their_bytes_differ(registry):
    """Sets are written in the order they were filled, which differs from run to run for text."""
    one, two = {"seen": {0, 8}}, {"seen": {8, 0}}
    assert one == two
    assert pickle.dumps(one) != pickle.dumps(two)
    first = save(registry, one)
    assert save(registry, two) == first
    with pytest.raises(BadInput, match="already the name of another model"):
        save(registry, {"seen": {0, 16}})


def test_refused_model_is_replaced_by_one_of_its_name(registry, fitted):
    """After an upgrade the same training gives the same name; the old folder, refused now, must not be in the way."""
    save(registry, fitted)
    path = registry.folder / "first" / "manifest.json"
    path.write_text(json.dumps(json.loads(path.read_text()) | {"code_version": "0.0.1"}))
    refusal(registry)
    save(registry, {"another": "model"})
    assert registry.load("first", dict).model == {"another": "model"}
    assert registry.names() == ["first"]


def test_promote_and_rollback_walk_the_history(registry, fitted):
    for name in ("a", "b", "c"):
        save(registry, fitted, name)
    assert registry.names() == ["a", "b", "c"]
    assert registry.current_id() is None
    with pytest.raises(ModelRefused, match="no trained model yet"):
        registry.load_current()
    for day, name in enumerate(("a", "b", "c")):
        registry.promote(name, MADE + timedelta(days=day))
    assert registry.load_current().manifest.model_id == "c"
    assert registry.rollback(MADE + timedelta(days=3)) == "b"
    registry.promote("c", MADE + timedelta(days=4))
    assert registry.rollback(MADE + timedelta(days=5)) == "b"
    assert registry.rollback(MADE + timedelta(days=6)) == "a"
    with pytest.raises(BadInput, match="no earlier model"):
        registry.rollback(MADE + timedelta(days=7))
    assert registry.current_id() == "a"
    assert [move.action for move in registry.history()] == ["promote"] * 3 + [
        "rollback",
        "promote",
        "rollback",
        "rollback",
    ]


def test_promoting_the_current_model_again_changes_nothing(registry, fitted):
    save(registry, fitted)
    registry.promote("first", MADE)
    registry.promote("first", MADE)
    assert len(registry.history()) == 1


@pytest.mark.parametrize(
    "content", ["", "{", '{"history": [{"at": "2026-03-02T08:30:00Z", "action": "rollback", "model_id": "a"}]}']
)
def test_broken_pointer_is_refused(registry, fitted, content):
    save(registry, fitted)
    registry.promote("first", MADE)
    (registry.folder / "current.json").write_text(content)
    with pytest.raises(ModelRefused, match="cut off or was changed"):
        registry.load_current()


def test_unknown_and_climbing_names_are_bad_input(registry, fitted, tmp_path):
    save(registry, fitted)
    (tmp_path / "outside").mkdir()
    for name in ("nothing", "../outside", "", ".", "/tmp", "first/"):
        with pytest.raises(BadInput, match="There is no model named"):
            registry.load(name)


def test_card_tells_identity_scores_and_limits(registry, fitted):
    manifest = save(registry, fitted, facts={"packs": 4000})
    card = model_card(manifest)
    assert card.startswith("# Model first\n")
    for part in (
        manifest.payload_sha256,
        "A model for the tests.",
        "| integrated Brier | 0.071 |",
        "packs: 4000",
        "seed: 5",
        "not permission",
    ):
        assert part in card


def test_card_shows_the_ways_of_learning_that_were_tried(registry, fitted):
    way = {"recipe": "recalibrated", "log_score": 2.5, "difference": -0.0123, "standard_error": 0.004}
    card = model_card(save(registry, fitted, facts={"why": "It did best.", "back_test": [way]}))
    assert "| recalibrated | 2.5000 | -0.0123 | 0.0040 |" in card
    assert "- why: It did best." in card
    assert "log_score" not in card
