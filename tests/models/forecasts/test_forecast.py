"""What is read off a hold curve: properties, and the closed form of the inverse Gaussian as an outside check."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from matplotlib.figure import Figure
from scipy.stats import invgauss

from models.base.day_grid import DAYS, day_of_return
from models.base.errors import BadInput
from models.calibration.conformal import RISKS, ConformalBound
from models.forecasts.forecast import Forecast

MEAN, SHAPE = 20.0, 40.0


def exact_curve(days):
    # scipy.stats.invgauss: a first passage of a drifting Wiener process with mean 20 days.
    return invgauss.sf(days, MEAN / SHAPE, scale=SHAPE)


@pytest.fixture(scope="module")
def bound() -> ConformalBound:
    days = np.random.default_rng(3).wald(MEAN, SHAPE, 4000)
    curves = np.tile(exact_curve(DAYS), (4000, 1))
    curves[:, 0] = 1.0
    return ConformalBound().fit(curves, np.minimum(days, 90.0), days <= 90.0)


@pytest.fixture
def forecast(bound: ConformalBound) -> Forecast:
    curve = exact_curve(DAYS)
    curve[0] = 1.0
    return Forecast(
        pack_id="MB-VAN-07",
        origin=datetime(2026, 3, 2, 8, 30, tzinfo=UTC),
        days_held=1.0,
        survival=curve,
        band_low=curve**1.2,
        band_high=curve**0.8,
        told_survival=curve,
        kinds=None,
        flags=(),
        model_id="test",
        inputs_digest="0" * 64,
        group="fresh, rich",
        bound=bound,
    )


def test_quantiles_and_probabilities_agree_with_the_closed_form(forecast):
    for share in (0.1, 0.25, 0.5, 0.75):
        exact = invgauss.ppf(share, MEAN / SHAPE, scale=SHAPE)
        assert forecast.quantile(share) == pytest.approx(exact, abs=0.6)  # grid bins are one to five days wide here
    assert forecast.return_probability(14) == pytest.approx(1 - exact_curve(14.0), abs=1e-9)
    # The area under the curve to the horizon; the trapezoid on the grid is within a tenth of a day.
    grid = np.linspace(0, 90, 20001)
    assert forecast.restricted_mean() == pytest.approx(np.trapezoid(exact_curve(grid), grid), abs=0.15)


def test_beyond_the_horizon_is_said_as_such(forecast):
    assert forecast.quantile(0.9999) is None
    with pytest.raises(ValueError, match="horizon"):
        forecast.return_probability(91)
    with pytest.raises(BadInput, match="between 0 and 1"):
        forecast.quantile(1.5)


def test_good_for_is_the_conformal_day(forecast):
    # With the right model the bound lies at the tenth percentile, up to the calibration set's own error.
    assert forecast.good_for(0.9) == pytest.approx(invgauss.ppf(0.1, MEAN / SHAPE, scale=SHAPE), abs=0.7)
    assert forecast.good_for(0.95) < forecast.good_for(0.9) < forecast.good_for(0.8)
    assert "90 of 100" in forecast.guarantee(0.9)


def test_one_risk_has_one_day_the_more_careful_one(forecast):
    # A model whose curves lie twice too deep: its bound lies past the curve's own day.
    days = np.random.default_rng(4).wald(2 * MEAN, 2 * SHAPE, 4000)
    curves = np.tile(forecast.survival, (4000, 1))
    deep = replace(forecast, bound=ConformalBound().fit(curves, np.minimum(days, 90.0), days <= 90.0))
    assert deep.bound.bound(deep.survival[None], 0.9)[0] > deep.quantile(0.1) + 1
    for confidence in (0.8, 0.9, 0.95):
        assert deep.good_for(confidence) == pytest.approx(deep.quantile(1 - confidence))
    assert replace(forecast, widening=0.5).good_for(0.9) < forecast.good_for(0.9)


def test_a_pack_that_has_held_is_forecast_from_then_on(forecast):
    later = forecast.given_held(9.0)
    assert later.days_held == 10.0
    assert later.horizon_days == forecast.horizon_days - 9.0
    for by in (1.0, 5.0, 20.0):
        conditional = 1 - forecast.hold_probability(9.0 + by) / forecast.hold_probability(9.0)
        assert later.return_probability(by) == pytest.approx(conditional, abs=1e-3)
    assert np.all(later.band_low <= later.band_high + 1e-12)
    # Two steps are one.
    np.testing.assert_allclose(forecast.given_held(4.0).given_held(5.0).survival, later.survival, atol=2e-3)
    assert forecast.given_held(0.0) is forecast
    with pytest.raises(ValueError, match="horizon"):
        forecast.given_held(90.0)


def test_as_dict_is_plain_and_complete(forecast):
    plain = forecast.as_dict()
    assert plain["survival"] == forecast.survival.tolist()
    assert plain["origin"] == "2026-03-02T08:30:00+00:00"
    assert plain["kinds"] is None


def test_any_days_are_read_as_the_curve_is(forecast):
    days = [0.0, 0.5, 7.0, 13.3, 90.0]
    table = forecast.on_days(days)
    assert table.index.name == "day"
    assert table["survival"].tolist() == [forecast.hold_probability(day) for day in days]
    assert (table["band_low"] <= table["band_high"]).all()
    with pytest.raises(BadInput, match="horizon"):
        forecast.on_days([91])


def test_it_draws_itself_on_axes_that_it_is_given(forecast):
    axes = Figure().subplots()
    assert forecast.plot(axes) is axes
    line = axes.get_lines()[0].get_xydata()
    assert line[:, 0].tolist() == list(range(91))
    assert line[7, 1] == forecast.hold_probability(7)
    assert axes.get_lines()[1].get_xdata()[0] == forecast.good_for(0.9)
    assert "not permission" in axes.get_title()
    assert forecast.plot(Figure().subplots(), days=[14, 0, 7]).get_lines()[0].get_xdata().tolist() == [0, 7, 14]


def test_promises_are_read_off_the_lower_curve_and_can_be_read_off_the_other_later(forecast):
    careful = replace(forecast, told_survival=forecast.survival**2)
    levels = careful.told_levels()
    for confidence in (0.5, 0.8, 0.9):
        level = levels[np.searchsorted(RISKS, 1 - confidence - 1e-9)]
        days = careful.good_for(confidence)
        assert days < forecast.good_for(confidence)
        assert day_of_return(careful.survival, level) == pytest.approx(days, abs=1e-6)
    assert careful.quantile(0.5) == forecast.quantile(0.5)
    later = careful.given_held(3.0)
    assert np.all(later.told_survival <= later.survival)
