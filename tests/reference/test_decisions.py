"""Decisions against figures and solvers from outside the project; the source stands beside each check."""

from itertools import product

import numpy as np
import pulp
import pytest
from iso4217 import Currency
from lifelines import KaplanMeierFitter
from scipy.stats import norm, weibull_min

from models.base.day_grid import DAYS
from models.decisions.fleet_costs import NOT_PLANNED, FleetCosts, replacement_costs
from models.decisions.fleet_plan import FleetLimits, plan_fleet
from models.decisions.hold_curves import extended_hold
from models.decisions.lead_time import Delivery, Quote, lead_time
from models.decisions.money import Money, minor_digits
from models.decisions.stock import critical_ratio, poisson_binomial
from tests.studies.age_of_a_law import age_policy


def test_newsvendor():
    # Price 5, cost 2, salvage .5: critical ratio .66667, z .43073. Recomputed with scipy from the textbook formula.
    ratio = critical_ratio(5 - 2, 2 - 0.5)
    assert ratio == pytest.approx(0.66667, abs=5e-6)
    assert norm.ppf(ratio) == pytest.approx(0.43073, abs=5e-6)


def test_poisson_binomial():
    # Hong 2013, Computational Statistics & Data Analysis 59, 41-51; three trials, multiplied out.
    np.testing.assert_allclose(poisson_binomial([0.1, 0.2, 0.3]), [0.504, 0.398, 0.092, 0.006], atol=1e-12)


def test_age_replacement():
    # Barlow & Proschan 1965, Mathematical Theory of Reliability; recomputed for Weibull(scale 1000, shape 2.5).
    policy = age_policy(weibull_min(2.5, scale=1000).sf, planned_cost=1, failure_cost=5, longest_age=4000)
    assert policy.age == pytest.approx(493.05, abs=0.005)
    assert policy.cost_rate == pytest.approx(0.00346204, abs=5e-9)
    assert policy.run_to_failure_rate == pytest.approx(0.00563530, abs=5e-9)


def test_lead_time_without_a_quote_is_the_product_limit_estimate():
    # NIST/SEMATECH e-Handbook 8.2.1.5: 20 units; six failures, four removals, ten still running at 200.
    failed, removed = [10, 32, 56, 98, 122, 181], [50, 100, 125, 150]
    past = [Delivery(d) for d in failed] + [Delivery(d, False) for d in removed] + [Delivery(200, False)] * 10
    still_open = 1 - np.cumsum(lead_time("P", None, past).probability)
    np.testing.assert_allclose(still_open[failed], [0.9500, 0.9000, 0.8471, 0.7941, 0.7374, 0.6704], atol=5e-5)


def test_lead_times_agree_with_lifelines_on_ties_between_arrived_and_open():
    rng = np.random.default_rng(4)
    days, arrived = rng.integers(1, 20, 200), rng.random(200) < 0.7
    lead = lead_time("P", None, [Delivery(int(d), bool(a)) for d, a in zip(days, arrived, strict=True)])
    theirs = KaplanMeierFitter().fit(days, arrived).survival_function_at_times(np.arange(20)).to_numpy()
    np.testing.assert_allclose(1 - np.cumsum(lead.probability), theirs, atol=1e-12)


@pytest.mark.parametrize(("low", "usual", "high"), [(6, 9, 20), (10, 30, 60), (2, 10, 11)])
def test_a_quote_has_the_mean_of_a_three_point_estimate(low, usual, high):
    # (a + 4 m + b) / 6: Malcolm, Roseboom, Clark & Fazar 1959, Operations Research 7(5), 646-669. Whole days and the
    # half day added at either end move it by well under a tenth of a day.
    mean = lead_time("P", Quote(usual, low, high)).least_mean_days
    assert mean == pytest.approx((low + 4 * usual + high) / 6, abs=0.1)


def test_currencies_are_those_of_the_standard():
    # Decimals from memory of ISO 4217, unverified, for well-known currencies; the list itself is the library's.
    known = {"EUR": 2, "USD": 2, "GBP": 2, "NOK": 2, "JPY": 0, "KRW": 0, "ISK": 0, "KWD": 3, "BHD": 3, "TND": 3}
    assert {code: minor_digits(code) for code in known} == known
    assert sum(currency.exponent is not None for currency in Currency) > 150


def _fleet(vehicles, weeks, seed):
    """Draw an invented fleet: curves, costs, and what planning each vehicle for each week saves."""
    rng = np.random.default_rng(seed)
    shape, scale = rng.uniform(0.8, 2.5, vehicles), rng.lognormal(np.log(50), 0.7, vehicles)
    survival = np.exp(-((DAYS / scale[:, None]) ** shape[:, None]))
    costs = FleetCosts(
        "EUR", rng.uniform(900, 1500, vehicles), 150.0, rng.uniform(500, 2500, vehicles), 0.6, 600.0, stranding=0
    )
    cost = replacement_costs(extended_hold(survival, 7 * weeks), costs.checked(vehicles))
    return survival, costs, cost[:, -1:] - cost[:, :-1]


@pytest.mark.parametrize("seed", [0, 2, 3, 4, 5])
def test_a_small_plan_is_the_best_of_all_plans(seed):
    # Every plan of 5 vehicles over 3 weeks, counted out.
    survival, costs, saving = _fleet(5, 3, seed)
    slots, packs, budget = np.array([1, 2, 1]), np.array([1, 0, 2]), 3200.0
    pack, best = np.asarray(costs.pack), 0.0
    for week in product(range(-1, 3), repeat=5):
        weeks = np.array(week)
        planned = weeks >= 0
        used = np.bincount(weeks[planned], minlength=3)
        if (used <= slots).all() and (used.cumsum() <= packs.cumsum()).all() and pack[planned].sum() <= budget:
            best = max(best, saving[planned, weeks[planned]].sum())
    plan = plan_fleet(survival, costs, FleetLimits(slots, packs, Money(budget, "EUR")), gap=0.0)
    assert plan.cost_without_plan - plan.expected_cost == pytest.approx(best, abs=1e-6)
    # With these seeds some plan saves something, so that doing nothing would not pass.
    assert best > 0


# The solver comes inside the package only below version 4; the packages that carry it alone are 600 MB.
@pytest.mark.filterwarnings("ignore:PULP_CBC_CMD is deprecated")
def test_a_larger_plan_costs_what_another_solver_finds():
    # COIN-OR CBC through PuLP, on the programme written out anew, to a gap of nought.
    vehicles, weeks = 120, 8
    survival, costs, saving = _fleet(vehicles, weeks, 11)
    slots, packs, budget = np.full(weeks, 4), np.full(weeks, 3), 20_000.0
    pack = np.asarray(costs.pack)
    other = pulp.LpProblem("plan", pulp.LpMaximize)
    x = other.add_variable_dicts("x", (range(vehicles), range(weeks)), cat="Binary")
    other += pulp.lpSum(saving[i, w] * x[i][w] for i in range(vehicles) for w in range(weeks))
    for i in range(vehicles):
        other += pulp.lpSum(x[i].values()) <= 1
    for w in range(weeks):
        other += pulp.lpSum(x[i][w] for i in range(vehicles)) <= int(slots[w])
        other += pulp.lpSum(x[i][v] for i in range(vehicles) for v in range(w + 1)) <= int(packs[: w + 1].sum())
    other += pulp.lpSum(pack[i] * x[i][w] for i in range(vehicles) for w in range(weeks)) <= budget
    status = other.solve(pulp.PULP_CBC_CMD(msg=False, threads=1, gapRel=0.0, timeLimit=30))
    assert pulp.LpStatus[status] == "Optimal"

    plan = plan_fleet(survival, costs, FleetLimits(slots, packs, Money(budget, "EUR")), gap=0.0)
    assert plan.cost_without_plan - plan.expected_cost == pytest.approx(pulp.value(other.objective), rel=1e-6)
    assert pack[plan.week != NOT_PLANNED].sum() <= budget + 0.01
