import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.base.day_grid import DAYS
from models.base.errors import BadInput
from models.decisions.fleet_costs import NOT_PLANNED, FleetCosts, replacement_costs
from models.decisions.fleet_plan import NOT_ORDERED, FleetLimits, plan_fleet
from models.decisions.hold_curves import extended_hold
from models.decisions.money import Money


def fleet(vehicles, seed):
    rng = np.random.default_rng(seed)
    shape, scale = rng.uniform(0.8, 2.5, vehicles), rng.lognormal(np.log(60), 0.8, vehicles)
    survival = np.exp(-((DAYS / scale[:, None]) ** shape[:, None]))
    pack, work = rng.uniform(900, 1500, vehicles).round(2), rng.uniform(500, 2500, vehicles)
    return survival, FleetCosts("EUR", pack, rng.uniform(100, 250, vehicles), work, 0.6, 600.0, stranding=0)


def assert_keeps_to(plan, limits, costs):
    weeks = len(limits.slots)
    planned = plan.week != NOT_PLANNED
    used = np.bincount(plan.week[planned], minlength=weeks)
    assert (used <= limits.slots).all()
    if limits.packs is not None:
        assert (used.cumsum() <= np.cumsum(limits.packs)).all()
    if limits.budget is not None:
        assert np.asarray(costs.pack)[planned].sum() <= limits.budget.amount * (1 + 1e-6)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.integers(1, 6), st.integers(0, 4), st.integers(0, 4), st.floats(0, 20_000))
@pytest.mark.parametrize("time_limit_s", [20.0, 1e-6])
def test_every_plan_keeps_to_every_limit_and_to_its_stated_gap(time_limit_s, seed, weeks, slots, packs, budget):
    survival, costs = fleet(25, seed)
    limits = FleetLimits(np.full(weeks, slots), np.full(weeks, packs), Money(budget, "EUR"))
    plan = plan_fleet(survival, costs, limits, gap=0.01, time_limit_s=time_limit_s)
    assert_keeps_to(plan, limits, costs)
    assert plan.least_cost <= plan.expected_cost + 1e-6
    assert plan.expected_cost <= plan.cost_without_plan + 1e-9
    if time_limit_s > 1:
        assert plan.gap <= 0.01 + 1e-9
    cost = replacement_costs(extended_hold(survival, 7 * weeks), costs.checked(25))
    assert plan.expected_cost == pytest.approx(cost[np.arange(25), np.where(plan.week < 0, weeks, plan.week)].sum())


def test_the_plan_without_a_solver_is_not_far_off_and_its_bound_is_true():
    survival, costs = fleet(300, 3)
    limits = FleetLimits(np.full(12, 4), np.full(12, 3), Money(30_000, "EUR"))
    best, rough = plan_fleet(survival, costs, limits), plan_fleet(survival, costs, limits, time_limit_s=1e-6)
    assert (best.solver, rough.solver) != ("greedy", "mixed-integer")
    assert rough.solver == "greedy"
    assert rough.least_cost <= best.expected_cost
    assert rough.gap < 0.15
    assert np.isnan(rough.slot_value).all()


def test_more_room_never_raises_the_cost():
    survival, costs = fleet(60, 5)
    base = {"slots": np.full(6, 3), "packs": np.full(6, 2), "budget": Money(9_000, "EUR")}
    wider = (
        {"slots": np.full(6, 4)},
        {"packs": np.full(6, 3)},
        {"packs": None},
        {"budget": Money(12_000, "EUR")},
        {"budget": None},
    )
    before = plan_fleet(survival, costs, FleetLimits(**base), gap=0.0)
    for change in wider:
        after = plan_fleet(survival, costs, FleetLimits(**{**base, **change}), gap=0.0)
        assert after.expected_cost <= before.expected_cost + 1e-6


def test_the_value_of_one_more_is_what_solving_again_saves_at_most():
    survival, costs = fleet(60, 6)
    slots, packs = np.full(6, 3), np.array([1, 2, 2, 3, 2, 2])
    plan = plan_fleet(survival, costs, FleetLimits(slots, packs), gap=0.0)
    # Without a budget the rows are those of a network: the relaxation has whole corners, its prices bound the saving.
    for week in range(6):
        more_packs, more_slots = packs.copy(), slots.copy()
        more_packs[week] += 1
        more_slots[week] += 1
        saved = plan.expected_cost - plan_fleet(survival, costs, FleetLimits(slots, more_packs), gap=0.0).expected_cost
        assert -1e-6 <= saved <= plan.pack_value[week] + 1e-6
        saved = plan.expected_cost - plan_fleet(survival, costs, FleetLimits(more_slots, packs), gap=0.0).expected_cost
        assert -1e-6 <= saved <= plan.slot_value[week] + 1e-6
    assert plan.pack_value.max() > 0
    assert plan.budget_value == 0


def test_vehicles_may_come_in_any_order():
    survival, costs = fleet(40, 8)
    limits = FleetLimits(np.full(5, 2), np.full(5, 2), Money(8_000, "EUR"))
    turned = FleetCosts(
        "EUR",
        *(np.asarray(v)[::-1] for v in (costs.pack, costs.planned_work, costs.return_work)),
        0.6,
        600,
        stranding=0,
    )
    one, other = (plan_fleet(s, c, limits, gap=0.0) for s, c in ((survival, costs), (survival[::-1], turned)))
    assert one.expected_cost == pytest.approx(other.expected_cost)
    assert (one.week == other.week[::-1]).all()


def test_the_unit_of_money_does_not_change_the_plan():
    survival, costs = fleet(40, 9)
    limits = FleetLimits(np.full(5, 2), None, Money(8_000, "EUR"))
    cents = FleetCosts(
        "EUR",
        *(np.asarray(v) * 100 for v in (costs.pack, costs.planned_work, costs.return_work)),
        60.0,
        60_000.0,
        stranding=0,
    )
    one = plan_fleet(survival, costs, limits, gap=0.0)
    hundred = plan_fleet(survival, cents, FleetLimits(np.full(5, 2), None, Money(800_000, "EUR")), gap=0.0)
    assert (one.week == hundred.week).all()
    assert hundred.budget_value == pytest.approx(one.budget_value)


def test_a_plan_past_the_forecast_says_what_it_assumes():
    survival, costs = fleet(10, 1)
    short, long = (plan_fleet(survival, costs, FleetLimits(np.ones(w, dtype=int))) for w in (12, 26))
    assert not any("assumption" in line for line in short.assumptions)
    assert "weeks 13 to 26" in long.assumptions[0]
    assert "an assumption" in long.assumptions[0]


def test_what_must_not_be_driven_takes_the_first_slots_whatever_its_curve():
    survival, costs = fleet(10, 1)
    standing = np.zeros(10, dtype=bool)
    standing[survival[:, -1].argmax()] = True
    for day_off_road in (0, 60, 5_000):
        each = FleetCosts(**{**costs.__dict__, "day_off_road": day_off_road})
        plan = plan_fleet(survival, each, FleetLimits([0, 1, 1]), gap=0, standing=standing)
        assert plan.week[standing].tolist() == [1], "whatever others would save there"
        of = {name: value[~standing] for name, value in costs.__dict__.items() if isinstance(value, np.ndarray)}
        rest = plan_fleet(survival[~standing], FleetCosts(**{**costs.__dict__, **of}), FleetLimits([0, 0, 1]), gap=0)
        own = float((costs.pack + costs.planned_work)[standing][0]) + 7 * day_off_road
        assert plan.expected_cost == pytest.approx(rest.expected_cost + own)
        assert plan.gap == pytest.approx(0, abs=1e-9)
        assert "has to be replaced whatever its curve" in plan.assumptions[-1]


def test_those_that_stand_keep_to_packs_and_money_and_take_them_first():
    survival, costs = fleet(10, 1)
    standing = np.zeros(10, dtype=bool)
    standing[[2, 7]] = True
    each = FleetCosts(**{**costs.__dict__, "pack": 1_000, "day_off_road": 0})
    plan = plan_fleet(survival, each, FleetLimits([3, 3, 3], [0, 1, 1], Money(2_500, "EUR")), gap=0, standing=standing)
    assert plan.week[standing].tolist() == [1, 2]
    assert (plan.week[~standing] == NOT_PLANNED).all()
    plan = plan_fleet(survival, each, FleetLimits([3, 3, 3], budget=Money(1_500, "EUR")), gap=0, standing=standing)
    assert plan.week[standing].tolist() == [0, NOT_PLANNED]


def test_a_band_of_another_fleet_is_refused():
    survival, costs = fleet(10, 1)
    with pytest.raises(BadInput, match="as many rows"):
        plan_fleet(survival, costs, FleetLimits([1]), band_low=survival[:3], band_high=survival)


def test_no_room_and_no_vehicle_are_no_errors():
    survival, costs = fleet(10, 1)
    idle = plan_fleet(survival, costs, FleetLimits(np.zeros(4, dtype=int)))
    assert (idle.week == NOT_PLANNED).all()
    assert idle.gap == 0
    nobody = plan_fleet(survival[:0], FleetCosts("EUR", 1, 1, 1, 1, 1, 1), FleetLimits([1, 1]))
    assert nobody.expected_cost == 0


@pytest.mark.parametrize(
    "limits",
    [
        FleetLimits([]),
        FleetLimits([1, -1]),
        FleetLimits([1.5]),
        FleetLimits([1, 1], [1]),
        FleetLimits([1], [np.nan]),
        FleetLimits([1], None, Money(-5, "EUR")),
        FleetLimits([1], None, Money(5, "NOK")),
        FleetLimits(np.ones(200)),
    ],
)
def test_limits_that_are_none_are_refused(limits):
    survival, costs = fleet(5, 1)
    with pytest.raises(BadInput):
        plan_fleet(survival, costs, limits)


@pytest.mark.parametrize("time_limit_s", [20.0, 1e-6])
def test_packs_that_were_ordered_take_slots_alone(time_limit_s):
    """They draw on no money and none of the packs that arrive, and are fitted when they have come."""
    survival, costs = fleet(40, 10)
    own_from = np.full(40, NOT_ORDERED)
    own_from[::3], own_from[3] = 1, 9
    own = own_from != NOT_ORDERED
    limits = FleetLimits(np.full(5, 3), [0, 1, 0, 1, 0], Money(1_600, "EUR"))
    plan = plan_fleet(survival, costs, limits, gap=0.0, time_limit_s=time_limit_s, own_from=own_from)
    planned = plan.week != NOT_PLANNED
    assert (np.bincount(plan.week[planned], minlength=5) <= 3).all()
    bought = planned & ~own
    assert (np.bincount(plan.week[bought], minlength=5).cumsum() <= np.cumsum(limits.packs)).all()
    assert np.asarray(costs.pack)[bought].sum() <= 1_600 * (1 + 1e-6)
    assert (plan.week[planned & own] >= 1).all()
    assert plan.week[3] == NOT_PLANNED
    assert (planned & own).any()


def test_a_pack_that_lies_ready_is_weighed_by_what_fitting_it_early_takes_from_it():
    """By hand: the old pack holds to the end; a new one of 1,000 EUR in use for 14 days is then worth 900."""
    costs = FleetCosts("EUR", 1_000, 0, 50, 2, 900, 0)
    limits = FleetLimits([1, 1])
    holds = np.ones((1, len(DAYS)))
    bought = plan_fleet(holds, costs, limits)
    ready = plan_fleet(holds, costs, limits, own_from=np.array([0]))
    assert bought.saving[0] == pytest.approx([-100 - 2 * 14, -100 - 2 * 7]), "capital is spent on it besides"
    assert ready.saving[0] == pytest.approx([-100, -100])
    assert ready.cost_without_plan == 0
