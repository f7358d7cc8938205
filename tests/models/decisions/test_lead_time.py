import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.base.errors import BadInput
from models.decisions.lead_time import Delivery, LeadTime, Quote, arrival_matrix, lead_time, quote_of_open

orders = st.lists(st.builds(Delivery, st.integers(0, 60), st.booleans()), max_size=20)
quotes = st.tuples(st.integers(0, 20), st.integers(0, 20), st.integers(0, 20)).map(
    lambda t: Quote(usual_days=sorted(t)[1], earliest_days=sorted(t)[0], latest_days=sorted(t)[2])
)


@given(quotes, orders)
def test_probabilities_and_the_open_share_make_up_one(quote, past):
    lead = lead_time("Harbour Parts", quote, past)
    assert lead.probability.min() >= 0
    assert lead.probability.sum() + lead.open_share == pytest.approx(1)


def test_without_a_record_the_quote_stands():
    lead = lead_time("Harbour Parts", Quote(9, 6, 20))
    assert lead.open_share == 0
    assert np.flatnonzero(lead.probability).tolist() == list(range(6, 21))
    assert lead.probability.argmax() == 9
    assert lead_time("Harbour Parts", Quote(5)).probability.tolist() == [0, 0, 0, 0, 0, 1]
    assert "taken as exact" in lead_time("Harbour Parts", Quote(5)).basis
    moved = lead_time("Harbour Parts", Quote(5), [Delivery(0)])
    assert moved.quantile(0.05) == 0
    assert "exact" not in moved.basis


def test_an_order_open_for_nearly_as_long_as_was_quoted_does_not_come_tomorrow_for_sure():
    """Open for 20 of 21 days, it was taken to come in exactly one day; a late order is most likely later still."""
    left = lead_time("Harbour Parts", quote_of_open(Quote(21))).given_waited(20)
    assert left.quantile(0.05) == 1
    assert left.quantile(0.5) > 1
    assert left.quantile(0.95) > 5
    fresh = lead_time("Harbour Parts", quote_of_open(Quote(21)))
    assert fresh.quantile(0.5) == 21
    # Whoever waits longer has no less to wait than one of the same quote had left by then.
    assert left.quantile(0.5) >= fresh.quantile(0.5) - 20
    bounded = Quote(21, 18, 30)
    assert quote_of_open(bounded) == bounded, "bounds that were given are kept"
    assert quote_of_open(Quote(0)) == Quote(0, 0, 1)


def test_the_record_moves_the_quote_the_more_the_longer_it_is():
    means = [lead_time("P", Quote(5, 4, 7), [Delivery(12)] * n).least_mean_days for n in (0, 1, 5, 50, 500)]
    assert means == sorted(means)
    assert means[0] < 5.5
    # At five deliveries quote and record weigh alike, at five hundred the quote is all but forgotten.
    assert means[2] == pytest.approx((means[0] + 12) / 2)
    assert means[4] == pytest.approx(12, abs=0.1)


def test_an_open_order_makes_a_supplier_slower_not_faster():
    closed = lead_time("P", None, [Delivery(5), Delivery(8)])
    waiting = lead_time("P", None, [Delivery(5), Delivery(8), Delivery(30, arrived=False)])
    assert waiting.open_share == pytest.approx(1 / 3)
    assert waiting.quantile(0.9) is None
    assert closed.quantile(0.9) == 8
    assert waiting.least_mean_days > closed.least_mean_days


def test_recovers_the_truth_from_a_long_censored_record():
    for seed in range(3):
        rng = np.random.default_rng(seed)
        true, seen = rng.poisson(9, 4000), rng.integers(1, 25, 4000)
        past = [Delivery(int(min(t, s)), bool(t <= s)) for t, s in zip(true, seen, strict=True)]
        lead = lead_time("P", Quote(3, 2, 4), past)
        assert lead.least_mean_days == pytest.approx(9, abs=0.2)
        assert lead.quantile(0.5) == 9


@pytest.mark.parametrize("past", [[], [Delivery(9, arrived=False)]])
def test_nothing_known_is_refused_with_what_would_help(past):
    with pytest.raises(BadInput, match=r"nothing is known of how long a pack takes.*usual number of days"):
        lead_time("Harbour Parts", None, past)


@pytest.mark.parametrize(
    "call",
    [
        lambda: lead_time("P", Quote(5, 6, 9)),
        lambda: lead_time("P", Quote(-1)),
        lambda: lead_time("P", Quote(9999)),
        lambda: lead_time("P", Quote(3), [Delivery(2000)]),
        lambda: lead_time("P", Quote(3), quote_weight=0),
        lambda: LeadTime.on(3, "").given_waited(3),
        lambda: arrival_matrix([LeadTime.on(3, "")], 2),
    ],
)
def test_impossible_days_are_refused(call):
    with pytest.raises(BadInput):
        call()


def test_an_order_already_waited_for_is_conditioned_on_that():
    lead = lead_time("P", Quote(9, 6, 20))
    later = lead.given_waited(8)
    np.testing.assert_allclose(later.probability[1:], lead.probability[9:] / lead.probability[9:].sum())
    assert later.probability[0] == 0
    assert lead.given_waited(0) is lead
