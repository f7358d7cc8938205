import pytest
from pydantic import ValidationError

from models.base.errors import problems_from
from models.packs.family import PackFamily
from training.files.families import load_families

GOOD = load_families()["marl-28"].model_dump()


def _refused(**changes):
    curves = GOOD["curves"] | changes.pop("curves", {})
    with pytest.raises(ValidationError) as error:
        PackFamily.model_validate(GOOD | {"curves": curves} | changes)
    return problems_from(error.value)


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("name", "Marl 28"),
        ("chemistry", "lead-acid"),
        ("blocks", 1),
        ("blocks", 500),
        ("cells_per_block", 0),
        ("rated_ah", 0),
        ("rated_ah", float("nan")),
        ("peak_current_a", -60),
        ("self_discharge_per_day", 0.5),
        ("coulombic_efficiency", 1.2),
        ("resistance_per_k", 0.2),
        ("hysteresis_charge_v", -0.1),
        ("mass_kg", 0),
        *((name, 1e308) for name, value in GOOD.items() if isinstance(value, float)),
        *((name, 10**400) for name in ("blocks", "cells_per_block")),
        ("title", "x" * 100_000),
    ],
)
def test_property_an_impossible_field_is_named(field, value):
    (problem,) = _refused(**{field: value})
    assert problem.where == field
    assert problem.mend


@pytest.mark.parametrize("name", ["soc", "ocv_v", "discharge_mohm", "charge_mohm"])
def test_property_every_number_of_a_curve_has_an_upper_bound(name):
    (problem, *_) = _refused(curves={name: [*GOOD["curves"][name][:-1], 1e308]})
    assert problem.where == f"curves.{name}[{len(GOOD['curves'][name]) - 1}]"
    (problem, *_) = _refused(curves={name: [0.5] * 100_000})
    assert problem.where == f"curves.{name}"


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"soc_low": 0.7}, "soc_low"),
        ({"min_cell_v": 1.6}, "min_cell_v"),
        ({"discharge_spread_limit_v": 40.0}, "discharge_spread_limit_v"),
        ({"rest_spread_limit_v": 18.0}, "rest_spread_limit_v"),
        ({"max_cell_v": 1.2, "min_cell_v": 1.1}, "curves.ocv_v"),
        ({"curves": {"ocv_v": GOOD["curves"]["ocv_v"][:-1]}}, "ocv_v has 14"),
        ({"curves": {"ocv_v": GOOD["curves"]["ocv_v"][::-1]}}, "ocv_v falls"),
        ({"curves": {"soc": [*GOOD["curves"]["soc"][:-1], 0.95]}}, "from 0 to 1"),
        ({"curves": {"soc": [0.0, 0.2, 0.1, *GOOD["curves"]["soc"][3:]]}}, "must increase"),
    ],
)
def test_property_fields_that_contradict_each_other_are_named(changes, words):
    (problem,) = _refused(**changes)
    assert words.lower() in problem.what.lower()
    assert problem.mend


def test_property_unknown_and_missing_fields_are_named():
    assert _refused(colour="red")[0].where == "colour"
    with pytest.raises(ValidationError) as error:
        PackFamily.model_validate({k: v for k, v in GOOD.items() if k != "rated_ah"})
    assert problems_from(error.value)[0].where == "rated_ah"
