from __future__ import annotations

import numpy as np
import pytest

from models.features.block_estimate import (
    END_ERROR,
    PRIOR_EFFECT,
    PRIOR_EXCESS_MOHM,
    PRIOR_LEVEL,
    PRIOR_LOSS_AT_25C,
    estimate,
)
from models.features.definitions import FEATURES
from models.features.information import INFORMATION, add_up, apparent_missing, days_of_loss, visit_share
from models.features.raw import feature_frame
from models.physics.cell_curves import ocv_v
from models.physics.self_discharge import FRESH_DAYS, FRESH_FACTOR
from training.files.families import load_families
from training.learning.moments import moments_of


@pytest.fixture(scope="module")
def families():
    return load_families()


def no_evidence(rows: int = 1) -> dict[str, np.ndarray]:
    names = ("charge_share", "end_missing_share", "last_loss_share_per_day", "before_decline_share_per_day")
    columns = {name: np.full(rows, np.nan) for name in (*names, *INFORMATION)}
    return columns | {
        "held_days": np.zeros(rows),
        "leak_factor": np.ones(rows),
        "critical_share": np.full(rows, 0.25),
    }


@pytest.mark.parametrize("family_name", ["marl-28", "flint-40", "gravel-14"])
def test_property_apparent_missing_undoes_the_open_circuit_curve(families, family_name):
    family = families[family_name]
    missing = np.linspace(-0.1, 0.4, 11)
    target = np.full(11, family.soc_target)
    deviation = ocv_v(family.curves, target - missing) - ocv_v(family.curves, target)
    found, per_v = apparent_missing(family, deviation, np.zeros(11))
    np.testing.assert_allclose(found, missing, atol=1e-4)
    assert np.all(per_v > 0)


def test_recovery_of_missing_charge_under_load(families):
    # At 40 A a block with less charge also has more resistance; both are in the reading and in its explanation.
    family, missing, amps = families["marl-28"], np.array([0.0, 0.1, 0.2, 0.3]), np.full(4, 40.0)
    found, _ = apparent_missing(family, np.zeros(4), amps)
    np.testing.assert_allclose(found, 0.0, atol=1e-4)
    rest, _ = apparent_missing(family, -0.02 * missing / 0.1, np.zeros(4))
    loaded, _ = apparent_missing(family, -0.02 * missing / 0.1, amps)
    assert np.all(np.diff(loaded) > 0)
    assert np.all(loaded[1:] < rest[1:])  # part of the drop is resistance


def test_reference_days_of_loss_against_its_integral():
    # Two times the rate at first, dying away within a day: the integral by the trapezoid rule.
    days = np.linspace(0, 5, 5001)
    rate = 1 + (FRESH_FACTOR - 1) * np.exp(-days / FRESH_DAYS)
    assert days_of_loss(np.array([5.0]))[0] == pytest.approx(np.trapezoid(rate, days), rel=1e-6)
    assert days_of_loss(np.array([-3.0]))[0] == 0.0


def test_reference_estimate_is_least_squares_with_the_prior_as_rows():
    # numpy's least squares on the rows written out one by one.
    rng = np.random.default_rng(3)
    count, charge, end = 7, 0.3, 0.04
    missing, per_v = rng.normal(0.1, 0.05, count), rng.uniform(5, 20, count)
    amps = np.array([0.0, 20.0, 40.0, 0.0, 0.0, 30.0, -15.0])
    days = np.array([0.0, 0.0, 0.0, 1.5, 4.0, 4.0, 9.0])
    visit = np.array([0, 0, 0, 1, 2, 2, 2])
    columns = no_evidence() | {"charge_share": np.array([charge]), "end_missing_share": np.array([end])}
    for number, name in enumerate(("before", "release", "holding")):
        some = visit == number
        sums = add_up(
            np.zeros(some.sum(), dtype=np.intp),
            missing[some],
            per_v[some],
            amps[some],
            np.zeros(some.sum(), dtype=bool),
            days[some],
            np.ones(some.sum()),
            1,
        )
        columns |= {f"{name}_{term}": value for term, value in sums.items()}
    found = estimate(columns, np.zeros(1))

    noise = np.where(
        amps == 0, np.hypot(per_v * 0.0006, 0.01), np.hypot(per_v * 0.0013, 0.02)
    )  # the stated errors, written out
    rows = np.column_stack([np.ones(count), days, 1e-3 * amps * per_v, np.where(visit == 0, charge, 0.0)])
    prior = [PRIOR_LEVEL, (PRIOR_LOSS_AT_25C, PRIOR_LOSS_AT_25C), PRIOR_EXCESS_MOHM, PRIOR_EFFECT]
    A = np.vstack(
        [rows / noise[:, None], *(np.eye(4)[i] / sd for i, (_, sd) in enumerate(prior)), [1 / END_ERROR, 0, 0, 0]]
    )
    y = np.concatenate([missing / noise, [mean / sd for mean, sd in prior], [end / END_ERROR]])
    level, loss, excess, effect = np.linalg.lstsq(A, y, rcond=None)[0]
    error = np.sqrt(np.diag(np.linalg.inv(A.T @ A)))
    assert found["level_estimate_share"][0] == pytest.approx(level)
    assert found["loss_share_per_day"][0] == pytest.approx(loss)
    assert found["excess_mohm_per_cell"][0] == pytest.approx(excess)
    assert found["charge_effect"][0] == pytest.approx(effect)
    assert found["loss_error_share_per_day"][0] == pytest.approx(error[1])
    assert found["charge_effect_error"][0] == pytest.approx(error[3])


def test_by_hand_readings_of_a_visit_share_what_one_counts():
    # Two packs; at the first three looks within the visit, of which two are at rest, then a lone one the next day.
    moment = np.array([0, 0, 0, 0, 1])
    amps = np.array([0.0, 30.0, 0.0, 0.0, 0.0])
    day = np.array([0.0, 0.01, 0.1, 1.0, 1.0])
    np.testing.assert_allclose(visit_share(moment, amps, day, 0.2), [0.5, 1.0, 0.5, 1.0, 1.0])
    assert visit_share(moment[:0], amps[:0], day[:0], 0.2).shape == (0,)


def test_property_without_evidence_the_prior_answers():
    found = estimate(no_evidence(2), np.full(2, 0.04))
    assert set(found) <= {f.name for f in FEATURES if f.source == "concluded"}
    np.testing.assert_allclose(found["loss_share_per_day"], PRIOR_LOSS_AT_25C)
    np.testing.assert_allclose(found["level_estimate_share"], PRIOR_LEVEL[0])
    assert np.isnan(found["charge_passage_days"]).all()


def test_property_more_evidence_never_raises_an_error():
    bare = estimate(no_evidence(), np.zeros(1))
    seen = no_evidence() | {"before_decline_share_per_day": np.array([0.02])}
    assert estimate(seen, np.zeros(1))["loss_error_share_per_day"] < bare["loss_error_share_per_day"]


def test_recovery_of_the_hidden_weakness(small_cohort):
    # Simulated truth: packs with a leak read a loss, packs without a defect hardly any, faded ones a greater lift.
    moments = moments_of(small_cohort.tables, np.random.default_rng(0))
    X = feature_frame(small_cohort.tables, moments)
    kind = moments["pack_id"].map(small_cohort.truth.set_index("pack_id")["condition"]).to_numpy()
    known = (
        X["before_rest_mv_per_cell"].notna() & X["after_rest_mv_per_cell"].notna() & X["charge_share"].notna()
    ).to_numpy()

    def middle(name: str, condition: str) -> float:
        return float(X[name][known & (kind == condition)].median())

    assert middle("loss_at_25c_share_per_day", "leak") > 3 * max(middle("loss_at_25c_share_per_day", "neglect"), 0.004)
    assert middle("charge_effect", "fade") > middle("charge_effect", "leak") + 0.1
    assert middle("excess_mohm_per_cell", "joint") > 5 * abs(middle("excess_mohm_per_cell", "leak"))
