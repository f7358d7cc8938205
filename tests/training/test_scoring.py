"""Scores: what must hold on any data, and whether they see a known truth and a known fault."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import invgauss

from models.base.day_grid import DAYS
from models.base.errors import BadInput
from models.survival.kaplan_meier import kaplan_meier
from training.scoring import (
    NotEstimable,
    bound_coverage,
    brier_score,
    calibration_line,
    distribution_calibration,
    harrell_c,
    integrated_brier_difference,
    integrated_brier_score,
    integrated_calibration_index,
    reliability,
    uno_c,
)


def cohort(seed, n=4000, late=0.0):
    """Invented lives with first-passage (inverse Gaussian) times, censoring at random, and their true curves."""
    rng = np.random.default_rng(seed)
    mean = np.exp(rng.normal(3.4, 0.8, n))
    shape = mean * np.exp(rng.normal(1.0, 0.7, n))
    truth = invgauss(mean / shape, scale=shape)
    life = truth.rvs(size=n, random_state=rng)
    lost = rng.exponential(80, n)
    entry = np.where(rng.random(n) < late, rng.uniform(0, 20, n), 0.0)
    time, event = np.minimum(np.minimum(life, lost), DAYS[-1]), life <= np.minimum(lost, DAYS[-1])
    seen = time > entry
    curves = np.column_stack([truth.sf(day) for day in DAYS])
    return curves[seen], time[seen], event[seen], entry[seen]


SCORES = [
    lambda s, t, e, b: brier_score(s, t, e, b),
    lambda s, t, e, b: integrated_brier_score(s, t, e, b),
    lambda s, t, e, b: harrell_c(1 - s[:, 15], t, e, b),
    lambda s, t, e, b: uno_c(1 - s[:, 15], t, e, b),
    lambda s, t, e, b: reliability(s, t, e, b, day=30),
    lambda s, t, e, b: integrated_calibration_index(s, t, e, b, day=30),
    lambda s, t, e, b: integrated_calibration_index(s, t, e, b, day=30, observed_by="hazard"),
    lambda s, t, e, b: calibration_line(s, t, e, b, day=30),
    lambda s, t, e, b: distribution_calibration(s, t, e, b),
    lambda s, t, e, b: bound_coverage(5 + 40 * s[:, 15], t, e, b, promised=0.9),
]


def numbers(found):
    """Flatten the floats of a result, nested ones too."""
    out = []
    for value in vars(found).values():
        for item in value if isinstance(value, tuple) else (value,):
            out.extend(numbers(item) if hasattr(item, "__dict__") else [np.nan if item is None else float(item)])
    return np.array(out)


@pytest.mark.parametrize("score", SCORES)
def test_row_order_is_nothing(score):
    curves, time, event, entry = cohort(1, 600, late=0.3)
    order = np.random.default_rng(0).permutation(time.size)
    one, other = score(curves, time, event, entry), score(curves[order], time[order], event[order], entry[order])
    assert_allclose(numbers(one), numbers(other), rtol=1e-6, atol=1e-9)


def test_writing_every_row_twice_changes_no_estimate():
    curves, time, event, entry = cohort(2, 500, late=0.3)
    # Twice the rows tie every event with its copy; estimates that do not depend on ties stay put.
    twice = [np.concatenate([part, part]) for part in (curves, time, event, entry)]
    for estimate in (
        lambda *a: brier_score(*a).score,
        lambda *a: integrated_brier_score(*a).score,
        lambda *a: harrell_c(1 - a[0][:, 15], *a[1:]).index,
        lambda *a: uno_c(1 - a[0][:, 15], *a[1:]).index,
        lambda *a: reliability(*a, day=30).overall.observed,
        lambda *a: integrated_calibration_index(*a, day=30).index,
        lambda *a: distribution_calibration(*a).shares,
        lambda *a: bound_coverage(5 + 40 * a[0][:, 15], *a[1:], promised=0.9).held,
    ):
        assert_allclose(
            estimate(curves, time, event, entry), estimate(*twice), rtol=5e-4
        )  # the spline's knots move a little


def test_without_censoring_scores_are_the_plain_formulas():
    rng = np.random.default_rng(3)
    curves, *_ = cohort(3, 700)
    time = rng.exponential(30, curves.shape[0])
    event = np.ones(time.size, bool)
    place = int(np.flatnonzero(DAYS == 30)[0])
    held = time > 30
    plain = (held - curves[:, place]) ** 2
    found = brier_score(curves, time, event, days=[30])
    assert found.score[0] == pytest.approx(plain.mean(), rel=1e-12)
    assert found.standard_error[0] == pytest.approx(plain.std() / np.sqrt(time.size), rel=1e-12)
    by_day = ((time[:, None] > DAYS) - curves) ** 2
    assert integrated_brier_score(curves, time, event).score == pytest.approx(
        np.trapezoid(by_day.mean(axis=0), DAYS) / 90, rel=1e-12
    )
    overall = reliability(curves, time, event, day=30).overall
    assert overall.observed == pytest.approx(1 - held.mean(), rel=1e-12)
    assert overall.forecast == pytest.approx(1 - curves[:, place].mean(), rel=1e-12)
    assert bound_coverage(np.full(time.size, 30.0), time, event, promised=0.5).held == pytest.approx(held.mean())
    u = np.array([np.interp(t, DAYS, np.arange(DAYS.size)) for t in time])  # any strictly monotone map of the day
    risk = -u
    pairs = time[:, None] < time[None, :]
    pairs &= time[:, None] <= 90  # past the grid the map is flat
    right = (risk[:, None] > risk[None, :])[pairs].mean() + 0.5 * (risk[:, None] == risk[None, :])[pairs].mean()
    assert uno_c(risk, time, event, until=90.0).index == pytest.approx(right, abs=1e-12)


def test_overall_observed_is_one_minus_kaplan_meier():
    curves, time, event, _ = cohort(4, 800)
    for day in (7.0, 30.0, 60.0):
        observed = reliability(curves, time, event, day=day, min_followed=1e-6).overall.observed
        assert observed == pytest.approx(1 - float(kaplan_meier(time, event).at(day)), rel=1e-9)


def test_perfect_and_worst_forecasts():
    rng = np.random.default_rng(5)
    time = rng.uniform(1, 89, 500)
    event = np.ones(500, bool)
    perfect = (time[:, None] > DAYS).astype(float)
    found = brier_score(perfect, time, event)
    assert_allclose(found.score, 0, atol=1e-20)
    assert harrell_c(-time, time, event).index == 1
    assert harrell_c(time, time, event).index == 0
    assert uno_c(np.zeros(500), time, event).index == 0.5
    hopeless = np.ones((500, DAYS.size))
    assert_allclose(brier_score(hopeless, time, event, days=[90]).score, 1)


def test_informative_loss_needs_censoring_curves_for_each_row():
    # A shop that replaces the worst first: loss follows the same risk as the return.
    rng = np.random.default_rng(6)
    n = 30000
    rate = rng.choice([0.01, 0.06], n)
    loss = rate * 1.5
    life, lost = rng.exponential(1 / rate), rng.exponential(1 / loss)
    time, event = np.minimum(life, lost), life <= lost
    curves = np.exp(-np.outer(rate, DAYS))
    followed = np.exp(-np.outer(loss, DAYS))
    wrong = reliability(curves, time, event, day=21).overall
    right = reliability(curves, time, event, day=21, censoring=followed, min_followed=0.01).overall
    assert abs(right.gap) < 0.015
    assert abs(wrong.gap) > 0.03
    assert not wrong.low <= wrong.forecast <= wrong.high


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("late", [0.0, 0.5])
def test_true_forecasts_look_calibrated(seed, late):
    curves, time, event, entry = cohort(10 + seed, 6000, late)
    for day in (7, 14, 30, 60):
        found = reliability(curves, time, event, entry, day=day)
        assert found.overall.low - 0.01 <= found.overall.forecast <= found.overall.high + 0.01
        assert found.error < 3 * found.error_by_chance
        assert found.p_value > 1e-3
        smooth = integrated_calibration_index(curves, time, event, entry, day=day)
        assert smooth.index < 4 * smooth.index_by_chance
        line = calibration_line(curves, time, event, entry, day=day, confidence=0.999)
        assert line.intercept_low < 0 < line.intercept_high
        assert line.slope_low < 1 < line.slope_high
    assert distribution_calibration(curves, time, event, entry).p_value > 1e-3


@pytest.mark.parametrize("late", [0.0, 0.5])
def test_a_hazard_off_by_half_is_seen_with_its_size(late):
    curves, time, event, entry = cohort(20, 8000, late)
    hopeful = curves ** (1 / 1.5)
    for day in (14, 30, 60):
        found = reliability(hopeful, time, event, entry, day=day)
        assert found.overall.gap > 0.03
        assert found.p_value < 1e-6
        assert found.error > 3 * found.error_by_chance
        assert integrated_calibration_index(hopeful, time, event, entry, day=day).index > 0.03
        line = calibration_line(hopeful, time, event, entry, day=day)
        assert line.intercept == pytest.approx(np.log(1.5), abs=0.1)
    assert distribution_calibration(hopeful, time, event, entry).p_value < 1e-6
    assert integrated_brier_difference(curves, hopeful, time, event, entry).high < 0


def test_hazard_regression_accuses_true_first_passage_forecasts():
    # Why the report smooths the status and not the hazard: forecasts here are exactly right.
    curves, time, event, _ = cohort(21, 8000)
    assert integrated_calibration_index(curves, time, event, day=7, observed_by="hazard").index > 0.03
    assert integrated_calibration_index(curves, time, event, day=7).index < 0.01


def test_slope_sees_forecasts_too_far_apart():
    curves, time, event, _ = cohort(22, 8000)
    x = np.log(-np.log(np.clip(curves[:, 1:], 1e-9, 1 - 1e-9)))
    stretched = np.exp(-np.exp(1.5 * x - 0.5 * x.mean(axis=0)))
    stretched = np.minimum.accumulate(np.column_stack([np.ones(len(x)), stretched]), axis=1)
    line = calibration_line(stretched, time, event, day=30)
    assert line.slope_high < 1
    assert line.slope == pytest.approx(1 / 1.5, abs=0.06)


def test_test_size_of_the_bins_and_of_the_distribution():
    # Share of rejections at 5 % over 200 calibrated cohorts: about 5 % by bins; not above 5 % for the distribution,
    # which censoring blunts. Three Monte-Carlo errors are 4.6 points.
    bins = whole = 0
    for seed in range(200):
        curves, time, event, _ = cohort(1000 + seed, 600)
        bins += reliability(curves, time, event, day=30).p_value < 0.05
        whole += distribution_calibration(curves, time, event).p_value < 0.05
    assert 0.01 <= bins / 200 <= 0.10
    assert whole / 200 <= 0.10


def test_interval_of_the_observed_share_covers():
    hits = 0
    for seed in range(200):
        curves, time, event, _ = cohort(3000 + seed, 300)
        part = reliability(curves, time, event, day=30, confidence=0.9).overall
        hits += part.low <= part.forecast <= part.high
    assert 0.85 <= hits / 200 <= 0.99


@pytest.mark.parametrize("seed", range(3))
def test_true_quantiles_are_covered_as_promised(seed):
    rng = np.random.default_rng(seed)
    n = 6000
    rate = rng.uniform(0.005, 0.08, n)
    life, lost = rng.exponential(1 / rate), rng.exponential(30, n)
    entry = np.where(rng.random(n) < 0.3, rng.uniform(0, 10, n), 0)
    time, event = np.minimum(life, lost), life <= lost
    seen = time > entry
    bound = -np.log(0.9) / rate
    found = bound_coverage(bound[seen], time[seen], event[seen], entry[seen], promised=0.9)
    assert found.low - 0.01 <= 0.9 <= found.high + 0.01
    assert found.late == (entry[seen] > 0).sum()
    assert found.rows + found.late == seen.sum()
    short = bound_coverage(bound[seen] * 2, time[seen], event[seen], entry[seen], promised=0.9)
    assert short.high < 0.9
    assert short.mean_days == pytest.approx(2 * found.mean_days)


def test_too_little_to_score_is_said():
    curves, time, event, _ = cohort(30, 200)
    with pytest.raises(NotEstimable, match="fewer than 5"):
        integrated_calibration_index(curves, time, event & (time > 50), day=7)
    with pytest.raises(NotEstimable, match="alike"):
        calibration_line(np.tile(curves[0], (200, 1)), time, event, day=30)
    with pytest.raises(NotEstimable, match="compared"):
        harrell_c([1.0, 2.0], [3.0, 4.0], [False, False])


@pytest.mark.parametrize(
    ("where", "change"),
    [
        ("survival", lambda a: {**a, "survival": a["survival"][:, 1:]}),
        ("survival", lambda a: {**a, "survival": 1 - a["survival"]}),
        ("survival", lambda a: {**a, "survival": 2 * a["survival"]}),
        ("time", lambda a: {**a, "time": -a["time"]}),
        ("entry", lambda a: {**a, "entry": a["time"]}),
        ("days", lambda a: {**a, "days": [120.0]}),
        ("censoring", lambda a: {**a, "censoring": a["survival"][:5]}),
    ],
)
def test_bad_input_says_where(where, change):
    curves, time, event, _ = cohort(31, 50)
    with pytest.raises(BadInput) as caught:
        brier_score(**change({"survival": curves, "time": time, "event": event}))
    assert caught.value.problems[0].where == where


def test_returns_by_day_alone_do_not_make_a_right_forecast_look_wrong():
    # Returns fall in the first third of each day: right on the grid, wrong between its days. Constant hazard, invented.
    rng = np.random.default_rng(5)
    day = rng.geometric(0.3, 20_000).astype(float) - rng.uniform(0.67, 1.0, 20_000)
    grid = np.arange(0.0, 41.0)
    curves = np.tile(0.7**grid, (20_000, 1))
    seen = np.minimum(day, 40.0)
    assert distribution_calibration(curves, seen, day <= 40, grid=grid).p_value > 0.01
    assert distribution_calibration(curves, seen, day <= 40, grid=grid, exact_times=True).p_value < 1e-6
