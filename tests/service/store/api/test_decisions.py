"""Release, ordering and stock over REST: the figures of the models' functions, and what is missing said plainly."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import update

from models.decisions.lead_time import Delivery, Quote, lead_time
from models.decisions.money import Money
from models.decisions.ordering import Costs, Offer, latest_order_days, plan_orders
from models.decisions.release import release_risk
from models.decisions.stock import critical_ratio, lead_time_demand, stock_for_service
from service.decisions.basis.lead_times import on_order
from service.decisions.basis.open_cases import open_case, open_cases
from service.decisions.ordering.queue import MOST_CASES, MOST_LOOKED_AT
from service.records.subjects.suppliers import OFFERS
from service.store.schema import Score
from tests.service.invented_fleet import fill
from tests.service.stored_rows import Rows, put_rows, rows_in

VAN = "/v1/packs/MB-VAN-07"
COSTS = {"currency": "EUR", "stranding": 600, "day_off_road": 60, "capital_per_day": 0.5, "return_value": 900}
EXPRESS = {
    "supplier_id": "north-quay",
    "family": "gravel-14",
    "currency": "EUR",
    "price": 1450,
    "express_fee": 190,
    "usual_days": 3,
    "earliest_days": 2,
    "latest_days": 5,
    "quoted_at": "2026-02-27T10:00:00Z",
}


@pytest.fixture(scope="module")
def rows_of_out() -> dict[str, Rows]:
    """By database: what a store holds with the van out; nothing until it was sent."""
    return {}


@pytest.fixture
def out(api, store, backend, rows_of_out, request):
    """The worked examples, the van still out on its top-up, read after it and forecast: sent once for each database."""
    if backend in rows_of_out:
        put_rows(store, rows_of_out[backend])
        return api
    filled = request.getfixturevalue("filled")
    filled.delete("/v1/outcomes/1?reason=a+slip")
    reading = {"pack_id": "MB-VAN-07", "time": "2026-03-02T18:30:00Z", "state": "rest", "block_v": [12.9] * 14}
    assert filled.post("/v1/readings", json=reading).status_code == 201
    assert filled.post(f"{VAN}/forecasts", json={}).status_code == 201
    rows_of_out[backend] = rows_in(store)
    return filled


def test_a_release_tells_the_chance_the_kilometres_and_the_conditions(out, store, clock):
    with store.writing() as session:
        session.get_one(Score, "MB-VAN-07").good_until = clock() + timedelta(days=2)
    given = out.post(f"{VAN}/release", json={"in_days": 7, "km_per_day_low": 10, "km_per_day_high": 30}).json()
    with store.reading() as session:
        case = open_case(session, "MB-VAN-07", clock())
    stated = lead_time("x", Quote(7))
    risk = release_risk(case.promised, stated, 22, 10, 30, *case.promised_band)
    assert given["get_there"] == pytest.approx(float(risk.get_there[0]))
    assert (given["band_low"], given["band_high"]) == pytest.approx((float(risk.low[0]), float(risk.high[0])))
    assert given["km"] == {"early": 70, "middle": 154, "late": 210}, "22 km a day in the newest plan of use"
    # Two days are promised and the pack comes in seven: it opened with the chance and with 154 km.
    after = "The replacement is expected after that: nothing is promised of the days between."
    assert given["sentence"] == " ".join([given["conditions"][0], after, risk.sentences[0]])
    soon = out.post(f"{VAN}/release", json={"in_days": 1}).json()["sentence"]
    assert soon.startswith("Promise it until 2026-03-")
    assert after not in soon
    assert given["conditions"][1:] == list(risk.conditions)
    assert given["conditions"][0].startswith("Promise it until 2026-03-")
    assert any("licensed" in caution for caution in given["cautions"])
    on_a_date = out.post(f"{VAN}/release", json={"promised": "2026-03-21"}).json()
    assert on_a_date["get_there"] == given["get_there"]


def test_no_chance_and_no_distance_is_told_where_the_forecast_does_not_let_it_go(out, store, clock):
    """It opened with "About 71 in 100 ... 154 km", where the forecast said not to let it go."""
    origin = datetime.fromisoformat(out.get("/v1/issued-forecasts/1").json()["origin"])
    for held, verb in ((0, "By these figures do not let it go: not even one day"), (2, "Do not let it go: what was")):
        with store.writing() as session:
            session.get_one(Score, "MB-VAN-07").good_until = origin + timedelta(days=held)
        given = out.post(f"{VAN}/release", json={"in_days": 7, "km_per_day": 22}).json()
        for said in (given["first"][0], given["sentence"], given["conditions"][0]):
            assert said.startswith(verb)
        assert {given[name] for name in ("get_there", "get_there_at_most", "band_low", "band_high", "good_until")} == {
            None
        }
        assert given["km"] == {"early": None, "middle": None, "late": None}
        assert given["days"]["middle"] == 7, "when the replacement comes is told"
        assert " in 100 " not in given["sentence"]
        assert " km" not in given["sentence"]
        assert not any("before it leaves" in condition for condition in given["conditions"])
        page = out.get("/bench/units/MB-VAN-07/way?in_days=7&km_per_day=22").text
        assert verb in page
        assert "154 km" not in page


@pytest.mark.parametrize("door", ["release", "orders"])
def test_nothing_is_promised_of_a_pack_whose_family_is_gone(out, problem_in, door):
    """Its file was removed, and it was promised on: what stops it could not be told any more."""
    sent = {"in_days": 7} if door == "release" else {}
    assert out.post(f"{VAN}/{door}", json=sent).status_code == 200
    families = out.app.state.families
    out.app.state.families = {name: family for name, family in families.items() if name != "gravel-14"}
    try:
        document = problem_in(out.post(f"{VAN}/{door}", json=sent), 409)
    finally:
        out.app.state.families = families
    assert "The family 'gravel-14' of pack MB-VAN-07 is not known here any more" in document["detail"]


def test_a_day_is_promised_until_the_hour_at_which_the_forecast_ends(out, store, clock):
    with store.reading() as session:
        last = session.get_one(Score, "MB-VAN-07").good_until
    # The same hour: the moment that the forecast says, not a count that loses a day for the minutes since.
    clock.now = datetime.fromisoformat(out.get("/v1/issued-forecasts/1").json()["origin"]) + timedelta(minutes=40)
    days = int(out.get("/v1/issued-forecasts/1").json()["good_for_days"])
    told = out.post(f"{VAN}/release", json={"in_days": 7}).json()
    assert told["good_until"] == (last.isoformat().replace("+00:00", "Z") if days else None)
    said = told["conditions"][0]
    assert said.startswith(f"Promise it until {last:%Y-%m-%d %H:%M}" if days else "By these figures do not let it go")


def test_a_stored_and_a_sent_pack_risk_the_same(out, van_case, clock):
    clock.now = datetime.fromisoformat(out.get("/v1/issued-forecasts/1").json()["origin"])
    van_case.pop("replacement_in_days")
    history = out.get(f"{VAN}/history").json()
    arrival = {"lead_time": {"usual_days": 9, "earliest_days": 6, "latest_days": 21, "past": [{"days": 12}]}}
    stored = out.post(f"{VAN}/release", json=arrival).json()
    sent = out.post("/v1/release", json={"case": {"history": history}, **arrival}).json()
    for name in ("get_there", "band_low", "band_high", "days", "km", "sentence", "conditions"):
        assert (
            sent[name] == pytest.approx(stored[name]) if isinstance(sent[name], float) else sent[name] == stored[name]
        )
    offer = {name: EXPRESS[name] for name in ("currency", "price", "express_fee", "usual_days", "latest_days")}
    sent = {"case": {"history": history}, "offers": [{"supplier": "north-quay", **offer, "earliest_days": 2}]}
    alone = out.post("/v1/orders", json={**sent, "costs": COSTS}).json()
    out.delete("/v1/offers/1")
    out.post("/v1/offers", json=EXPRESS)
    kept = out.post(f"{VAN}/orders", json={"costs": COSTS}).json()
    assert alone["offers"][0]["cost_at_most"] == pytest.approx(kept["offers"][0]["cost_at_most"])
    assert alone["reasons"] == kept["reasons"]
    assert alone["cheapest"] == kept["cheapest"]


def test_the_order_on_record_tells_when_the_pack_comes(out, problem_in, clock, store):
    said = problem_in(out.post(f"{VAN}/release", json={}), 422)
    assert "no order for this pack is on record" in said["detail"]
    assert "record the order" in said["problems"][0]["mend"]
    order = {"supplier_id": "north-quay", "family": "gravel-14", "pack_id": "MB-VAN-07"}
    out.post("/v1/deliveries", json={**order, "ordered_at": "2026-03-10T09:00:00Z"})
    given = out.post(f"{VAN}/release", json={}).json()
    assert "The order has been open for 4 days." in given["basis"][0]
    assert given["days"]["early"] >= 1
    orders = out.post(f"{VAN}/orders", json={}).json()
    with store.reading() as session:
        case = open_case(session, "MB-VAN-07", clock())
        comes = on_order(session, case.topped_at, clock())["MB-VAN-07"].lead_time
    chance = 1 - float(release_risk(case.promised, comes).get_there[0])
    assert orders["on_order"]["fault_first"] == pytest.approx(chance)
    assert orders["first"][0].startswith(
        "A pack is ordered already, from north-quay on 2026-03-10: order nothing more."
    )
    assert (orders["safe"] is None) == (not orders["keeps_to_risk"]), "what keeps to no risk is no safe order"
    queue = out.post("/v1/orders/queue", json={}).json()
    assert queue["entries"] == []
    assert [case["pack_id"] for case in queue["on_order"]] == ["MB-VAN-07"]
    (number,) = (item["id"] for item in out.get("/v1/deliveries?pack_id=MB-VAN-07").json()["items"])
    out.patch(f"/v1/deliveries/{number}", json={"arrived_at": clock().isoformat()})
    here = out.post("/v1/orders/queue", json={}).json()
    assert here["entries"] == [], "a pack that has come for a case need not be ordered again"
    assert "waits to be fitted" in here["on_order"][0]["basis"]
    fitted = out.post(f"{VAN}/release", json={}).json()
    assert fitted["days"]["late"] == 0
    assert "The replacement is there, or comes today." in fitted["sentence"]
    assert " 0 days" not in fitted["sentence"]
    assert out.post(f"{VAN}/orders", json={}).json()["first"][0].startswith("The pack is here")
    out.patch(f"/v1/deliveries/{number}", json={"arrived_at": None})
    clock.forward(days=17)
    late = out.post(f"{VAN}/release", json={})
    assert "Ask the supplier for a new date" in problem_in(late, 422)["detail"]


def test_an_arrival_that_cannot_be_is_told(out, problem_in):
    cases = [
        ({"promised": "2026-03-01"}, "that promise has passed"),
        ({"lead_time": {}}, "has neither a quote nor a delivery on record"),
        ({"lead_time": {"past": [{"days": 3, "arrived": False}]}}, "its one order on record has not arrived"),
        ({"lead_time": {"usual_days": 5, "latest_days": 3}}, "are not in order"),
        ({"lead_time": {"latest_days": 3}}, "Give the usual days"),
        ({"in_days": 3, "promised": "2026-03-20"}, "Give one of them"),
        ({"in_days": -1}, "This is less than 0."),
        ({"in_days": 3, "km_per_day": 10, "km_per_day_high": 5}, "low, usual, high"),
    ]
    for asked, words in cases:
        assert words in problem_in(out.post(f"{VAN}/release", json=asked), 422)["detail"]


def test_offers_side_by_side_are_weighed_as_the_models_weigh_them(out, store, clock):
    out.post("/v1/offers", json=EXPRESS)
    late = {"supplier_id": "north-quay", "family": "gravel-14", "express": True, "ordered_at": "2026-03-06T09:00:00Z"}
    assert out.post("/v1/deliveries", json=late, headers={"Sure": "*"}).status_code == 201
    given = out.post(f"{VAN}/orders", json={"risk": 0.2}).json()
    with store.reading() as session:
        case = open_case(session, "MB-VAN-07", clock())
    offers = [
        Offer("north-quay", Money(1450, "EUR"), lead_time("north-quay", Quote(9, 6, 21), [Delivery(11)])),
        Offer(
            "north-quay",
            Money(1450, "EUR"),
            lead_time("north-quay", Quote(3, 2, 5), [Delivery(8, arrived=False)]),
            Money(190, "EUR"),
        ),
    ]
    plan = plan_orders(case.survival, offers, Costs(**COSTS), 0.2, case.told)
    for place, offer in enumerate(given["offers"]):
        assert offer["cost_at_most"] == pytest.approx(plan.cost_at_most[0, place].tolist())
        assert offer["fault_first"] == pytest.approx(plan.fault_first_at_most[0, place].tolist())
        assert (-1 if offer["latest_day"] is None else offer["latest_day"]) == plan.latest_day[0, place]
    assert given["cheapest"]["cost"] == pytest.approx(float(plan.best_cost[0]))
    assert given["at_return_cost"] == pytest.approx(float(plan.at_return_cost[0]))
    assert {change["cost"] for change in given["sensitivity"]} == set(COSTS) - {"currency"}
    assert given["costs"] == {name: value for name, value in COSTS.items() if name != "currency"}
    assert "stated for the house on 2026-03-14" in given["basis"][1]


def test_an_order_is_read_by_the_offer_that_was_taken_and_two_alike_are_told_apart(out, problem_in):
    """Of two offers of one supplier the order was read by the newer one, whichever had been shown and taken."""
    quoted = {
        "supplier_id": "north-quay",
        "family": "gravel-14",
        "currency": "EUR",
        "quoted_at": "2026-03-01T10:00:00Z",
    }
    newer = out.post("/v1/offers", json={**quoted, "price": 1300, "usual_days": 40}).json()["id"]
    given = out.post(f"{VAN}/orders", json={}).json()
    assert [offer["name"] for offer in given["offers"]] == ["north-quay, offer 1", f"north-quay, offer {newer}"]
    assert "north-quay, offer " in given["cheapest"]["sentence"]
    (entry,) = out.post("/v1/orders/queue", json={}).json()["entries"]
    assert entry["offer_name"] == f"north-quay, offer {entry['offer_id']}"
    order = {
        "supplier_id": "north-quay",
        "family": "gravel-14",
        "pack_id": "MB-VAN-07",
        "ordered_at": "2026-03-14T08:00:00Z",
    }
    other = {**order, "supplier_id": "another"}
    out.post("/v1/suppliers", json={"id": "another"})
    assert (
        "Offer 1 is of another supplier"
        in problem_in(out.post("/v1/deliveries", json={**other, "offer_id": 1}), 422)["detail"]
    )
    assert out.post("/v1/deliveries", json={**order, "offer_id": 1}).status_code == 201
    assert out.post(f"{VAN}/orders", json={}).json()["on_order"]["days"]["late"] <= 21


def test_a_sent_pack_is_ordered_for_from_today_as_a_stored_one_is(out, clock):
    """Its days counted from its newest record, so its latest day lay days before that of the same pack in the store."""
    clock.now = datetime(2026, 3, 9, 12, 0, tzinfo=UTC)
    at = clock.now.isoformat()
    assert out.post(f"{VAN}/forecasts", json={"at": at}).status_code == 201
    history = out.get(f"{VAN}/history").json()
    offer = {"supplier": "north-quay", "currency": "EUR", "price": 1450, "usual_days": 9, "earliest_days": 6,
             "latest_days": 21, "past": [{"days": 11}]}  # fmt: skip
    asked = {"costs": COSTS, "risk": 0.3}
    stored = out.post(f"{VAN}/orders", json=asked).json()
    sent = out.post("/v1/orders", json={**asked, "case": {"history": history}, "offers": [offer]}).json()
    assert sent["as_of"] == stored["as_of"]
    for name in ("latest_day", "latest_on", "fault_first_today", "today_cost"):
        assert sent["offers"][0][name] == pytest.approx(stored["offers"][0][name])
    assert any("All days here count from today, 2026-03-09." in line for line in sent["first"])
    # A moment that was chosen is left alone.
    named = {"history": history, "at": "2026-03-04T12:00:00Z"}
    then = out.post("/v1/orders", json={**asked, "case": named, "offers": [offer]}).json()
    assert then["as_of"].startswith("2026-03-04T12:00")
    assert not any("count from today" in line for line in then["first"])


def test_a_cost_that_nobody_stated_is_asked_for_with_its_reason(out, problem_in):
    out.delete("/v1/costs/house")
    said = problem_in(out.post(f"{VAN}/orders", json={}), 422)
    assert "costs.currency" in said["detail"]
    said = problem_in(out.post(f"{VAN}/orders", json={"costs": {"currency": "EUR", "stranding": 0}}), 422)
    assert [part["where"] for part in said["problems"]] == [
        "costs.day_off_road",
        "costs.capital_per_day",
        "costs.return_value",
    ]
    assert all("It is what" in part["what"] for part in said["problems"])
    truth = {"costs": {**COSTS, "stranding": False}}
    assert "false is no number" in problem_in(out.post(f"{VAN}/orders", json=truth), 422)["detail"].lower()
    assert (
        "is not a currency" in problem_in(out.post(f"{VAN}/orders", json={"costs": {"currency": "XQQ"}}), 422)["detail"]
    )
    other = problem_in(out.post(f"{VAN}/orders", json={"costs": {**COSTS, "currency": "JPY"}}), 422)
    assert "no offer" in other["detail"]
    assert "in JPY" in other["detail"]


def test_an_offer_in_another_currency_is_left_out_and_named(out):
    out.post("/v1/offers", json={**EXPRESS, "currency": "USD"})
    given = out.post(f"{VAN}/orders", json={}).json()
    assert len(given["offers"]) == 1
    assert "Offer 2 of north-quay is in USD" in given["left_out"][0]
    assert "That is of the offers in EUR; 1 is not weighed." in given["reasons"][0]


def forget_the_return(filled) -> None:
    """The van of the worked examples is down: nobody asks of it here."""
    number = filled.get("/v1/outcomes").json()["items"][0]["id"]
    assert filled.delete(f"/v1/outcomes/{number}?reason=a+slip").status_code == 204


def test_the_queue_goes_by_the_latest_order_day(filled, store, clock):
    forget_the_return(filled)
    names = fill(store, 24, clock(), seed=3)
    for family in ("flint-40", "marl-28"):
        filled.post("/v1/offers", json={**EXPRESS, "family": family})
    filled.post("/v1/offers", json=EXPRESS)
    queue = filled.post("/v1/orders/queue", json={"risk": 0.2}).json()
    assert sorted(entry["pack_id"] for entry in queue["entries"]) == names
    days = [-1 if entry["latest_day"] is None else entry["latest_day"] for entry in queue["entries"]]
    assert days == sorted(days)
    assert days[0] < days[-1]
    assert all(entry["reasons"] for entry in queue["entries"])
    last = queue["entries"][-1]
    one = filled.post(f"/v1/packs/{last['pack_id']}/orders", json={"risk": 0.2}).json()
    weighed = next(offer for offer in one["offers"] if offer["offer_id"] == last["offer_id"])
    assert (weighed["latest_day"], weighed["latest_on"]) == (last["latest_day"], last["latest_on"])
    assert weighed["last_day"] == last["last_day"]
    for entry in queue["entries"]:  # a null day stood beside a date of today
        assert (entry["latest_day"] is None) == (entry["latest_on"] is None)
        assert entry["last_day"].startswith("Too late already: order now.") == (entry["latest_day"] is None)
    assert one["cheapest"]["cost"] == pytest.approx(last["expected_cost"])
    # The list named the supplier by the latest day, the page of the case the one that was cheapest whatever the risk.
    for entry in queue["entries"]:
        own = filled.post(f"/v1/packs/{entry['pack_id']}/orders", json={"risk": 0.2}).json()
        assert own["offers"][own["order"]["offer"]]["offer_id"] == entry["offer_id"]
        assert own["order"]["day"] == (entry["order_day"] or 0)
        assert own["order"]["sentence"].startswith(f"Order from {entry['offer_name']} ")
        assert own["keeps_to_risk"] == (entry["order_day"] is not None)
        if own["keeps_to_risk"]:
            assert own["order"] == own["safe"]
    with store.reading() as session:
        case = open_case(session, last["pack_id"], clock())
    express = lead_time("north-quay", Quote(3, 2, 5))
    if weighed["express"]:
        assert weighed["latest_day"] == latest_order_days(case.survival, [express], 0.2, case.told)[0, 0]
    only = filled.post("/v1/orders/queue", json={"family": "marl-28"}).json()
    assert {entry["family"] for entry in only["entries"]} == {"marl-28"}


def test_what_the_queue_cannot_weigh_is_listed(out, store, clock, problem_in):
    fill(store, 0, clock())
    out.post("/v1/packs", json={"id": "MB-CAB-03", "family": "flint-40"})
    out.post("/v1/topups", json={"pack_id": "MB-CAB-03", "time": "2026-03-10T12:00:00Z", "blocks": [3]})
    queue = out.post("/v1/orders/queue", json={}).json()
    assert [case["pack_id"] for case in queue["left_out"]] == ["MB-CAB-03"]
    assert "no forecast" in queue["left_out"][0]["reason"]
    out.delete("/v1/offers/1")
    queue = out.post("/v1/orders/queue", json={}).json()
    assert queue["entries"] == []
    assert {case["pack_id"] for case in queue["left_out"]} == {"MB-CAB-03", "MB-VAN-07"}


def test_packs_of_a_family_that_nobody_offers_keep_no_other_out_of_the_queue(filled, store, clock):
    """One family's packs were the most pressing ones, and took the place of all that could be weighed."""
    forget_the_return(filled)
    fill(store, 3 * (MOST_CASES + 5), clock(), seed=3)
    for family in ("gravel-14", "marl-28"):
        filled.post("/v1/offers", json={**EXPRESS, "family": family})
    with store.writing() as session:
        soon = clock() + timedelta(hours=1)
        session.execute(update(Score).where(Score.family == "flint-40").values(good_until=soon))
    queue = filled.post("/v1/orders/queue", json={}).json()
    assert {entry["family"] for entry in queue["entries"]} == {"gravel-14", "marl-28"}
    assert sum(not entry["needs_pack"] for entry in queue["entries"]) == MOST_CASES
    without = {case["pack_id"]: case["reason"] for case in queue["left_out"] if "no offer" in case["reason"]}
    assert len(without) == MOST_LOOKED_AT
    told = "no offer for a pack of the family flint-40 that stands today. Enter at least one, with a price and a usual"
    assert all(told in reason for reason in without.values())
    assert f"{MOST_CASES + 5 - MOST_LOOKED_AT} more open cases are left out because nobody" in " ".join(queue["notes"])
    assert [one["family"] for one in queue["offers_lacking"]] == ["flint-40"]
    only = filled.post("/v1/orders/queue", json={"family": "flint-40"}).json()
    assert (only["entries"], len(only["offers_lacking"])) == ([], 1)
    filled.post("/v1/offers", json={**EXPRESS, "family": "flint-40", "currency": "USD"})
    (lacking,) = filled.post("/v1/orders/queue", json={}).json()["offers_lacking"]
    assert "stands today in EUR" in lacking["what"]
    filled.post("/v1/offers", json={**EXPRESS, "family": "flint-40"})
    assert filled.post("/v1/orders/queue", json={}).json()["offers_lacking"] == []


def test_an_offer_below_what_a_pack_is_still_good_for_keeps_no_other_out_of_the_queue(filled, store, clock):
    """One price of EUR 1 refused the queue of every family."""
    forget_the_return(filled)
    fill(store, 12, clock(), seed=3)
    cheap = {**EXPRESS, "family": "flint-40", "price": 1.0, "express_fee": None}
    filled.post("/v1/offers", json={**EXPRESS, "family": "marl-28"})
    assert filled.post("/v1/offers", json=cheap, headers={"Sure": "*"}).status_code == 201
    queue = filled.post("/v1/orders/queue", json={})
    assert queue.status_code == 200, queue.text
    assert "marl-28" in {entry["family"] for entry in queue.json()["entries"]}
    (lacking,) = (one for one in queue.json()["offers_lacking"] if one["family"] == "flint-40")
    assert "of north-quay asks EUR 1, less than the EUR 900 that an unneeded pack" in lacking["what"]
    assert "flint-40" not in {entry["family"] for entry in queue.json()["entries"]}
    filled.post("/v1/offers", json={**EXPRESS, "family": "flint-40"}, headers={"Sure": "*"})
    queue = filled.post("/v1/orders/queue", json={}).json()
    assert any("asks EUR 1, less than" in note for note in queue["notes"])
    weighed = [entry for entry in queue["entries"] if entry["family"] == "flint-40"]
    assert weighed
    one = filled.post(f"/v1/packs/{weighed[0]['pack_id']}/orders", json={}).json()
    assert len(one["offers"]) == 1
    assert any("asks EUR 1, less than" in said for said in one["left_out"])


def test_the_stock_covers_the_share_that_the_costs_ask_for(filled, store, clock, problem_in):
    forget_the_return(filled)
    fill(store, 30, clock(), seed=5)
    stock = "/v1/families/gravel-14/stock"
    assert "is not given, and the record" in problem_in(filled.post(stock, json={"on_shelf": 1}), 422)["detail"]
    given = filled.post(stock, json={"on_shelf": 1, "new_cases_per_day": 0.2}).json()
    with store.reading() as session:
        cases = open_cases(session, clock(), [Score.family == "gravel-14"])
    known = lead_time("north-quay", Quote(9, 6, 21), [Delivery(11)])
    best = stock_for_service(lead_time_demand(cases.survival, known, 0.2), critical_ratio(60, 0.5), 1)
    assert (given["hold"], given["to_order"], given["open_cases"]) == (best.packs, best.to_order, len(cases))
    assert given["levels"][2]["cost"] == min(level["cost"] for level in given["levels"])
    filled.post("/v1/deliveries", json={"supplier_id": "north-quay", "family": "gravel-14",
                                        "ordered_at": clock().isoformat()})  # fmt: skip
    later = filled.post(stock, json={"on_shelf": 1, "new_cases_per_day": 0.2}).json()
    assert later["on_order"] == 1
    assert "Offers that stand: 1." in problem_in(filled.post(stock, json={"on_shelf": 0, "offer_id": 9}), 422)["detail"]
    # What is quoted in another currency is no cheaper for that: it is left out, and named.
    abroad = dict(OFFERS.example) | {"price": 100, "currency": "USD"}
    assert filled.post("/v1/offers", json=abroad, headers={"Sure": "*"}).status_code == 201
    beside = filled.post(stock, json={"on_shelf": 1, "new_cases_per_day": 0.2}).json()
    assert (beside["offer_id"], beside["hold"]) == (1, later["hold"])
    assert "no rate of exchange is assumed" in beside["basis"][-1]
    problem_in(filled.post(stock, json={}), 422)
    clock.forward(days=60)
    assert filled.post(stock, json={"on_shelf": 0}).json()["new_cases_per_day"] > 0
