import numpy as np
import pytest

from models.base.day_grid import DAYS, day_of_return, days_of_return, survival_at
from models.base.errors import BadInput
from models.calibration.conformal import ConformalBound, told_hold


def world(rng, n, misfit=1.0, shape=1.3):
    """Invented packs of Weibull lives, with curves whose hazard is wrong by a factor."""
    x = rng.normal(size=n)
    scale = 15 * np.exp(0.6 * x)
    return x, scale * rng.weibull(shape, n), np.exp(-misfit * (DAYS / scale[:, None]) ** shape)


def coverage(fit, misfit, flat=False, seeds=30, n=800):
    """Mean and standard error over seeds of the share of new packs that hold until their bound at 90 %."""
    shares = []
    for seed in range(seeds):
        rng = np.random.default_rng(seed)
        x, died, curves = world(rng, n, misfit)
        _, new_died, new_curves = world(rng, 4000, misfit)
        if flat:
            curves[:], new_curves[:] = curves.mean(axis=0), curves.mean(axis=0)
        shares.append(np.mean(new_died >= fit(rng, x, died, curves).bound(new_curves, 0.9)))
    return np.mean(shares), np.std(shares) / np.sqrt(seeds)


def fit_plain(rng, x, died, curves):
    return ConformalBound().fit(curves, died, np.ones(len(died), dtype=bool))


def fit_censored(rng, x, died, curves):
    # A shop that replaces the worst first: the shorter the life, the sooner the replacement. Half is censored.
    followed = rng.exponential(25 * np.exp(1.2 * x))
    return ConformalBound().fit(curves, np.minimum(died, followed), died <= followed)


def fit_censored_with_curves(rng, x, died, curves):
    mean = 25 * np.exp(1.2 * x)
    followed = rng.exponential(mean)
    censoring = np.exp(-DAYS / mean[:, None])
    return ConformalBound().fit(curves, np.minimum(died, followed), died <= followed, censoring_survival=censoring)


def fit_late(rng, x, died, curves):
    entry = np.where(rng.random(len(x)) < 0.5, rng.uniform(0, 15, len(x)), 0.0)
    followed = entry + rng.exponential(30, len(x))
    seen = died > entry
    time, event = np.minimum(died, followed), died <= followed
    return ConformalBound().fit(curves[seen], time[seen], event[seen], entry[seen])


@pytest.mark.parametrize("fit", [fit_plain, fit_censored, fit_censored_with_curves, fit_late])
@pytest.mark.parametrize("misfit", [1.0, 1.8])
def test_coverage_is_what_was_promised(fit, misfit):
    mean, error = coverage(fit, misfit)
    assert mean == pytest.approx(0.9, abs=4 * error)


def test_right_censoring_curves_mend_a_model_that_knows_nothing():
    blind, error = coverage(fit_censored, 1.0, flat=True, seeds=80)
    weighted, _ = coverage(fit_censored_with_curves, 1.0, flat=True)
    assert blind < 0.9 - 3 * error
    assert weighted == pytest.approx(0.9, abs=4 * error)


def test_dropping_censored_packs_would_not_do():
    # The check above can fail: scoring only the packs that returned promises far too little.
    rng = np.random.default_rng(0)
    x, died, curves = world(rng, 20_000)
    followed = rng.exponential(10, len(x))
    seen = died <= followed
    naive = ConformalBound().fit(curves[seen], died[seen], seen[seen])
    honest = ConformalBound().fit(curves, np.minimum(died, followed), seen)
    assert np.mean(died >= honest.bound(curves, 0.9)) == pytest.approx(0.9, abs=0.01)
    assert np.mean(died >= naive.bound(curves, 0.9)) > 0.93


def test_groups_get_their_own_level_and_small_ones_the_common_one():
    rng = np.random.default_rng(3)
    _, died, curves = world(rng, 4000)
    groups = np.where(np.arange(4000) < 1500, "cold", "warm")
    groups[-20:] = "rare"
    died = np.where(groups == "cold", died / 3, died)
    conformal = ConformalBound().fit(curves, died, np.ones(4000, dtype=bool), groups=groups)
    common, own = conformal.bound(curves, 0.9), conformal.bound(curves, 0.9, groups)
    for label in ("cold", "warm"):
        assert np.mean((died >= own)[groups == label]) == pytest.approx(0.9, abs=0.005)
    assert np.mean((died >= common)[groups == "cold"]) < 0.85
    np.testing.assert_array_equal(own[groups == "rare"], common[groups == "rare"])
    np.testing.assert_array_equal(conformal.bound(curves[:2], 0.9, ["never seen"] * 2), common[:2])


def test_bounds_fall_with_confidence_and_stop_at_the_horizon():
    rng = np.random.default_rng(4)
    _, died, curves = world(rng, 1000)
    conformal = ConformalBound().fit(curves, died, np.ones(1000, dtype=bool))
    bounds = np.array([conformal.bound(curves, c) for c in (0.5, 0.8, 0.9, 0.99)])
    assert np.all(np.diff(bounds, axis=0) <= 0)
    lasting = np.exp(-DAYS / 1e5)[None, :]
    assert conformal.bound(lasting, 0.9)[0] == DAYS[-1]
    assert conformal.beyond_horizon(lasting, 0.9)[0]
    assert not conformal.beyond_horizon(curves, 0.9).all()


def test_units_rows_and_single_packs():
    rng = np.random.default_rng(5)
    _, died, curves = world(rng, 500)
    followed = rng.exponential(30, 500)
    time, event = np.minimum(died, followed), died <= followed
    base = ConformalBound().fit(curves, time, event).bound(curves, 0.9)
    tenfold = ConformalBound(days=10 * DAYS).fit(curves, 10 * time, event)
    np.testing.assert_allclose(tenfold.bound(curves, 0.9), 10 * base)
    order = rng.permutation(500)
    shuffled = ConformalBound().fit(curves[order], time[order], event[order])
    np.testing.assert_allclose(shuffled.bound(curves, 0.9), base)
    assert shuffled.bound(curves[3:4], 0.9)[0] == pytest.approx(base[3])


def test_words_and_bad_input():
    rng = np.random.default_rng(6)
    _, died, curves = world(rng, 200)
    conformal = ConformalBound().fit(curves, died, np.ones(200, dtype=bool))
    assert "90 of 100" in conformal.guarantee(0.9)
    assert "set on 200" in conformal.guarantee(0.9)
    assert conformal.level(0.8) > conformal.level(0.9) > 0
    assert conformal.level(0.9, "unknown group") == conformal.level(0.9)
    for wrong in (
        lambda: conformal.bound(curves, 1.0),
        lambda: conformal.bound(curves[:, :5], 0.9),
        lambda: conformal.bound(2 * curves, 0.9),
    ):
        with pytest.raises(BadInput):
            wrong()
    with pytest.raises(BadInput, match="event"):
        ConformalBound().fit(curves, died, np.zeros(200, dtype=bool))


@pytest.mark.parametrize("misfit", [0.5, 1.0, 1.8])
def test_the_day_that_is_told_is_never_past_the_curves_own_at_the_same_risk(misfit):
    # Curves that overstate the risk (1.8) would let the bound pass their own day: two days for one risk.
    rng = np.random.default_rng(8)
    _, died, curves = world(rng, 4000, misfit)
    conformal = ConformalBound().fit(curves, died, np.ones(4000, dtype=bool))
    for confidence in (0.8, 0.9, 0.95):
        told, bound = conformal.told_days(curves, confidence), conformal.bound(curves, confidence)
        own = np.array([day_of_return(curve, 1 - confidence) or DAYS[-1] for curve in curves])
        np.testing.assert_allclose(told, np.minimum(bound, own), atol=1e-9)
        assert np.mean(died >= told) >= confidence - 0.005
        assert conformal.told_level(confidence) == min(conformal.level(confidence), 1 - confidence)
    assert (np.median(bound / own) > 1.2) == (misfit > 1)
    assert conformal.told_level(0.9, None, 0.5) == min(conformal.level(0.9) / 2, 1 - 0.9)


def test_the_last_day_at_a_risk_is_the_promised_day_of_that_risk():
    """Property: reading the promise day by day finds the same day as reading the day of a risk, for every risk."""
    rng = np.random.default_rng(7)
    x, died, curves = world(rng, 700, misfit=0.7)
    groups = np.where(x > 0, "a", "b")
    bound = ConformalBound().fit(curves, np.minimum(died, 90.0), died <= 90, groups=groups)
    fine = np.linspace(0, 90, 9001)
    for widening in (1.0, 0.6):
        levels = np.repeat([bound.told_levels("a", widening)], 20, axis=0)
        assert levels[0, 10] == bound.told_level(0.9, "a", widening)
        assert levels[0, 20] == bound.told_level(0.8, "a", widening)
        promised = told_hold(survival_at(curves[:20], fine), levels)
        assert (promised <= survival_at(curves[:20], fine) + 1e-12).all()
        assert (np.diff(promised, axis=1) <= 1e-12).all()
        for risk in (0.03, 0.1, 0.2, 0.5):
            told = days_of_return(curves[:20], levels[:, round(100 * risk)])
            told = np.where(levels[:, round(100 * risk)] > 0, np.where(np.isnan(told), 90.0, told), 0.0)
            last = fine[(1 - promised <= risk + 1e-9).sum(axis=1) - 1]
            assert last == pytest.approx(told, abs=0.011)
