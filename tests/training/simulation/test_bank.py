import numpy as np
import pandas as pd
import pytest

from models.base.errors import ModelRefused
from models.interventions.pack_bank import require_bank
from models.packs.family import PackFamily
from training.files.families import load_families
from training.simulation.bank import bank_of, kept_packs, ready_packs, simulate_bank
from training.simulation.cohort import CohortPlan, simulate_cohort
from training.simulation.workshop import WorkshopHabits

FAMILIES = {"marl-28": load_families()["marl-28"]}


def summary(X: pd.DataFrame) -> np.ndarray:
    return X[["held_days", "margin_share"]].fillna(0.0).to_numpy(np.float64)


@pytest.fixture(scope="module")
def cohort():
    plan = CohortPlan(80, 8, families=("marl-28",), habits=WorkshopHabits(replaces=False), keep_states=True)
    return simulate_cohort(plan)


def test_property_state_and_evidence_speak_of_the_same_block_and_moment(cohort):
    """The block topped last leaks or lacks more than the usual one, and the state is that of the origin's day."""
    ready, moments = ready_packs(cohort)[0]
    assert ready.packs == len(moments)
    topups = cohort.tables.topups.set_index("pack_id")
    for row in range(0, ready.packs, 7):
        past = topups.loc[[moments["pack_id"][row]]]
        last = past[past["time"] <= moments["origin"][row]].iloc[-1]
        assert int(last["blocks"]) == ready.block[row] + 1
    truth = cohort.truth.set_index("pack_id").loc[moments["pack_id"]]
    assert (truth["weak_block"].to_numpy() == ready.block + 1).mean() > 0.8


def test_property_half_precision_loses_nothing_that_anybody_measures(cohort):
    ready, _ = ready_packs(cohort)[0]
    bank = bank_of(kept_packs(cohort), summary).families["marl-28"]
    back = bank.packs(np.arange(ready.packs))
    assert back.state.charge_ah.dtype == np.float32
    np.testing.assert_allclose(back.state.charge_ah, ready.state.charge_ah, rtol=1e-3)
    np.testing.assert_array_equal(back.state.pending, ready.state.pending)
    np.testing.assert_allclose(back.use.km_per_day, ready.use.km_per_day, rtol=1e-3)


def test_property_the_nearest_weigh_most(cohort):
    bank = bank_of(kept_packs(cohort), summary).families["marl-28"]
    here = bank.summary[17].astype(np.float64)
    weights = bank.weights(here)
    assert weights.sum() == pytest.approx(1)
    assert weights[17] == weights.max()
    far = ((bank.summary - here) ** 2).sum(axis=1)
    order = np.argsort(far, kind="stable")
    assert (np.diff(weights[order]) <= 1e-15).all()
    assert (weights[order[110:]] == 0).all()
    # Where all look alike nobody is preferred.
    assert np.ptp(bank.summarised(lambda X: np.zeros((len(X), 1))).weights(np.zeros(1))) == 0


def test_invariance_the_same_seed_gives_the_same_bank():
    one, other = (simulate_bank(FAMILIES, seed=3, packs_per_family=20)["marl-28"] for _ in range(2))
    np.testing.assert_array_equal(one[0].state.charge_ah, other[0].state.charge_ah)
    pd.testing.assert_frame_equal(one[1], other[1])


def test_packs_of_another_definition_of_the_family_are_refused(cohort):
    bank = bank_of(kept_packs(cohort), summary)
    assert bank.of_family(FAMILIES["marl-28"]).kept.packs > 80
    changed = PackFamily.model_validate(FAMILIES["marl-28"].model_dump() | {"peak_current_a": 71.0})
    with pytest.raises(ModelRefused, match="as it is defined now"):
        bank.of_family(changed)
    with pytest.raises(ModelRefused, match="Train again"):
        require_bank(None)


def test_invariance_a_model_keeps_its_bank_as_it_sees_it(small_trained):
    forecaster = small_trained.forecaster
    for kept in forecaster.bank.families.values():
        np.testing.assert_array_equal(kept.summarised(forecaster.summary).summary, kept.summary)
    total = sum(kept.kept.packs for kept in forecaster.bank.families.values())
    assert small_trained.facts["banked_moments"] == total
