"""The fleet office's questions: the database ranks as the models do, plans keep to their limits, counts are exact."""

from __future__ import annotations

from datetime import timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from sqlalchemy import select

from models.calibration.conformal import told_hold
from models.decisions.age_replacement import age_policy_from_record
from models.decisions.fleet_costs import NOT_PLANNED, FleetCosts, weekly_returns
from models.decisions.fleet_plan import FleetLimits, plan_fleet
from models.decisions.hold_curves import extended_hold
from models.decisions.money import Money
from models.survival.kaplan_meier import kaplan_meier
from service.decisions.basis.open_cases import open_cases
from service.decisions.calendar.feed import days_due
from service.decisions.fleet.week_cost import WeekCost
from service.notices.due import situation
from service.records.subjects.all_subjects import COSTS, OFFERS, SUPPLIERS
from service.store.schema import Score
from tests.service.invented_fleet import FAMILIES, fill
from tests.studies.waiting import rank_by_waiting
from training.files.families import load_families

RANKING, PLAN, RETURNS = "/v1/fleet/ranking", "/v1/fleet/plan", "/v1/fleet/returns"
VEHICLES = 40


@pytest.fixture
def fleet(api, store, clock, request):
    """Forty vehicles, or as many as a test asks for, offers for their packs, and the house's costs."""
    fill(store, getattr(request, "param", VEHICLES), clock())
    for subject in (SUPPLIERS, COSTS):
        assert api.post(f"/v1/{subject.name}", json=subject.example).status_code == 201
    for number, family in enumerate(FAMILIES):
        offer = {**OFFERS.example, "family": family, "price": 1200 + 100 * number}
        assert api.post("/v1/offers", json=offer).status_code == 201
    return api


def walk(api, **asked):
    seen, cursor = [], None
    while True:
        page = api.get(RANKING, params={"limit": 7, **asked, **({"cursor": cursor} if cursor else {})}).json()
        seen += page["items"]
        if (cursor := page["next_cursor"]) is None:
            return seen


def test_the_database_ranks_as_the_models_do(fleet, store, clock):
    seen = walk(fleet)
    with store.reading() as session:
        cases = open_cases(session, clock())
    ranking = rank_by_waiting(cases.promised, FleetCosts("EUR", 1, 180, 250, 0.5, 0, 600))
    names = [cases.cases[row].pack_id for row in ranking.order]
    assert [item["pack_id"] for item in seen] == names
    assert [item["week_cost"] for item in seen] == pytest.approx(ranking.week_cost[ranking.order].tolist())
    assert [item["week_return"] for item in seen] == pytest.approx(ranking.return_chance[ranking.order].tolist())


def test_costs_of_the_question_come_before_those_of_the_house(fleet):
    dear = walk(fleet, return_work=5000, planned_work=0, capital_per_day=0)
    chances = [item["week_return"] for item in dear]
    assert chances == sorted(chances, reverse=True)
    page = fleet.get(RANKING, params={"limit": 1, "return_work": 5000}).json()
    assert page["costs"] == {"return_work": 5000, "stranding": 600, "planned_work": 180, "capital_per_day": 0.5}
    assert page["vehicles"] == VEHICLES


@pytest.mark.parametrize("fleet", [16], indirect=True, ids=["few"])
@pytest.mark.parametrize("reverse", [False, True])
@pytest.mark.parametrize(
    "costs",
    [{}, {"planned_work": 5000}, {"capital_per_day": 400}, {"planned_work": 850}, {"return_work": 0, "stranding": 0}],
    ids=["of the house", "a return costs less", "capital outweighs", "only capital", "a return costs nothing"],
)
def test_page_by_page_the_ranking_is_the_same_as_all_at_once(fleet, costs, reverse):
    asked = {**costs, "reverse": reverse}
    (together, none_left) = (
        fleet.get(RANKING, params={"limit": 500, **asked}).json()[n] for n in ("items", "next_cursor")
    )
    assert none_left is None
    by_cost = [item["week_cost"] for item in together]
    assert by_cost == sorted(by_cost, reverse=not reverse)
    for limit in (1, 7, 15):
        assert walk(fleet, limit=limit, **asked) == together


def test_a_page_of_the_ranking_reads_few_scores_beside_its_own(fleet, store):
    cost = WeekCost(dearer=670, capital=0.5)
    with store.reading() as session:
        costs = sorted(session.scalars(select(cost.column)), reverse=True)
        for place in (0, 10, 30):
            behind = [cost.column < costs[place - 1]] if place else []
            found = cost.next_ones(session, behind, costs[place - 1] if place else None, 5, down=True)
            read = sorted(session.scalars(select(cost.column).where(*found)), reverse=True)
            assert set(costs[place : place + 5]) <= set(read)
            assert len(read) <= 8


def test_a_part_of_the_fleet_is_ranked_by_itself(fleet):
    everybody = walk(fleet)
    for asked in ({"site": "north pier"}, {"family": "marl-28"}, {"duty": "cab", "site": "hill depot"}):
        expected = [item for item in everybody if all(item[name] == value for name, value in asked.items())]
        assert walk(fleet, **asked) == expected
    assert fleet.get(RANKING, params={"site": "nowhere"}).json()["items"] == []


def test_a_vehicle_whose_topup_is_over_is_passed_over_at_once(fleet, clock):
    first = walk(fleet)[0]["pack_id"]
    fleet.post("/v1/outcomes", json={"pack_id": first, "time": clock().isoformat(), "kind": "replaced"})
    assert first not in [item["pack_id"] for item in walk(fleet)]
    assert len(walk(fleet)) == VEHICLES - 1


def test_a_cursor_is_good_for_its_own_ranking_only(fleet, problem_in):
    cursor = fleet.get(RANKING, params={"limit": 3}).json()["next_cursor"]
    for params in ({"return_work": 900}, {"site": "north pier"}):
        problem_in(fleet.get(RANKING, params={"cursor": cursor, **params}), 422)
    problem_in(fleet.get(RANKING, params={"cursor": "abc"}), 422)


def test_old_scores_are_called_old(fleet, clock):
    assert not any("Have the whole fleet forecast again" in note for note in fleet.get(RANKING).json()["notes"])
    clock.forward(days=3)
    assert any("Have the whole fleet forecast again" in note for note in fleet.get(RANKING).json()["notes"])


def test_old_forecasts_and_stopped_packs_are_said_before_the_ranking(fleet, clock):
    assert fleet.get(RANKING).json()["first"] == []
    first = walk(fleet)[0]
    (pack,) = [p for p in fleet.get("/v1/packs?limit=100").json()["items"] if p["id"] == first["pack_id"]]
    family = load_families()[pack["family"]]
    volts = [1.29 * family.cells_per_block] * family.blocks
    volts[2] -= 1.3 * 2
    hot = {"pack_id": pack["id"], "time": clock().isoformat(), "state": "rest", "temperature_c": 77, "block_v": volts}
    assert fleet.post("/v1/readings", json=hot, headers={"Sure": "*"}).status_code == 201
    told = fleet.get(RANKING).json()
    assert told["first"] == [f"1 pack stands under a stop and is not counted here: {pack['id']}. Look at it first."]
    assert pack["id"] not in [item["pack_id"] for item in walk(fleet)]
    # And before what is planned and counted without it.
    assert fleet.get(RETURNS).json()["first"] == told["first"]
    planned = fleet.post(PLAN, json={"slots": [1]}).json()
    assert planned["first"] == told["first"]
    clock.forward(days=400)
    stands, old = fleet.get(RANKING).json()["first"]
    assert stands == told["first"][0]
    assert old.startswith(f"{VEHICLES - 1} packs were not read or not forecast within 30 days, and no figure of them ")
    assert "not forecast within 30 days" in fleet.get("/fleet").text


def test_a_plan_is_the_one_the_models_make(fleet, store, clock):
    asked = {"slots": [2, 2, 2, 2], "packs": [1, 3, 0, 2], "budget": 7000, "gap": 0}
    given = fleet.post(PLAN, json=asked).json()
    with store.reading() as session:
        cases = open_cases(session, clock())
    price = np.array([1200.0 + 100 * FAMILIES.index(case.family) for case in cases.cases])
    plan = plan_fleet(
        cases.survival,
        FleetCosts("EUR", price, 180, 250, 0.5, 900, 600),
        FleetLimits([2, 2, 2, 2], [1, 3, 0, 2], Money(7000, "EUR")),
        gap=0,
        band_low=cases.band_low,
        band_high=cases.band_high,
        told=cases.told,
    )
    assert given["expected_cost"] == pytest.approx(plan.expected_cost)
    assert given["cost_without_plan"] == pytest.approx(plan.cost_without_plan)
    assert given["gap"] <= 1e-6
    for week, told in enumerate(given["weeks"]):
        assert {one["pack_id"] for one in told["planned"]} == {
            cases.cases[row].pack_id for row in np.flatnonzero(plan.week == week)
        }
        assert (told["mean"], told["low"], told["high"]) == pytest.approx(
            (plan.returns.mean[week], plan.returns.low[week], plan.returns.high[week])
        )
        assert len(told["planned"]) <= told["slots"]
    assert given["spent"] <= 7000
    saved = sum(one["saves"] for told in given["weeks"] for one in told["planned"])
    assert saved == pytest.approx(given["cost_without_plan"] - given["expected_cost"])
    assert given["pack_prices"] == {family: 1200 + 100 * n for n, family in enumerate(FAMILIES)}


def test_the_cautions_are_those_of_the_chemistries_in_the_answer(fleet):
    """Every answer of the fleet brought the cautions of both, lithium among those of an alkaline pack."""
    lithium = "thermal runaway"
    asked = [
        fleet.get(RANKING).json(),
        fleet.get(RETURNS).json(),
        fleet.post(PLAN, json={"slots": [1]}).json(),
        fleet.post("/v1/families/gravel-14/stock", json={"on_shelf": 1, "new_cases_per_day": 0.1}).json(),
    ]
    assert not any(lithium in " ".join(given["cautions"]).lower() for given in asked)
    assert all("caustic" in " ".join(given["cautions"]) for given in asked)


def test_no_word_of_a_plan_calls_it_cheap_to_drive_on_where_nothing_is_promised(fleet, clock):
    clock.forward(days=20)
    left = fleet.post(PLAN, json={"slots": [1], "costs": {"stranding": 0, "return_work": 0}}).json()["left"]
    past = [one["reason"] for one in left if "would cost" in one["reason"]]
    assert any(reason.startswith("Not one more day of it can be promised: read all its blocks") for reason in past)
    assert not any(reason.startswith("Waiting") for reason in past)


def test_a_plan_without_time_is_still_within_its_limits(fleet):
    given = fleet.post(PLAN, json={"slots": [2, 2, 2], "time_limit_s": 1e-3}).json()
    assert all(len(week["planned"]) <= 2 for week in given["weeks"])
    assert given["gap"] >= 0
    assert given["planned"] > 0


@pytest.mark.parametrize("fleet", [12], indirect=True, ids=["few"])
def test_an_offer_below_what_a_pack_is_still_good_for_sets_no_price_and_refuses_no_plan(fleet):
    before = fleet.post(PLAN, json={"slots": [2, 2]}).json()
    cheap = {**OFFERS.example, "family": FAMILIES[0], "price": 1.0}
    assert fleet.post("/v1/offers", json=cheap, headers={"Sure": "*"}).status_code == 201
    after = fleet.post(PLAN, json={"slots": [2, 2]})
    assert after.status_code == 200, after.text
    assert after.json()["pack_prices"] == before["pack_prices"]
    for offer in fleet.get("/v1/offers").json()["items"]:
        if (offer["family"], offer["price"]) == (FAMILIES[0], 1200):
            assert fleet.delete(f"/v1/offers/{offer['id']}", headers={"Sure": "*"}).status_code == 204
    told = fleet.post(PLAN, json={"slots": [2, 2]})
    assert told.status_code == 422
    assert f"the family {FAMILIES[0]} asks less than the EUR 900 that an unneeded pack" in told.json()["detail"]


def test_a_plan_that_cannot_be_is_told(fleet, problem_in):
    cases = [
        ({"slots": [2, 2], "budget": 900}, "buys no pack: the cheapest costs EUR 1,200."),
        ({"slots": [0, 0]}, "no slot in any week"),
        ({"slots": [1, 1], "packs": [0, 0]}, "brings no pack"),
        ({"slots": [1, 1], "packs": [1]}, "Give one number a week"),
        ({"slots": []}, "slots"),
        ({"slots": [1], "site": "nowhere"}, "have the whole fleet forecast"),
        ({"slots": [1], "costs": {"currency": "USD"}}, "in USD"),
        ({"slots": [1], "time_limit_s": 600}, "This is more than 60."),
    ]
    for asked, words in cases:
        assert words in problem_in(fleet.post(PLAN, json=asked), 422)["detail"]


def test_missing_costs_are_named_one_by_one(fleet, problem_in):
    fleet.patch("/v1/costs/house", json={"return_work": None, "planned_work": None})
    assert len(problem_in(fleet.get(RANKING), 422)["problems"]) == 2
    assert len(problem_in(fleet.post(PLAN, json={"slots": [1]}), 422)["problems"]) == 2


def test_returns_are_counted_as_the_models_count_them(fleet, store, clock):
    given = fleet.get(RETURNS, params={"weeks": 14}).json()
    with store.reading() as session:
        cases = open_cases(session, clock())
    curves = (cases.survival, cases.band_low, cases.band_high)
    hold, low, high = (told_hold(extended_hold(curve, 98, every=7), cases.told) for curve in curves)
    told = weekly_returns(hold, np.full(VEHICLES, NOT_PLANNED), 0.9, low, high)
    assert [week["mean"] for week in given["weeks"]] == pytest.approx(told.mean.tolist())
    assert [(week["low"], week["high"]) for week in given["weeks"]] == list(zip(told.low, told.high, strict=True))
    assert "Past day 90" in given["assumptions"][2]
    assert sum(week["mean"] for week in given["weeks"]) <= VEHICLES
    assert fleet.get(RETURNS, params={"site": "nowhere"}).json()["vehicles"] == 0


def test_an_age_rests_on_the_own_record(fleet, problem_in, clock):
    at = "/v1/families/gravel-14/age-policy"
    assert "came back; an age takes" in problem_in(fleet.get(at), 422)["detail"]
    unknown = problem_in(fleet.get("/v1/families/none/age-policy"), 422)["detail"]
    assert "The family 'none' is not known." in unknown
    held, returned = [], []
    for number in range(14):
        pack = {"id": f"MB-OLD-{number}", "family": "gravel-14"}
        start = clock() - timedelta(days=200)
        end = start + timedelta(days=20 + number)
        fleet.post("/v1/packs", json=pack)
        fleet.post("/v1/topups", json={"pack_id": pack["id"], "time": start.isoformat(), "blocks": [2]})
        kind = "replaced" if number % 7 == 3 else "returned"
        fleet.post("/v1/outcomes", json={"pack_id": pack["id"], "time": end.isoformat(), "kind": kind})
        held.append(20.0 + number)
        returned.append(kind == "returned")
    given = fleet.get(at).json()
    open_ones = [number for number in range(VEHICLES) if number % 3 == 0]
    assert (given["topups"], given["returns"]) == (14 + len(open_ones), 12)
    rng = np.random.default_rng(1)
    rng.uniform(0.9, 2.2, VEHICLES), rng.lognormal(np.log(25), 0.7, VEHICLES)
    waited = rng.uniform(0, 9, VEHICLES)[open_ones]
    curve = kaplan_meier([*held, *waited], [*returned, *[False] * len(open_ones)])
    policy = age_policy_from_record(curve, 1200 + 180, 1200 + 850)
    assert given["replace_on_day"] == pytest.approx(policy.age, abs=1e-3)
    assert given["cost_per_day"] == pytest.approx(policy.cost_rate, rel=1e-4)


def damaged(fleet, clock, pack_id: str) -> None:
    """Have somebody see damage at a pack."""
    family = load_families()[fleet.get(f"/v1/packs/{pack_id}").json()["family"]]
    seen = {"pack_id": pack_id, "time": clock().isoformat(), "state": "rest", "block_v": [None] * family.blocks}
    assert fleet.post("/v1/readings", json={**seen, "inspected": "damaged"}).status_code == 201


def test_a_pack_that_has_to_be_replaced_comes_first_in_plan_and_queue(fleet, clock):
    """Damage that was seen left the pack out of both: the surest case for a new pack had no slot and no order."""
    plain = fleet.post(PLAN, json={"slots": [2, 2], "gap": 0}).json()
    last = plain["left"][-1]["pack_id"]
    damaged(fleet, clock, last)
    plan = fleet.post(PLAN, json={"slots": [2, 2], "gap": 0}).json()
    one = plan["weeks"][0]["planned"][0]
    assert (one["pack_id"], one["needs_pack"], one["risk"]) == (last, True, [])
    assert one["saves"] == pytest.approx(60 * 14), "a car that stands"
    assert plan["first"][0].endswith(f"they take the first slots: {one['vehicle_id'] or last}.")
    assert not any("under a stop" in said for said in plan["first"]), "it is counted here"
    assert "under a stop" in fleet.get(RANKING).json()["first"][0]
    costs = {"day_off_road": 0, "stranding": 90_000}
    dear = fleet.post(PLAN, json={"slots": [1], "gap": 0, "costs": costs}).json()
    assert [one["pack_id"] for one in dear["weeks"][0]["planned"]] == [last], "whatever others would save"
    queue = fleet.post("/v1/orders/queue", json={}).json()
    first = queue["entries"][0]
    assert (first["pack_id"], first["needs_pack"], first["latest_day"]) == (last, True, 0)
    assert first["expected_cost"] is None
    assert (
        first["reasons"][-1]
        == first["last_day"]
        == ("It needs another pack: order today, from north-quay, who comes soonest.")
    )
    assert last not in [one["pack_id"] for one in queue["left_out"]]
    page = fleet.get("/parts").text
    assert page.index("It needs another pack: order today") < page.index("A week later costs")
    assert "has to be replaced" in fleet.get("/fleet/plan", params={"slots": "2", "weeks": "2"}).text
    assert fleet.get("/parts/queue.csv").status_code == 200
    for by in ("week_later", "fault_first_today", "name", "latest"):
        assert fleet.get("/parts", params={"sort": by}).status_code == 200
    order = {"supplier_id": "north-quay", "family": first["family"], "pack_id": last, "ordered_at": clock().isoformat()}
    assert fleet.post("/v1/deliveries", json=order).status_code == 201
    later = fleet.post("/v1/orders/queue", json={}).json()
    assert last in [one["pack_id"] for one in later["on_order"]]
    assert last not in [one["pack_id"] for one in later["entries"]]


def down_in_calendar(fleet, clock) -> list[tuple[str, bool]]:
    """What calendar and notices tell of vehicles that are down, or that nobody heard of since."""
    with fleet.app.state.store.reading() as session:
        days = list(days_due(session, clock(), ZoneInfo("UTC"), load_families(None)))
        told = situation(session, clock(), ZoneInfo("UTC"), load_families(None), None).days
    words = ("is down", "Enter what became of", "expected from")
    found = [(day.summary, day.grave) for day in days if any(word in day.summary for word in words)]
    notices = [(due.title, due.about == "stop") for due in told if any(word in due.title for word in words)]
    assert notices == found
    return found


def test_a_car_that_is_down_comes_first_in_queue_plan_and_stock_until_it_is_charged_or_supplied(fleet, clock):
    """Its fault back and no pack fitted yet, it stood in no queue, no plan and no count of packs wanted."""
    (last, family), *_rest = [
        (one["pack_id"], one["family"]) for one in fleet.post(PLAN, json={"slots": [1], "gap": 0}).json()["left"]
    ][::-1]
    stock, asked = f"/v1/families/{family}/stock", {"on_shelf": 0, "new_cases_per_day": 0.1}
    before = fleet.post(stock, json=asked).json()
    back = {"pack_id": last, "time": (clock() - timedelta(minutes=30)).isoformat(), "kind": "returned", "code": "P0A80"}
    made = fleet.post("/v1/outcomes", json=back)
    assert made.status_code == 201, made.text

    def counts() -> tuple[int, int, int, int]:
        queue = fleet.post("/v1/orders/queue", json={"family": family}).json()
        at_once = sum(one["needs_pack"] for one in queue["entries"])
        plan = fleet.post(PLAN, json={"slots": [2, 2], "gap": 0, "family": family}).json()
        planned = sum(one["needs_pack"] for week in plan["weeks"] for one in week["planned"])
        given = fleet.post(stock, json=asked).json()
        return at_once, planned, len(queue["entries"]), given["open_cases"]

    queue = fleet.post("/v1/orders/queue", json={}).json()
    first = queue["entries"][0]
    assert (first["pack_id"], first["needs_pack"], first["latest_day"], first["expected_cost"]) == (last, True, 0, None)
    day = (clock() - timedelta(minutes=30)).date().isoformat()
    assert first["reasons"][0] == f"It is down: its fault came back on {day}, and nothing was charged since."
    assert first["reasons"][1].startswith("It needs another pack: order today, from ")
    at_once, planned, entries, counted = counts()
    assert (at_once, planned) == (1, 1)
    assert entries == counted == before["open_cases"], "it left the open cases and waits as one that is down"
    plan = fleet.post(PLAN, json={"slots": [2, 2], "gap": 0}).json()
    assert plan["first"][0].startswith("They are down with their fault back, so they take the first slots: ")
    assert plan["weeks"][0]["planned"][0]["pack_id"] == last
    today = [one for one in queue["entries"] if one["latest_day"] in (None, 0)]
    words = "One pack is" if len(today) == 1 else f"{len(today)} packs are"
    assert f"{words} to be ordered today." in fleet.get("/").text, "today's board counts the queue's"
    assert "It is down: its fault came back" in fleet.get("/parts").text
    # Where it stands in no list it is named before the others: ranking, returns, calendar and notices agree.
    for answer in (fleet.get(RANKING), fleet.get(RETURNS)):
        assert answer.json()["first"][0].startswith(
            "1 vehicle is down with its fault back, and is not in these figures"
        )
        assert last in answer.json()["first"][0]
    assert down_in_calendar(fleet, clock) == [(f"{last} is down: order a pack for it", True)]
    order = {"supplier_id": "north-quay", "family": family, "pack_id": last, "ordered_at": clock().isoformat()}
    made = fleet.post("/v1/deliveries", json=order)
    assert made.status_code == 201
    queue = fleet.post("/v1/orders/queue", json={}).json()
    assert last in [one["pack_id"] for one in queue["on_order"]]
    assert counts()[0] == 0
    ((said, grave),) = down_in_calendar(fleet, clock)
    assert (said, grave) == (f"Pack for {last} expected from north-quay", False)
    assert fleet.delete(f"/v1/deliveries/{made.json()['id']}").status_code == 204
    assert counts()[0] == 1
    # Past the days in which decisions go by what was entered nobody knows: it is asked, and not left out in silence.
    clock.forward(days=31)
    queue = fleet.post("/v1/orders/queue", json={}).json()
    assert last not in [one["pack_id"] for one in queue["entries"]]
    assert any("came back with" in note and last in note and "Enter what became of" in note for note in queue["notes"])
    plan = fleet.get(RETURNS).json()
    assert any("came back with" in said and last in said for said in plan["first"])
    assert (f"Enter what became of {last}", False) in down_in_calendar(fleet, clock)
    clock.forward(days=-31)
    again = {"pack_id": last, "time": (clock() - timedelta(minutes=10)).isoformat(), "blocks": [2], "charge_ah": 0.5}
    assert fleet.post("/v1/topups", json=again).status_code == 201
    assert counts()[:2] == (0, 0), "charged again it is an open case like any other"


def test_a_pack_on_order_is_not_bought_again(fleet, clock):
    """The plan bought a second pack for two of eleven vehicles and did not say so; the queue knew of both."""
    asked = {"slots": [3, 3], "packs": [2, 2], "gap": 0}
    before = fleet.post(PLAN, json=asked).json()
    first, second = (one["pack_id"] for one in before["weeks"][0]["planned"][:2])
    family = {one["pack_id"]: one["family"] for week in before["weeks"] for one in week["planned"]}
    came, ordered = (clock() - timedelta(days=days) for days in (0.5, 6))
    for pack_id, arrived in ((first, came.isoformat()), (second, None)):
        order = {"supplier_id": "north-quay", "family": family[pack_id], "pack_id": pack_id}
        order |= {"ordered_at": ordered.isoformat(), "arrived_at": arrived}
        assert fleet.post("/v1/deliveries", json=order).status_code == 201
    plan = fleet.post(PLAN, json=asked).json()
    planned = {one["pack_id"]: (week["week"], one) for week in plan["weeks"] for one in week["planned"]}
    assert planned[first][1]["pack_on_order"] == "arrived"
    assert planned[first][0] == 1, "it can be fitted at once"
    assert planned[second][1]["pack_on_order"] == "coming"
    to_buy = [one["family"] for _week, one in planned.values() if one["pack_on_order"] is None]
    assert plan["spent"] == pytest.approx(sum(plan["pack_prices"][family] for family in to_buy))
    assert len(to_buy) == 4, "the packs that arrive are left to the others"
    assert plan["first"][:2] == [
        f"A pack has come and waits to be fitted, so none is bought again: {first}.",
        f"A pack is on order, so none is bought again: {second}.",
    ]
    alone = fleet.post(PLAN, json={"slots": [3], "budget": 0}).json()
    assert [one["pack_id"] for one in alone["weeks"][0]["planned"]] == [first], "money is asked of others alone"
    ranking = {item["pack_id"]: item["pack_on_order"] for item in walk(fleet)}
    assert {pack_id: state for pack_id, state in ranking.items() if state} == {first: "arrived", second: "coming"}
    for given in (fleet.get(RANKING).json(), fleet.get(RETURNS).json()):
        assert given["first"][:2] == plan["first"][:2]
    stock = fleet.post(f"/v1/families/{family[first]}/stock", json={"on_shelf": 1, "new_cases_per_day": 0.1}).json()
    assert stock["arrived_for_vehicles"] == 1
    assert "1 pack that came for a vehicle waits to be fitted: do not count it on the shelf." in stock["sentence"]
    assert "its pack has come: fit it" in fleet.get("/fleet/plan", params={"slots": "3", "weeks": "2"}).text
    assert "its pack has come: fit it" in fleet.get("/fleet").text


def test_costs_of_nothing_give_no_stock_and_say_so_in_the_words_of_the_question(fleet, problem_in):
    """ "shortage_cost 0.0 and surplus_cost 0.0 give no ratio": names that nobody had sent."""
    asked = {"on_shelf": 0, "new_cases_per_day": 0.1, "costs": {"day_off_road": 0, "capital_per_day": 0}}
    (problem,) = problem_in(fleet.post("/v1/families/gravel-14/stock", json=asked), 422)["problems"]
    assert problem["where"] == "costs.day_off_road"
    assert "capital_per_day are both 0" in problem["what"]


def test_a_plan_keeps_no_slot_for_what_has_to_be_read_first(fleet, store, clock):
    """A car read at 55 °C was given a pack in week 1, before one of which 67 in 100 are back by then."""
    first = fleet.post(PLAN, json={"slots": [1, 1], "gap": 0}).json()["weeks"][0]["planned"][0]["pack_id"]
    with store.writing() as session:
        session.get_one(Score, first).grave = True
    plan = fleet.post(PLAN, json={"slots": [1, 1], "gap": 0}).json()
    assert first not in [one["pack_id"] for week in plan["weeks"] for one in week["planned"]]
    assert plan["planned"] == 2
    assert plan["vehicles"] == VEHICLES - 1, "it is counted as little as in the returns"
    left = plan["left"][0]
    assert (left["pack_id"], left["would_save"], left["risk"]) == (first, None, [])
    assert left["reason"].startswith("Do not drive it")
    assert left["reason"].endswith("It gets a week once it was read and a new forecast is kept.")
    assert plan["first"][-1].startswith("Read first, and plan again after that: ")
    # It said that "1 more are left until their fault returns", and to choose a family where one was chosen.
    assert not any("Only the" in note for note in plan["notes"])


def test_what_must_not_be_driven_comes_first_in_the_whole_ranking_not_on_its_page_alone(fleet, store):
    """The store's order did not know it: such a car stood at the head of the fifth page."""
    plain = [item["pack_id"] for item in walk(fleet)]
    grave = [plain[30], plain[12]]
    with store.writing() as session:
        for pack_id in grave:
            session.get_one(Score, pack_id).grave = True
    rest = [pack_id for pack_id in plain if pack_id not in grave]
    for limit in (1, 7, VEHICLES):
        seen = walk(fleet, limit=limit)
        assert [item["pack_id"] for item in seen] == [grave[1], grave[0], *rest]
        assert [item["grave"] for item in seen[:3]] == [True, True, False]
    assert {item["pack_id"] for item in walk(fleet, reverse=True)[-2:]} == set(grave)
    assert {item["pack_id"] for item in walk(fleet, order="good_until")[:2]} == set(grave)
    names = [item["vehicle_id"] or item["pack_id"] for item in walk(fleet, order="name")]
    assert names == sorted(names)


def test_what_is_too_old_is_told_once_on_the_page(fleet, clock):
    """Two notices said the same of the same packs, each with a count of its own."""
    clock.forward(days=40)
    page = fleet.get("/fleet").text
    assert page.count("30 days") == 1
    assert "without a forecast or a reading from the last" not in page


def test_stock_and_queue_count_the_same_cases_and_say_what_the_other_counts(fleet, clock):
    """Stock and queue each told a number of packs to order, and neither said how the two go together."""
    family = "gravel-14"
    stock, queue = f"/v1/families/{family}/stock", "/v1/orders/queue"
    damaged(fleet, clock, [item["pack_id"] for item in walk(fleet, family=family)][-1])

    def told() -> tuple[dict, list[dict], list[str]]:
        given = fleet.post(stock, json={"on_shelf": 0, "new_cases_per_day": 0.1}).json()
        asked = fleet.post(queue, json={"family": family}).json()
        return given, asked["entries"], asked["notes"]

    before, entries, notes = told()
    assert before["open_cases"] == len(entries)
    assert entries[0]["needs_pack"]
    assert any("are the entries of the order queue" in said for said in before["basis"])
    assert any(said.startswith("A pack on the shelf is not counted here") for said in notes)
    order = {"supplier_id": "north-quay", "family": family, "ordered_at": clock().isoformat()}
    for entry in entries[:2]:
        assert fleet.post("/v1/deliveries", json={**order, "pack_id": entry["pack_id"]}).status_code == 201
    after, entries, notes = told()
    assert after["open_cases"] == len(entries) == before["open_cases"] - 2
    assert after["expected_demand"] < before["expected_demand"] - 1, "one was wanted at once"
    assert fleet.post("/v1/deliveries", json=order).status_code == 201
    assert any("On order for the shelf: gravel-14: 1." in said for said in told()[2])


@pytest.mark.parametrize(
    ("typed", "where", "said"),
    [
        ({"slots": "abc"}, "slots", "abc is not a whole number."),
        ({"slots": "2, x, y, x"}, "slots", "x, y is not a whole number."),
        ({"slots": "2", "packs": "-1"}, "packs", "-1 is not a whole number."),
        ({"slots": "2", "weeks": "many"}, "weeks", "many is no number of weeks."),
        ({"slots": "2", "weeks": "0"}, "weeks", "0 is no number of weeks."),
        ({"slots": "2", "weeks": "999"}, "weeks", "999 is no number of weeks."),
    ],
)
def test_a_word_for_a_number_is_told_once_at_its_field(fleet, typed, where, said):
    """ "abc" slots for eight weeks gave the same error eight times, and weeks that are no number went by unsaid."""
    answer = fleet.get("/fleet/plan", params=typed)
    assert answer.status_code == 422
    assert answer.text.count(said) == 2, "above the form and at its field"
    assert f'id="{where}-wrong"' in answer.text


def test_open_cases_without_a_forecast_are_told_with_every_figure_and_the_same_everywhere(fleet, store, clock):
    """Twelve topped up over REST and not scored stood in the queue alone; one warned of counted here and not there."""
    with store.writing() as session:
        warned = session.scalars(select(Score).where(Score.family == "gravel-14").order_by(Score.pack_id)).first()
        warned.grave = True
    for number in range(12):
        pack = f"MB-CAB-{number:02}-P1"
        topup = {"pack_id": pack, "time": "2026-03-10T12:00:00Z", "blocks": [3], "charge_ah": 0.4}
        assert fleet.post("/v1/packs", json={"id": pack, "family": "gravel-14"}).status_code == 201
        assert fleet.post("/v1/topups", json=topup).status_code == 201
    of_family = {"family": "gravel-14"}
    queue = fleet.post("/v1/orders/queue", json=of_family).json()
    assert sum("no forecast of it is kept" in case["reason"] for case in queue["left_out"]) == 12
    said = "12 open cases are not weighed: 12 without a kept forecast. The order queue says what each needs."
    held = "1 vehicle that has to be looked at, read or forecast anew first is not counted in these figures."
    asked = {"on_shelf": 1, "new_cases_per_day": 0.1}
    stock = fleet.post("/v1/families/gravel-14/stock", json=asked).json()
    assert stock["open_cases"] == len(queue["entries"])
    assert f"{held} {said}" in stock["sentence"]
    plan = fleet.post(PLAN, json={"slots": [0, 1], **of_family}).json()
    returns = fleet.get(RETURNS, params={"weeks": 2, **of_family}).json()
    for answer in (plan, returns):
        assert {said, held} <= set(answer["first"])
    assert said in fleet.get(RANKING, params=of_family).json()["first"]
    assert plan["vehicles"] == returns["vehicles"] == len(queue["entries"])
    # Nothing is replaced in a week without a slot: both count the same returns of the same vehicles.
    first = [{name: answer["weeks"][0][name] for name in ("mean", "low", "high")} for answer in (plan, returns)]
    assert first[0] == pytest.approx(first[1])
    with store.writing() as session:
        silent = session.scalars(select(Score).where(Score.family == "gravel-14", ~Score.grave)).first()
        silent.origin = silent.seen_at = clock() - timedelta(days=31)
    queue = fleet.post("/v1/orders/queue", json=of_family).json()
    stock = fleet.post("/v1/families/gravel-14/stock", json=asked).json()
    said = "13 open cases are not weighed: 12 without a kept forecast, 1 not read or not forecast within 30 days."
    assert len(queue["left_out"]) == 13 + 1
    assert said in stock["sentence"]
    assert any(line.startswith(said) for line in fleet.get(RETURNS, params=of_family).json()["first"])
    assert stock["open_cases"] == len(queue["entries"])
    assert not any(
        "are not weighed" in line for line in fleet.get(RETURNS, params={"family": "flint-40"}).json()["first"]
    )
    assert not any("no forecast" in case["reason"] for case in fleet.post(
        "/v1/orders/queue", json={"family": "flint-40"}).json()["left_out"])  # fmt: skip
