import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, poisson

from models.base.day_grid import DAYS, survival_at
from models.base.errors import BadInput
from models.decisions.lead_time import LeadTime, Quote, lead_time
from models.decisions.stock import critical_ratio, lead_time_demand, poisson_binomial, stock_for_service, stock_of

HOLD = np.exp(-((DAYS / np.array([15.0, 40.0, 90.0, 400.0])[:, None]) ** 1.8))
LEAD = lead_time("Harbour Parts", Quote(12, 8, 25))


@given(st.lists(st.floats(0, 1), max_size=40))
def test_the_count_has_the_mean_and_variance_of_its_trials(chances):
    p = np.array(chances)
    pmf = poisson_binomial(p)
    k = np.arange(len(pmf))
    assert pmf.sum() == pytest.approx(1)
    assert k @ pmf == pytest.approx(p.sum(), abs=1e-9)
    assert k**2 @ pmf - (k @ pmf) ** 2 == pytest.approx((p * (1 - p)).sum(), abs=1e-8)
    np.testing.assert_allclose(poisson_binomial(p[::-1]), pmf, atol=1e-15)


def test_equal_chances_give_the_binomial_down_to_its_far_tail():
    pmf = poisson_binomial(np.full(300, 0.03))
    np.testing.assert_allclose(pmf, binom.pmf(np.arange(301), 300, 0.03), rtol=1e-9, atol=1e-300)


def test_demand_is_mixed_over_the_lead_time_and_not_taken_at_its_mean():
    mixed, fixed = lead_time_demand(HOLD, LEAD, 0.5), lead_time_demand(HOLD, LeadTime.on(13, ""), 0.5)
    k = np.arange(len(mixed.probability))
    spread = k**2 @ mixed.probability - mixed.mean**2
    k = np.arange(len(fixed.probability))
    assert spread > k**2 @ fixed.probability - fixed.mean**2


def test_without_open_cases_the_demand_is_poisson():
    demand = lead_time_demand(np.ones((0, len(DAYS))), LeadTime.on(10, ""), 0.3)
    np.testing.assert_allclose(demand.probability, poisson.pmf(np.arange(len(demand.probability)), 3.0), atol=1e-11)
    none = lead_time_demand(np.ones((0, len(DAYS))), LeadTime.on(10, ""), 0)
    assert none.probability.tolist() == [1.0]


def test_the_expected_demand_is_that_of_a_simulation():
    for seed in range(3):
        rng = np.random.default_rng(seed)
        leads = rng.choice(len(LEAD.probability), 100_000, p=LEAD.probability)
        fixed = np.array([lead_time_demand(HOLD, LeadTime.on(d, ""), 0.2).mean for d in range(len(LEAD.probability))])
        assert lead_time_demand(HOLD, LEAD, 0.2).mean == pytest.approx(fixed[leads].mean(), rel=0.01)


def test_the_critical_ratio_gives_the_cheapest_stock():
    demand = lead_time_demand(HOLD, LEAD, 0.4)
    short, over = 700.0, 90.0
    best = stock_for_service(demand, critical_ratio(short, over), at_hand=2)
    costs = [stock_of(demand, packs).cost(short, over) for packs in range(25)]
    assert best.packs == int(np.argmin(costs))
    assert best.to_order == best.packs - 2
    assert best.service >= critical_ratio(short, over) > stock_of(demand, best.packs - 1).service


@given(st.integers(0, 12))
def test_shortage_less_surplus_is_demand_less_stock(packs):
    demand = lead_time_demand(HOLD, LEAD, 0.4)
    stock = stock_of(demand, packs)
    assert stock.shortage - stock.surplus == pytest.approx(demand.mean - packs)


def test_worse_curves_and_slower_deliveries_want_more_packs():
    base = stock_for_service(lead_time_demand(HOLD, LEAD, 0.2), 0.95).packs
    assert stock_for_service(lead_time_demand(HOLD**4, LEAD, 0.2), 0.95).packs >= base
    assert stock_for_service(lead_time_demand(HOLD, LeadTime.on(40, ""), 0.2), 0.95).packs > base


def test_deliveries_past_the_horizon_make_least_values_and_say_so():
    late = lead_time_demand(HOLD, LeadTime.on(120, ""), 0.1)
    assert late.unclaimed == 1.0
    assert late.mean == pytest.approx(lead_time_demand(HOLD, LeadTime.on(90, ""), 0.1).mean)
    assert stock_for_service(late, 0.9).unclaimed == 1.0


@pytest.mark.parametrize(
    "call",
    [
        lambda: poisson_binomial([0.5, 1.5]),
        lambda: poisson_binomial([[0.5]]),
        lambda: lead_time_demand(HOLD, LEAD, float("nan")),
        lambda: critical_ratio(0, 0),
        lambda: critical_ratio(-1, 5),
        lambda: stock_for_service(lead_time_demand(HOLD, LEAD, 0), 1.2),
        lambda: stock_of(lead_time_demand(HOLD, LEAD, 0), -1),
    ],
)
def test_what_makes_no_stock_figure_is_refused(call):
    with pytest.raises(BadInput):
        call()


def test_tens_of_thousands_of_trials_are_counted_at_once():
    """Against the binomial distribution of scipy, and against the normal limit for unequal chances."""
    equal = poisson_binomial(np.full(40_001, 0.013))
    counts = np.arange(300, 760)
    assert len(equal) == 40_002
    assert equal[counts] == pytest.approx(binom.pmf(counts, 40_001, 0.013), rel=1e-9)
    assert equal.sum() == pytest.approx(1)
    chances = np.random.default_rng(4).uniform(0, 0.2, 20_000)
    found, counts = poisson_binomial(chances), np.arange(20_001)
    assert found @ counts == pytest.approx(chances.sum())
    assert found @ (counts - chances.sum()) ** 2 == pytest.approx((chances * (1 - chances)).sum())


def test_two_kinds_of_trials_give_the_sum_of_two_binomials_far_into_its_tails():
    """Against scipy's binomial distribution; sizes that fill no group of trials and no pair of groups."""
    many, few = 3_001, 1_777
    found = poisson_binomial(np.random.default_rng(7).permutation(np.repeat([0.3, 0.01], [many, few])))
    expected = np.convolve(binom.pmf(np.arange(many + 1), many, 0.3), binom.pmf(np.arange(few + 1), few, 0.01))
    shown = expected > 1e-80
    assert found[shown] == pytest.approx(expected[shown], rel=1e-9)
    assert found[~shown].sum() < 1e-76


def test_what_the_open_cases_want_is_the_demand_without_new_ones():
    late = lead_time("Harbour Parts", Quote(85, 70, 120))
    for lead in (LEAD, late, LeadTime.on(120, "")):
        demand = lead_time_demand(HOLD, lead, 0.7)
        assert demand.from_open_cases == pytest.approx(lead_time_demand(HOLD, lead, 0.0).mean)
        counted = [(1 - survival_at(HOLD, min(day, 90.0))).sum() for day in range(len(lead.probability))]
        assert demand.from_open_cases == pytest.approx(lead.probability @ np.array(counted))
