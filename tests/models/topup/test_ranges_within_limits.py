"""No figure of a plan lies past what the plan itself says may go in."""

from __future__ import annotations

import numpy as np
import pytest

from models.packs.stops import Stopped
from models.topup.plan import plan_topup
from tests.models.topup.test_reckoning import FAMILY, car


@pytest.mark.parametrize("seed", range(4))
def test_no_range_passes_the_limit_of_its_own_plan(seed):
    """A plan that allowed 1.7 Ah at most told a range of up to 2.8 Ah to put in."""
    rng = np.random.default_rng(seed)
    planned = 0
    for _ in range(12):
        history = car(after_v=12.88 - float(rng.uniform(0.0, 0.5)), charge_ah=float(rng.uniform(0.1, 1.2)))
        try:
            plan = plan_topup(history, FAMILY, block=5)
        except Stopped:
            continue
        charge = plan.charge
        if charge is None:
            continue
        planned += 1
        assert 0 <= charge.put_in_ah.low <= charge.put_in_ah.best <= charge.put_in_ah.high <= charge.most_ah
        assert charge.duration_h.high <= charge.most_h + 1e-9
        assert all(step.put_in_ah <= charge.most_ah + 1e-9 for step in plan.steps)
        said = " ".join(plan.sentences)
        assert ("that is too early" in said) == (round(charge.looks_level_at_ah, 1) < round(charge.put_in_ah.best, 1))
        if "pause after about" in said:
            assert charge.put_in_ah.best / 2 <= charge.most_ah
    assert planned > 3
