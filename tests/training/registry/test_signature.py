"""A model's folder says for machines what it takes and gives."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import jsonschema
import numpy as np
import pytest

from models.features.definitions import FEATURES
from models.features.raw import feature_frame
from models.forecaster import Forecaster
from service.forecasting.forecasts.examples import example_case
from training.registry import ModelRegistry


@pytest.fixture(scope="module")
def signature(tmp_path_factory, small_trained):
    registry = ModelRegistry(tmp_path_factory.mktemp("home") / "models")
    registry.save(
        small_trained.forecaster,
        model_id="first",
        report={},
        data_digest="d" * 64,
        seed=0,
        scores={},
        created=datetime(2026, 3, 2, 8, 30, tzinfo=UTC),
        families=("gravel-14",),
        card="A model for the tests.",
    )
    assert registry.load("first", Forecaster).model.model_id
    return json.loads((registry.folder / "first" / "signature.json").read_bytes())


@pytest.fixture
def history():
    return example_case()["history"]


def test_any_json_schema_validator_can_check_a_history_by_it(signature, history):
    """jsonschema, the reference implementation of JSON Schema in Python, and no code of ours."""
    jsonschema.Draft202012Validator.check_schema(signature["history"])
    validator = jsonschema.Draft202012Validator(signature["history"])
    validator.validate(history)
    for spoiled in ({**history, "readings": 7}, {**history, "odometer_km": -1}, {"family": "gravel-14"}):
        assert not validator.is_valid(spoiled)


def test_its_columns_are_those_that_a_history_becomes(signature, small_cohort):
    tables = small_cohort.tables
    moments = tables.packs[["pack_id"]].head(1).assign(origin=tables.readings["time"].max())
    columns = list(feature_frame(tables, moments).columns)
    assert [feature["name"] for feature in signature["features"]] == columns == [feature.name for feature in FEATURES]
    assert all(feature["unit"] and feature["meaning"] for feature in signature["features"])


def test_its_output_is_what_the_model_gives(signature, small_trained, small_cohort):
    days = np.array(signature["output"]["days"])
    assert signature["output"]["shape"] == [-1, len(days)]
    assert signature["families"]
    tables = small_cohort.tables
    moments = tables.packs[["pack_id"]].head(3).assign(origin=tables.readings["time"].max())
    assert small_trained.forecaster.curves(feature_frame(tables, moments))[0].shape == (3, len(days))
