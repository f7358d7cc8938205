"""How sure kinds may be is learned where worlds work in other ways than those the classifier knows."""

from __future__ import annotations

import numpy as np
import pytest

from models.calibration.kind_shift import fit_shift_law
from models.forecasts.weakness_kind import KINDS, KindClassifier
from training.learning.moments import moments_of, survival_rows
from training.learning.strange_kinds import PAIRS, strange_parts, strange_plans
from training.simulation.cohort import simulate_cohort
from training.simulation.world import MIXED, SWITCHES


def test_no_way_of_a_switch_is_on_both_sides_and_none_is_left_out():
    for one, other in strange_plans(40, 4, seed=3):
        assert one.seed != other.seed
        for name, switch in SWITCHES.items():
            ways = {*one.only[name]}, {*other.only[name]}
            assert not ways[0] & ways[1]
            assert ways[0] | ways[1] == set(switch.shares) - {MIXED}
            assert min(map(len, ways)) >= 1
            for plan, own in zip((one, other), ways, strict=True):
                assert {world.switches[name] for world in plan.drawn_worlds()} <= own


def test_pairs_are_parted_each_in_its_own_way():
    plans = strange_plans(40, 4, seed=3)
    assert len(plans) == PAIRS
    assert len({str(one.only) for one, _ in plans}) == PAIRS
    assert strange_plans(40, 4, seed=3) == plans


@pytest.fixture(scope="module")
def strangers():
    return [tuple(simulate_cohort(plan) for plan in pair) for pair in strange_plans(200, 2, seed=1)[:1]]


def test_every_world_is_told_by_who_has_not_met_it(strangers):
    parts = strange_parts(strangers, 0.3, seed=0)
    assert len(parts) == 4
    for part, cohort in zip(parts, np.repeat([1, 0], 2), strict=True):
        # Moments of a pack count as one, so a world's weights add up to its packs.
        assert part.weights.sum() == pytest.approx(100, abs=20)
        assert part.log_odds.shape == (len(part.kind), len(KINDS))
        seen = set(strangers[0][cohort].truth["kind"])
        assert {KINDS[code] for code in part.kind} <= seen


def test_a_classifier_is_less_sure_where_its_like_was_wrong(strangers):
    parts = strange_parts(strangers, 0.0, seed=0)
    cohort = strangers[0][0]
    rows = survival_rows(cohort.tables, moments_of(cohort.tables, np.random.default_rng(0)))
    kind = cohort.truth.set_index("pack_id")["kind"].reindex(rows.moments["pack_id"]).to_numpy(dtype=object)
    bold = KindClassifier(iterations=30).fit(rows.X, kind)
    raw = bold.predict(rows.X).max(axis=1)
    shy = bold.calibrate_by(parts)
    assert shy.law_.mean[0] == pytest.approx(fit_shift_law(parts).mean[0])
    assert shy.law_.mean[0] < 1
    assert shy.predict(rows.X).max(axis=1).mean() < raw.mean()
