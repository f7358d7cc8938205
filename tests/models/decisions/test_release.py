from datetime import date

import numpy as np
import pytest

from models.base.day_grid import DAYS
from models.base.errors import BadInput
from models.decisions.lead_time import Delivery, LeadTime, Quote, lead_time
from models.decisions.release import CONDITIONS, days_until, promised_on, release_risk

HOLD = np.exp(-((DAYS / np.array([20.0, 60.0, 300.0])[:, None]) ** 1.8))
LOW, HIGH = HOLD**1.4, HOLD**0.7
LEAD = lead_time("Harbour Parts", Quote(9, 6, 20))


def test_the_chance_is_the_sum_over_arrival_days():
    risk = release_risk(HOLD, LEAD)
    by_hand = [
        sum(p * np.exp(-((day / scale) ** 1.8)) for day, p in enumerate(LEAD.probability))
        for scale in (20.0, 60.0, 300.0)
    ]
    # Between grid days a curve is read linear in the cumulative hazard, a little off the Weibull used by hand.
    np.testing.assert_allclose(risk.get_there, by_hand, atol=2e-3)
    on_the_grid = release_risk(HOLD, LeadTime.on(14, ""))
    np.testing.assert_allclose(on_the_grid.get_there, HOLD[:, DAYS == 14][:, 0])


def test_the_bounds_enclose_and_a_worse_curve_is_never_safer():
    risk = release_risk(HOLD, LEAD, band_low=LOW, band_high=HIGH)
    assert (risk.low < risk.get_there).all()
    assert (risk.get_there < risk.high).all()
    assert (release_risk(LOW, LEAD).get_there < release_risk(HOLD, LEAD).get_there).all()


def test_a_batch_is_its_cases_one_by_one_in_any_order():
    leads = [LEAD, LeadTime.on(3, ""), LeadTime.on(100, "")]
    together = release_risk(HOLD, leads, km_per_day=[40, np.nan, 12])
    for i, km in enumerate([40, np.nan, 12]):
        alone = release_risk(HOLD[i : i + 1], leads[i], km_per_day=km)
        assert alone.get_there[0] == pytest.approx(together.get_there[i])
        assert alone.sentences[0] == together.sentences[i]
    turned = release_risk(HOLD[::-1], leads[::-1])
    np.testing.assert_allclose(turned.get_there, together.get_there[::-1])


def test_past_the_horizon_there_is_a_bound_and_no_figure():
    risk = release_risk(HOLD, LeadTime.on(120, ""))
    assert (risk.get_there == 0).all()
    np.testing.assert_allclose(risk.get_there_at_most, HOLD[:, -1])
    assert "at most" in risk.sentences[2]
    assert "where the forecast ends" in risk.sentences[2]


def test_orders_that_never_came_count_as_not_got_there():
    lead = lead_time("P", None, [Delivery(5), Delivery(8), Delivery(30, arrived=False)])
    risk = release_risk(HOLD, lead)
    assert risk.unclaimed == pytest.approx(1 / 3)
    daily_31 = release_risk(HOLD, LeadTime.on(31, "")).get_there
    np.testing.assert_allclose(risk.get_there_at_most - risk.get_there, daily_31 / 3)
    assert np.isnan(risk.days[:, 2]).all()
    assert "at least what is said here" in risk.sentences[0]
    hopeless = lead_time("P", None, [Delivery(5), Delivery(9, arrived=False), Delivery(9, arrived=False)])
    assert "Nobody can say" in release_risk(HOLD, hopeless).sentences[0]


def test_kilometres_follow_days_and_the_owner_s_own_range():
    risk = release_risk(HOLD, LEAD, km_per_day=40, km_per_day_low=20, km_per_day_high=70)
    early, middle, late = risk.days[0]
    assert risk.km[0].tolist() == [20 * early, 40 * middle, 70 * late]
    assert release_risk(HOLD, LEAD, km_per_day=80).km[0] == pytest.approx(
        2 * release_risk(HOLD, LEAD, km_per_day=40).km[0]
    )
    assert "km" not in release_risk(HOLD, LEAD).sentences[0]
    with pytest.raises(BadInput):
        release_risk(HOLD, LEAD, km_per_day=40, km_per_day_low=50)


def test_every_answer_carries_its_conditions_and_no_permission():
    risk = release_risk(HOLD, LEAD, km_per_day=40, band_low=LOW, band_high=HIGH)
    assert risk.conditions == CONDITIONS
    for word in ("motorway", "remote", "recovery", "licensed"):
        assert any(word in condition for condition in risk.conditions)
    for sentence in risk.sentences:
        assert "in the others the fault comes back first" in sentence
        assert "safe" not in sentence.lower()


def test_a_promise_that_has_passed_is_refused_in_words():
    today = date(2026, 3, 9)
    assert days_until(date(2026, 3, 20), today) == 11
    assert promised_on(today, today).probability.tolist() == [1.0]
    with pytest.raises(BadInput, match=r"lies 2 days before 2026-03-09: that promise has passed.*Ask the supplier"):
        promised_on(date(2026, 3, 7), today)


@pytest.mark.parametrize(
    ("km", "words"),
    [
        ((None, 50.0, 10.0), "has a low value above its high one"),
        ((60.0, 50.0, 10.0), "has a low value above its high one"),
        ((5.0, 10.0, 50.0), "is not between its low and its high value"),
        ((5.0, -1.0, 50.0), "is negative"),
    ],
)
def test_each_fault_of_the_kilometres_is_told_by_itself(km, words):
    with pytest.raises(BadInput, match=words):
        release_risk(HOLD, LEAD, *km)


def test_a_band_of_one_figure_is_said_once():
    """A pack that is replaced at once, and is sure to hold until then."""
    sure = np.ones((1, len(DAYS)))
    (said,) = release_risk(sure, LeadTime.on(0, ""), band_low=sure, band_high=sure).sentences
    assert "possible" not in said
    assert said.startswith("More than 99 in 100 packs like this one would hold until the replacement comes; ")
