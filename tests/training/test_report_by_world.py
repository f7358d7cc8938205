"""The report's part by world: figures that can be counted by hand, and a forecaster tried where it was not made."""

from __future__ import annotations

import numpy as np
import pytest
from lifelines import KaplanMeierFitter

from models.base.day_grid import DAYS
from models.base.errors import BadInput
from training.learning.fitting import in_other_worlds
from training.report import ReportInputs, build_report, render_html
from training.report.by_world import CONFIDENCE, by_world
from training.simulation.cohort import CohortPlan, simulate_cohort
from training.simulation.workshop import WorkshopHabits

N = 300


@pytest.fixture
def told(rng_of_worlds):
    """Two worlds told alike, exponential with mean 20 and 40 days; nobody is lost before day 90."""
    days = np.concatenate([rng_of_worlds.exponential(20, N), rng_of_worlds.exponential(40, N)])
    event = days <= DAYS[-1]
    curves = np.tile(np.exp(-DAYS / 20), (2 * N, 1))
    bounds = {CONFIDENCE: np.full(2 * N, 2.0)}
    return ReportInputs(
        curves, np.minimum(days, DAYS[-1]), event, trained_on="simulation", scored_on="simulation", bounds=bounds
    ), np.repeat([0.0, 1.0], N)


@pytest.fixture
def rng_of_worlds():
    return np.random.default_rng(5)


def test_each_world_is_judged_beside_its_own_curve(told):
    inputs, world = told
    found = by_world(inputs, world)
    assert found is not None
    for part in found.worlds:
        rows = inputs.of(world == part.world)
        # Nobody is lost, so the squared error is a plain mean; the peer is lifelines' Kaplan-Meier estimate.
        held = np.where(rows.event, rows.time, np.inf)[:, None] > DAYS
        ours = ((rows.survival - held) ** 2).mean(axis=0)
        curve = KaplanMeierFitter().fit(rows.time, rows.event).survival_function_at_times(DAYS).to_numpy()
        plain = ((curve - held) ** 2).mean(axis=0)
        for told_score, by_hand in ((part.score, ours), (part.common, plain)):
            # The last node lies on the day at which watching ends; there the two ways of counting may part.
            assert told_score == pytest.approx(np.trapezoid(by_hand, DAYS) / DAYS[-1], abs=0.005)
        assert part.rows == N
        assert part.observed == pytest.approx((rows.time <= 14).mean())
        assert part.forecast == pytest.approx(1 - np.exp(-14 / 20), abs=0.01)
        assert part.held == pytest.approx((rows.time >= 2).mean())


def test_what_is_told_of_all_worlds_is_the_spread_over_them(told):
    found = by_world(*told)
    assert found is not None
    right, wrong = found.worlds
    assert (found.ratio.least, found.ratio.most) == (
        pytest.approx(right.score / right.common),
        pytest.approx(wrong.score / wrong.common),
    )
    assert found.beyond.most == pytest.approx(wrong.forecast - wrong.observed)
    assert found.held.median == pytest.approx((right.held + wrong.held) / 2)
    assert found.keeping == np.mean([part.held >= 0.87 for part in found.worlds])


def test_one_world_or_a_few_rows_are_no_part_by_world(told):
    inputs, world = told
    assert by_world(inputs.of(world == 0), world[world == 0]) is None
    assert by_world(inputs, np.arange(2.0 * N)) is None
    with pytest.raises(BadInput, match="has 3 rows"):
        by_world(inputs, np.zeros(3))


def test_the_page_shows_it(told):
    inputs, world = told
    part = by_world(inputs, world)
    report = build_report(inputs).model_copy(update={"by_world": part})
    page = render_html(report)
    assert "In worlds that it was not made from?" in page
    assert page.count("data-world=") == 2
    assert "In worlds that" not in render_html(build_report(inputs))
    assert type(report).model_validate_json(report.model_dump_json()) == report


def test_a_forecaster_is_tried_in_worlds_it_was_not_made_from(small_trained):
    plan = CohortPlan(packs=500, seed=77, habits=WorkshopHabits(replaces=False), worlds=2)
    found = in_other_worlds(small_trained.forecaster, simulate_cohort(plan), "simulation")
    assert found is not None
    assert len(found.worlds) == 2
    for part in found.worlds:
        assert 200 <= part.rows <= 250
        assert 0 < part.score < 1
        assert 0 < part.held <= 1
