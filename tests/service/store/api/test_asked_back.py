"""What looks like a slip is asked about at every door, and stored once somebody says that it is right."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from service.forecasting.forecasts.examples import example_case
from service.store.schema import Pack, Vehicle
from service.store.upgrading import open_store

ORDER = {"supplier_id": "north-quay", "family": "gravel-14", "ordered_at": "2026-03-10T09:00:00Z"}
CHARGE = {"pack_id": "MB-VAN-07", "time": "2026-03-02T12:50:00Z", "blocks": [5], "charge_ah": 1.1}


@pytest.fixture
def asked_back(problem_in):
    """Check that a write is asked about, nothing of it stored, and return the problem document."""

    def check(response):
        document = problem_in(response, 409)
        assert document["type"] == "urn:tideover:problem:doubtful"
        return document

    return check


def test_an_order_of_a_year_back_is_asked_about(filled, asked_back, clock):
    """A wrong year was taken as a lead time of 363 days, and went into that of every other order."""
    offer = filled.get("/v1/offers").json()["items"][0]
    basis = filled.post("/v1/packs/MB-VAN-07/orders", json={})
    for arrived, where in (("2026-03-12T09:00:00Z", "arrived_at"), (None, "ordered_at")):
        wrong = {**ORDER, "ordered_at": "2025-03-10T09:00:00Z", "arrived_at": arrived}
        document = asked_back(filled.post("/v1/deliveries", json=wrong))
        (problem,) = document["problems"]
        assert problem["where"] == where
        assert offer["supplier_id"] in problem["what"]
        assert "arrived_at" not in document["detail"], "people are told of the arrival"
        assert f"Sure: {document['sure']}" in document["detail"]
        stored = filled.post("/v1/deliveries", json=wrong, headers={"Sure": document["sure"]})
        assert stored.status_code == 201, stored.text
        assert filled.delete(f"/v1/deliveries/{stored.json()['id']}").status_code == 204
    assert filled.post("/v1/deliveries", json={**ORDER, "arrived_at": "2026-03-12T09:00:00Z"}).status_code == 201
    del basis


def test_one_that_is_right_is_named_in_what_lead_times_rest_on(filled):
    wrong = {**ORDER, "ordered_at": "2025-03-10T09:00:00Z", "arrived_at": "2026-03-08T09:00:00Z"}
    assert filled.post("/v1/deliveries", json=wrong, headers={"Sure": "*"}).status_code == 201
    number = filled.get("/v1/outcomes").json()["items"][0]["id"]
    filled.delete(f"/v1/outcomes/{number}?reason=a+slip")
    after = {"pack_id": "MB-VAN-07", **example_case()["history"]["readings"][-1]}
    assert filled.post("/v1/readings", json=after).status_code == 201
    assert filled.post("/v1/packs/MB-VAN-07/forecasts", json={}).status_code == 201
    answer = filled.post("/v1/packs/MB-VAN-07/orders", json={})
    assert answer.status_code == 200, answer.json()
    (offer,) = answer.json()["offers"]
    assert "363 days: check that its dates are right" in offer["basis"]


def test_an_order_that_came_on_the_day_it_was_placed_is_asked_about(filled, asked_back):
    """Marked as arrived in the second it was placed, it moved a quote of 9 days to 0 to 9 without a question."""
    at_once = {**ORDER, "arrived_at": ORDER["ordered_at"]}
    (problem,) = asked_back(filled.post("/v1/deliveries", json=at_once))["problems"]
    assert problem["where"] == "arrived_at"
    assert "expected to take 6 days at least" in problem["what"]


def test_the_same_order_twice_is_asked_about(filled, asked_back):
    for_pack = {**ORDER, "pack_id": "MB-VAN-07", "ordered_at": "2026-03-11T09:00:00Z"}
    assert filled.post("/v1/deliveries", json=for_pack).status_code == 201
    again = {**for_pack, "ordered_at": "2026-03-13T09:00:00Z"}
    document = asked_back(filled.post("/v1/deliveries", json=again))
    assert "is for this pack too" in document["problems"][0]["what"]
    # Another confirmation is none; together with others its own is.
    asked_back(filled.post("/v1/deliveries", json=again, headers={"Sure": "0123456789abcdef"}))
    both = f"0123456789abcdef {document['sure']}"
    assert filled.post("/v1/deliveries", json=again, headers={"Sure": both}).status_code == 201
    shelf = {**ORDER, "ordered_at": "2026-03-12T09:00:00Z"}
    assert filled.post("/v1/deliveries", json=shelf).status_code == 201
    assert "Are there two packs?" in asked_back(filled.post("/v1/deliveries", json=shelf))["detail"]
    document = asked_back(filled.post("/v1/deliveries", json=[{**shelf, "ordered_at": "2026-03-01T09:00:00Z"}] * 2))
    assert document["problems"][0]["where"] == "[1].ordered_at"


def test_an_order_that_came_in_time_is_not_asked_about(filled):
    order = filled.post("/v1/deliveries", json={**ORDER, "pack_id": "MB-VAN-07"}).json()
    came = {"arrived_at": "2026-03-13T09:00:00Z"}
    assert filled.patch(f"/v1/deliveries/{order['id']}", json=came).status_code == 200
    # Corrected in something else, it is not asked about again.
    assert filled.patch(f"/v1/deliveries/{order['id']}", json={"pack_id": None}).status_code == 200


def test_a_topup_entered_twice_is_asked_about(filled, asked_back, problem_in, clock):
    """With "still running" noted between the two, the same charge went in twice without a question."""
    clock.now = datetime(2026, 3, 20, 12, 0, tzinfo=UTC)
    for outcome in filled.get("/v1/outcomes").json()["items"]:
        filled.delete(f"/v1/outcomes/{outcome['id']}?reason=a+slip")
    (first,) = filled.get("/v1/topups").json()["items"]
    again = {**CHARGE, "time": "2026-03-03T15:00:00Z"}
    document = problem_in(filled.post("/v1/topups", json=again), 422)
    assert "entered twice, leave it out" in document["detail"]
    running = {"pack_id": "MB-VAN-07", "time": "2026-03-03T14:00:00Z", "kind": "running"}
    for reading in filled.get("/v1/readings").json()["items"]:
        if reading["time"] > first["time"]:
            filled.delete(f"/v1/readings/{reading['id']}")
    assert filled.post("/v1/outcomes", json=running).status_code == 201
    document = asked_back(filled.post("/v1/topups", json=again))
    assert "nothing was read between" in document["problems"][0]["what"]
    other = {**again, "blocks": [9]}
    assert filled.post("/v1/topups", json=other).status_code == 201, "another block is another charge"


def test_a_charge_before_the_readings_that_found_its_block_is_asked_about(filled, asked_back, clock):
    """Entered 20 hours early, it made both readings before it readings after it, and was taken without a word."""
    assert filled.post("/v1/packs", json={"id": "MB-P-EARLY", "family": "gravel-14"}).status_code == 201
    low = [13.0, 13.01, 13.02, 12.99, 12.82, 13.02, 13.01, 12.99, 13.0, 13.0, 12.99, 13.0, 13.03, 13.03]

    def at(hours):
        return {"pack_id": "MB-P-EARLY", "time": (clock() - timedelta(hours=hours)).isoformat()}

    def read(hours, fifth):
        volts = [*low[:4], fifth, *low[5:]]
        made = filled.post("/v1/readings", json={**at(hours), "state": "rest", "block_v": volts})
        assert made.status_code == 201
        return made.json()["id"]

    before = read(5, 12.82)
    charge = {"blocks": [5], "charge_ah": 1.1, "duration_h": 2}
    document = asked_back(filled.post("/v1/topups", json={**at(25), **charge}))
    (problem,) = document["problems"]
    assert problem["where"] == "time"
    assert "block 5 still rests lowest. Is the time right?" in f"{problem['what']} {problem['mend']}"
    right = filled.post("/v1/topups", json={**at(3), **charge})
    assert right.status_code == 201, "after the reading there is nothing to ask"
    asked_back(filled.patch(f"/v1/topups/{right.json()['id']}", json={"time": at(25)["time"]}))
    assert filled.delete(f"/v1/topups/{right.json()['id']}").status_code == 204
    # Read before it as well, and risen since, or up among its peers: the time may well be right.
    earlier = read(30, 12.5)
    assert filled.post("/v1/topups", json={**at(25), **charge}).status_code == 201
    number = filled.get("/v1/topups", params={"pack_id": "MB-P-EARLY"}).json()["items"][0]["id"]
    assert filled.delete(f"/v1/topups/{number}").status_code == 204
    for reading in (before, earlier):
        assert filled.delete(f"/v1/readings/{reading}").status_code == 204
    read(5, 13.21)
    assert filled.post("/v1/topups", json={**at(25), **charge}).status_code == 201


def test_the_same_reading_is_told_in_words(filled, problem_in):
    reading = filled.get("/v1/readings").json()["items"][0]
    same = {"pack_id": reading["pack_id"], "time": reading["time"], "state": "rest", "block_v": [12.9] * 14}
    detail = problem_in(filled.post("/v1/readings", json=same), 409)["detail"]
    assert detail == f"Reading {reading['id']} has the same pack and time already. Correct that one instead."


def test_no_sentence_tells_of_a_column_or_a_microsecond(filled, problem_in, clock):
    clock.now = datetime(2026, 3, 20, 12, 0, 1, 234567, tzinfo=UTC)
    wrong = {**ORDER, "arrived_at": "2026-03-01T09:00:00Z"}
    detail = problem_in(filled.post("/v1/deliveries", json=wrong), 422)["detail"]
    assert "The arrival lies before the order date." in detail
    for outcome in filled.get("/v1/outcomes").json()["items"]:
        filled.delete(f"/v1/outcomes/{outcome['id']}?reason=a+slip")
    at = clock.now.isoformat()
    detail = problem_in(filled.post("/v1/topups", json={**CHARGE, "time": at}), 422)["detail"]
    assert "At 2026-03-20 12:00+00:00 the top-up of 2026-03-02 12:50+00:00 is still open" in detail
    seat = {"pack_id": "MB-VAN-07", "vehicle_id": "MB-VAN-07", "since": at}
    assert "234567" not in problem_in(filled.post("/v1/assignments", json=seat), 422)["detail"]


OFFER = {"supplier_id": "north-quay", "family": "gravel-14", "currency": "EUR", "price": 1390, "usual_days": 9,
         "quoted_at": "2026-03-10T10:00:00Z"}  # fmt: skip


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"price": 0}, "A price of nothing"),
        ({"price": 1.45}, "far from what packs cost"),
        ({"price": 145000}, "far from what packs cost"),
        ({"price": 0.001}, "EUR 0.001 is less than the smallest coin."),
        ({"price": 1.45, "family": "marl-28"}, "far from what packs cost"),
        ({"usual_days": 0}, "on the day of the order"),
        ({"quoted_at": "2023-09-25T10:00:00Z"}, "It was quoted on 2023-09-25, over a year ago, and names no end"),
        ({"quoted_at": "2025-03-01T10:00:00Z", "valid_until": "2025-04-01T10:00:00Z"}, "Is the year right?"),
        ({"price": 1450, "earliest_days": 6, "latest_days": 21}, "says the same, and stands"),
    ],
)
def test_an_offer_that_would_mislead_every_order_is_asked_about(filled, asked_back, changed, words):
    """A price of 1.45 went in without a question, and every pack was to be ordered there."""
    assert words in asked_back(filled.post("/v1/offers", json={**OFFER, **changed}))["detail"]
    assert filled.post("/v1/offers", json=OFFER).status_code == 201


def test_a_first_price_is_held_to_what_the_house_says_things_cost(filled, asked_back):
    """A thousand million for a pack went in where there was no other offer to compare it with."""
    (offer,) = filled.get("/v1/offers").json()["items"]
    assert filled.delete(f"/v1/offers/{offer['id']}").status_code == 204
    document = asked_back(filled.post("/v1/offers", json={**OFFER, "price": 1e9}))
    assert "out of proportion to the dearest cost that the house has stated, EUR 900" in document["problems"][0]["what"]
    assert filled.post("/v1/offers", json=OFFER).status_code == 201


def test_a_pack_that_holds_with_a_code_is_asked_about(filled, asked_back):
    """It holds, with P0A80 stored, went in without a word, and the car was let go."""
    assert filled.delete("/v1/outcomes/1?reason=a+slip").status_code == 204
    holds = {"pack_id": "MB-VAN-07", "time": "2026-03-12T07:20:00+00:00", "kind": "running"}
    assert "P0A80 was stored" in asked_back(filled.post("/v1/outcomes", json={**holds, "code": "P0A80"}))["detail"]
    assert filled.post("/v1/outcomes", json=holds).status_code == 201


def test_an_offer_that_grew_old_is_named_where_it_is_weighed(filled, clock):
    """Quoted 900 days ago and without an end, it was weighed as of today without a word."""
    for outcome in filled.get("/v1/outcomes").json()["items"]:
        filled.delete(f"/v1/outcomes/{outcome['id']}?reason=a+slip")
    (offer,) = filled.get("/v1/offers").json()["items"]
    old = {"quoted_at": "2023-09-25T10:00:00Z"}
    sure = filled.patch(f"/v1/offers/{offer['id']}", json=old).json()["sure"]
    assert filled.patch(f"/v1/offers/{offer['id']}", json=old, headers={"Sure": sure}).status_code == 200
    after = {"pack_id": "MB-VAN-07", **example_case()["history"]["readings"][-1]}
    assert filled.post("/v1/readings", json=after).status_code == 201
    assert filled.post("/v1/packs/MB-VAN-07/forecasts", json={}).status_code == 201
    said = f"Offer {offer['id']} of north-quay was quoted on 2023-09-25, over a year ago"
    queue = filled.post("/v1/orders/queue", json={}).json()
    assert any(note.startswith(said) for note in queue["notes"])
    weighed = filled.post("/v1/packs/MB-VAN-07/orders", json={}).json()
    assert any(note.startswith(said) for note in weighed["basis"])


def test_a_family_corrected_over_what_was_read_is_asked_about(filled, asked_back):
    """From 14 blocks of one kind to 28 of another only the number of blocks was looked at; a like family went in."""
    new = "/v1/packs/MB-P-NEW"
    assert filled.post("/v1/packs", json={"id": "MB-P-NEW", "family": "marl-28"}).status_code == 201
    assert filled.patch(new, json={"family": "gravel-14"}).status_code == 200, "nothing was read of it"
    fact = {"pack_id": "MB-P-NEW", "time": "2026-03-13T09:00:00Z", "state": "rest", "block_v": [12.9] * 14}
    assert filled.post("/v1/readings", json=fact).status_code == 201
    document = asked_back(filled.patch(new, json={"family": "marl-28"}))
    (problem,) = document["problems"]
    assert problem["where"] == "family"
    assert problem["what"] == "Its readings (1) and charges (0) were entered as of the family gravel-14."
    assert filled.patch(new, json={"age_years": 3}).status_code == 200
    assert filled.patch(new, json={"family": "marl-28"}, headers={"Sure": document["sure"]}).status_code == 200


def test_an_order_for_a_pack_that_is_out_of_its_vehicle_is_asked_about(filled, asked_back):
    for outcome in filled.get("/v1/outcomes").json()["items"]:
        filled.delete(f"/v1/outcomes/{outcome['id']}?reason=a+slip")
    fitted = filled.post("/v1/vehicles/MB-VAN-07/pack", json={"pack_id": "MB-P-0815", "family": "gravel-14"})
    assert fitted.status_code == 201
    order = {**ORDER, "ordered_at": "2026-03-14T09:00:00Z"}
    document = asked_back(filled.post("/v1/deliveries", json={**order, "pack_id": "MB-VAN-07"}))
    assert "was replaced, or taken out of use" in document["problems"][0]["what"]
    assert filled.post("/v1/deliveries", json={**order, "pack_id": "MB-P-0815"}).status_code == 201


def test_slips_of_readings_and_topups_are_asked_about_as_on_the_page(filled, asked_back):
    """14 Ah into a block of 5.5 Ah and 1.29 V for one were stored without a word over REST; the page asked."""
    at = {"pack_id": "MB-VAN-07", "time": "2026-03-13T09:00:00Z"}
    volts = [12.9] * 14
    slips = [
        ("readings", {**at, "state": "rest", "block_v": [1.29, *volts[1:]]}, "block_v[0]", "1.29 V"),
        ("readings", {**at, "state": "rest", "block_v": volts, "temperature_c": 98}, "temperature_c", "98 °C"),
        ("readings", {**at, "state": "rest", "block_v": volts, "current_a": 30}, "current_a", "30 A"),
        ("topups", {**at, "blocks": [3], "charge_ah": 14}, "charge_ah", "14 Ah is more than a block"),
    ]
    for kind, fact, where, what in slips:
        document = asked_back(filled.post(f"/v1/{kind}", json=fact))
        (problem,) = document["problems"]
        assert problem["where"] == where
        assert what in problem["what"]
        many = asked_back(filled.post(f"/v1/{kind}", json=[fact]))
        assert many["problems"][0]["where"] == f"[0].{where}"
        assert filled.get(f"/v1/{kind}", params={"since": at["time"]}).json()["items"] == []
        stored = filled.post(f"/v1/{kind}", json=[fact], headers={"Sure": document["sure"]})
        assert stored.status_code == 201, stored.text
        (record,) = filled.get(f"/v1/{kind}", params={"since": at["time"]}).json()["items"]
        # A correction of something else does not ask again; one that writes another slip does.
        address = f"/v1/{kind}/{record['id']}"
        other = {"inspected": "sound"} if kind == "readings" else {"duration_h": 20}
        assert filled.patch(address, json=other).status_code == 200
        if where == "temperature_c":
            asked_back(filled.patch(address, json={where: 97}))
        assert filled.delete(address, params={"reason": "typed wrong"}).status_code == 204


def test_each_doubt_is_confirmed_by_itself(filled, asked_back):
    fact = {"pack_id": "MB-VAN-07", "time": "2026-03-13T09:00:00Z", "state": "rest", "temperature_c": 98}
    fact |= {"block_v": [1.29, *[12.9] * 13]}
    both = asked_back(filled.post("/v1/readings", json=fact))["sure"]
    one, other = both.split()
    for part in (one, other):
        assert asked_back(filled.post("/v1/readings", json=fact, headers={"Sure": part}))["sure"] == both
    assert filled.post("/v1/readings", json=fact, headers={"Sure": f"{other} {one}"}).status_code == 201


def test_a_name_written_almost_like_a_known_one_is_asked_about(filled, asked_back):
    """ "Van-03" was taken beside "VAN-03" as another vehicle, and their histories fell apart."""
    for kind, new in (("vehicles", {}), ("packs", {"family": "gravel-14"})):
        for name in ("MB-Van-07", "MBVAN07", "mb.van.07"):
            document = asked_back(filled.post(f"/v1/{kind}", json={"id": name, **new}))
            assert document["problems"][0]["what"].startswith(f"MB-VAN-07 is known already, and {name} differs")
        both = [{"id": "MB-CAB-91", **new}, {"id": "MB-Cab-91", **new}]
        assert asked_back(filled.post(f"/v1/{kind}", json=both))["problems"][0]["where"] == "[1].id"
        sure = asked_back(filled.post(f"/v1/{kind}", json={"id": "MB-Van-07", **new}))["sure"]
        made = filled.post(f"/v1/{kind}", json={"id": "MB-Van-07", **new}, headers={"Sure": sure})
        assert made.status_code == 201, made.text
        assert filled.post(f"/v1/{kind}", json={"id": "MB-VAN-071", **new}).status_code == 201


def test_the_command_tells_how_a_name_that_is_right_is_confirmed(tideover, tmp_path):
    home = {"TIDEOVER_HOME": str(tmp_path / "home")}
    (tmp_path / "home").mkdir(mode=0o700)
    store = open_store(tmp_path / "home")
    with store.writing() as session:
        facts = {"version": 1, "recorded_at": datetime(2026, 3, 1, tzinfo=UTC), "recorded_by": "test"}
        session.add(Vehicle(id="MB-VAN-07", **facts))
        session.add(Pack(id="MB-VAN-08", family="gravel-14", **facts))
    store.close()
    asked = tideover("fit", "MB-VAN-07", "MB-Van-08", "--family", "gravel-14", env=home)
    assert asked.exit_code == 2
    assert "differs from it only in capitals" in asked.stderr
    word = asked.stderr.rsplit("--sure ", 1)[1].strip().rstrip(".")
    assert "--sure" in asked.stderr
    assert tideover("fit", "MB-VAN-07", "MB-Van-08", "--family", "gravel-14", "--sure", word, env=home).exit_code == 0


def test_the_price_of_the_only_offer_is_asked_about_too(filled, asked_back):
    """A price of 0.001 went into the only offer without a question: there was no other one to compare it with."""
    (offer,) = filled.get("/v1/offers").json()["items"]
    for price in (0.001, 1.45, 145_000):
        asked_back(filled.patch(f"/v1/offers/{offer['id']}", json={"price": price}))
    assert filled.patch(f"/v1/offers/{offer['id']}", json={"price": 1390}).status_code == 200
    assert filled.delete(f"/v1/offers/{offer['id']}").status_code == 204
    # Without any price, the value left in an old pack is none to hold another to: EUR 1,800 was "far from" EUR 100.
    costs = filled.get("/v1/costs").json()["items"][0]
    assert filled.patch(f"/v1/costs/{costs['id']}", json={"return_value": 100}).status_code == 200
    asked_back(filled.post("/v1/offers", json={**OFFER, "price": 0.001}))
    assert filled.post("/v1/offers", json={**OFFER, "price": 1800}).status_code == 201


def test_what_is_wrong_and_what_is_asked_about_are_told_in_one_answer(filled, asked_back, problem_in):
    """What is wrong came first, and only when that was mended the question: one round for each."""
    ahead = {"pack_id": "MB-VAN-07", "time": "2031-03-13T09:00:00Z", "state": "rest", "block_v": [12.9] * 14}
    fact = {**ahead, "temperature_c": 98, "block_v": [1.29, *[12.9] * 13]}
    document = problem_in(filled.post("/v1/readings", json=fact), 422)
    assert {problem["where"] for problem in document["problems"]} == {"time", "block_v[0]", "temperature_c"}
    mended = {**fact, "time": "2026-03-13T09:00:00Z"}
    asked_back(filled.post("/v1/readings", json=mended))
    made = filled.post("/v1/readings", json=mended, headers={"Sure": document["sure"]})
    assert made.status_code == 201, made.text
    address = f"/v1/readings/{made.json()['id']}"
    wrong = problem_in(filled.patch(address, json={"time": "2031-03-13T09:00:00Z", "temperature_c": 97}), 422)
    assert {problem["where"] for problem in wrong["problems"]} == {"time", "temperature_c"}


def test_more_put_in_than_the_plan_said_is_asked_about(filled, asked_back, clock):
    """The plan said at most 1.3 Ah; 2.4 were taken without a word."""
    clock.now = datetime(2026, 3, 20, 12, 0, tzinfo=UTC)
    pack = {"id": "MB-P-MORE", "family": "gravel-14"}
    assert filled.post("/v1/packs", json=pack).status_code == 201
    history = example_case()["history"]
    for reading in history["readings"][:1]:
        assert filled.post("/v1/readings", json={"pack_id": pack["id"], **reading}).status_code == 201
    most = filled.post(f"/v1/packs/{pack['id']}/topup-plan", json={"at": history["readings"][0]["time"]})
    most_ah = most.json()["charge"]["most_ah"]
    charge = {**CHARGE, "pack_id": pack["id"]}
    document = asked_back(filled.post("/v1/topups", json={**charge, "charge_ah": most_ah + 1.0}))
    (problem,) = document["problems"]
    assert problem["where"] == "charge_ah"
    assert f"{most_ah:.1f} Ah" in problem["what"]
    # Among others sent together, and as a correction, it is asked about as well.
    asked_back(filled.post("/v1/topups", json=[{**charge, "charge_ah": most_ah + 1.0}]))
    made = filled.post("/v1/topups", json={**charge, "charge_ah": round(most_ah - 0.1, 2)})
    assert made.status_code == 201, made.text
    asked_back(filled.patch(f"/v1/topups/{made.json()['id']}", json={"charge_ah": most_ah + 1.0}))
    sure = filled.patch(f"/v1/topups/{made.json()['id']}", json={"charge_ah": most_ah + 0.5}, headers={"Sure": "*"})
    assert sure.status_code == 200


def test_blocks_counted_from_the_other_end_are_asked_about(filled, asked_back, clock):
    """The block that read low at 8 stood at the other end an hour later, and was charged there."""
    clock.now = datetime(2026, 3, 20, 12, 0, tzinfo=UTC)
    assert filled.post("/v1/packs", json={"id": "MB-P-ENDS", "family": "gravel-14"}).status_code == 201
    low = [13.0, 13.01, 13.02, 12.99, 12.62, 13.02, 13.01, 12.99, 13.0, 13.0, 12.99, 13.0, 13.03, 13.03]

    def reading(hour, volts, state="rest", day=19):
        time = f"2026-03-{day}T{hour:02}:00:00Z"
        return {"pack_id": "MB-P-ENDS", "time": time, "state": state, "block_v": volts}

    assert filled.post("/v1/readings", json=reading(8, low)).status_code == 201
    document = asked_back(filled.post("/v1/readings", json=reading(9, low[::-1])))
    (problem,) = document["problems"]
    assert problem["where"] == "block_v"
    assert "other end" in problem["what"]
    assert "2026-03-19 08:00" in problem["what"]
    shifted = asked_back(filled.post("/v1/readings", json=[reading(9, [13.0, *low[:-1]])]))
    assert "one place further" in shifted["problems"][0]["what"]
    sent = {"Sure": document["sure"]}
    assert filled.post("/v1/readings", json=reading(9, low[::-1]), headers=sent).status_code == 201
    assert filled.post("/v1/readings", json=reading(10, low[::-1])).status_code == 201, "as the newest does"
    assert filled.post("/v1/readings", json=reading(8, low[::-1], day=10)).status_code == 201, "another visit"
