"""Another pack in the same vehicle, in one step: over REST as on the page, with nothing of the old one lost."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from tests.service.store.backends import ON_SQLITE

pytestmark = ON_SQLITE

FIT = "/v1/vehicles/MB-VAN-07/pack"
NEW = {"pack_id": "MB-P-0815", "family": "gravel-14", "age_years": 0, "odometer_km": 211480}


@pytest.fixture
def out(filled, clock):
    """The worked examples, the van still out on its top-up."""
    clock.now = datetime(2026, 3, 14, 9, 0, tzinfo=UTC)
    filled.delete(f"/v1/outcomes/{filled.get('/v1/outcomes').json()['items'][0]['id']}?reason=a+slip")
    assert filled.post("/v1/packs/MB-VAN-07/forecasts", json={}).status_code == 201
    return filled


def test_one_assignment_ends_the_next_begins_and_the_old_case_is_closed(out):
    answer = out.post(FIT, json=NEW)
    assert answer.status_code == 201, answer.text
    told = answer.json()
    assert (told["old_pack_id"], told["pack_id"]) == ("MB-VAN-07", "MB-P-0815")
    before, after = out.get("/v1/assignments").json()["items"]
    assert before["until"] == after["since"] == "2026-03-14T09:00:00Z"
    assert (before["id"], after["id"]) == (told["old_assignment_id"], told["assignment_id"])
    assert after["vehicle_id"] == "MB-VAN-07"
    assert len(out.get(f"/v1/assignments/{before['id']}/versions").json()["items"]) == 2
    (outcome,) = out.get("/v1/outcomes").json()["items"]
    assert (outcome["id"], outcome["kind"]) == (told["outcome_id"], "replaced")
    assert outcome["odometer_km"] == 211480
    assert out.get("/v1/packs/MB-P-0815").json()["age_years"] == 0
    assert out.get("/v1/packs/MB-VAN-07/history").json()["readings"], "its history stays"
    assert "history stays" in told["said"][0]
    assert "replaced before the fault came back" in told["said"][1]
    assert out.post("/v1/orders/queue", json={}).json()["entries"] == []
    assert out.get("/v1/fleet/returns", params={"weeks": 1}).json()["vehicles"] == 0


def test_a_fault_that_had_come_back_and_an_order_that_is_open_are_told(out):
    order = {"supplier_id": "north-quay", "family": "gravel-14", "pack_id": "MB-VAN-07",
             "ordered_at": "2026-03-10T09:00:00Z"}  # fmt: skip
    number = out.post("/v1/deliveries", json=order).json()["id"]
    told = out.post(FIT, json={**NEW, "old_became": "returned"}).json()
    (outcome,) = out.get("/v1/outcomes").json()["items"]
    assert outcome["kind"] == "returned"
    assert any(f"Order {number} of 2026-03-10 for it is still open" in line for line in told["said"])


def test_without_an_open_case_nothing_became_of_it(out):
    ended = {"pack_id": "MB-VAN-07", "time": "2026-03-13T07:20:00Z", "kind": "returned"}
    assert out.post("/v1/outcomes", json=ended).status_code == 201
    told = out.post(FIT, json=NEW).json()
    assert told["outcome_id"] is None
    assert len(out.get("/v1/outcomes").json()["items"]) == 1
    assert len(told["said"]) == 2


def test_an_empty_vehicle_takes_its_first_pack(out):
    assert out.post("/v1/vehicles", json={"id": "MB-CAB-90"}).status_code == 201
    told = out.post("/v1/vehicles/MB-CAB-90/pack", json=NEW).json()
    assert (told["old_pack_id"], told["old_assignment_id"], told["outcome_id"]) == (None, None, None)
    assert len(told["said"]) == 1


@pytest.mark.parametrize(
    ("changed", "status", "words"),
    [
        ({"pack_id": "MB-VAN-07"}, 409, "sits in MB-VAN-07 already"),
        ({"family": None}, 422, "Pack MB-P-0815 is not known yet."),
        ({"family": "nobody-1"}, 422, "is not known"),
        ({"at": "2020-01-01T00:00:00Z"}, 422, "came in at 2021-05-10 06:00+00:00, after that"),
        ({"at": "2026-05-01T00:00:00Z"}, 422, "is in the future"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_changed(out, problem_in, changed, status, words):
    before = [out.get(f"/v1/{kind}").json() for kind in ("assignments", "packs", "outcomes")]
    asked = {name: value for name, value in {**NEW, **changed}.items() if value is not None}
    assert words in problem_in(out.post(FIT, json=asked), status)["detail"]
    assert [out.get(f"/v1/{kind}").json() for kind in ("assignments", "packs", "outcomes")] == before


def test_a_pack_that_is_known_keeps_what_is_known_of_it(out, problem_in):
    assert out.post("/v1/packs", json={"id": "MB-P-0815", "family": "flint-40", "age_years": 3}).status_code == 201
    assert "of the family flint-40" in problem_in(out.post(FIT, json=NEW), 422)["detail"]
    told = out.post(FIT, json={**NEW, "family": "flint-40"}, headers={"Sure": "*"}).json()
    assert any("its age stays as recorded" in line for line in told["said"])
    assert out.get("/v1/packs/MB-P-0815").json()["age_years"] == 3


def test_no_such_vehicle_and_a_pack_that_sits_elsewhere(out, problem_in):
    problem_in(out.post("/v1/vehicles/nobody/pack", json=NEW), 404)
    out.post("/v1/vehicles", json={"id": "MB-CAB-90"})
    there = out.post("/v1/vehicles/MB-CAB-90/pack", json={"pack_id": "MB-VAN-07"})
    assert "spoken for: pack MB-VAN-07 is in MB-VAN-07 from 2021-05-10 06:00+00:00" in problem_in(there, 422)["detail"]


VOLTS = [12.9] * 14


def vehicle(client, name="MB-CAB-90"):
    assert client.post("/v1/vehicles", json={"id": name}).status_code == 201
    return f"/v1/vehicles/{name}/pack"


def asked_back(problem_in, client, address, asked, **fields):
    """Check that a fit is asked about, nothing of it stored, and confirm it; what came of it."""
    kinds = ("assignments", "packs", "outcomes")
    before = [client.get(f"/v1/{kind}").json() for kind in kinds]
    document = problem_in(client.post(address, json=asked), 409)
    assert document["type"] == "urn:tideover:problem:doubtful"
    assert [client.get(f"/v1/{kind}").json() for kind in kinds] == before
    first = {problem["where"]: problem["what"] for problem in reversed(document["problems"])}
    assert first.keys() == fields.keys()
    for field, words in fields.items():
        assert words in first[field]
    done = client.post(address, json=asked, headers={"Sure": document["sure"]})
    assert done.status_code == 201, done.text
    return document, done.json()


@pytest.mark.parametrize("shelved", [False, True])
def test_a_pack_under_a_stop_is_asked_about_with_the_stop_first(out, problem_in, shelved):
    """One that lies on the shelf stands on no list: its stop was not told, and did not come back with it."""
    hot = {"pack_id": "MB-P-0900", "time": "2026-03-12T08:00:00Z", "state": "rest", "temperature_c": 77}
    assert out.post("/v1/packs", json={"id": "MB-P-0900", "family": "gravel-14"}).status_code == 201
    if shelved:
        topup = {"pack_id": "MB-P-0900", "time": "2026-03-12T07:00:00Z", "blocks": [5], "charge_ah": 0.3}
        assert out.post("/v1/topups", json=topup).status_code == 201
    assert out.post("/v1/readings", json={**hot, "block_v": VOLTS}, headers={"Sure": "*"}).status_code == 201
    if shelved:
        ended = {"pack_id": "MB-P-0900", "time": "2026-03-12T09:00:00Z", "kind": "replaced"}
        assert out.post("/v1/outcomes", json=ended).status_code == 201
        assert "stop" not in " ".join(out.get("/v1/fleet/returns").json()["first"])
    asked = {"pack_id": "MB-P-0900"}
    document, told = asked_back(problem_in, out, vehicle(out), asked, pack_id="STOP: ")
    assert document["detail"].startswith("STOP: ")
    assert "77 °C" in document["detail"]
    assert told["said"][0].startswith("STOP: ")
    assert "1 pack stands under a stop" in out.get("/v1/fleet/returns").json()["first"][0]


def test_a_pack_moved_with_its_topup_open_is_an_open_case_of_the_vehicle_it_drives_in(out):
    """It was closed as replaced, drove on, and stood on no list."""
    away = out.post(FIT, json={**NEW, "at": "2026-03-13T09:00:00Z"}).json()
    assert out.get("/v1/fleet/ranking").json()["items"] == []
    there = out.post(vehicle(out), json={"pack_id": "MB-VAN-07"})
    assert there.status_code == 201, there.text
    assert "that case stays open, now in MB-CAB-90" in there.json()["said"][-1]
    (outcome,) = out.get("/v1/outcomes").json()["items"]
    assert (outcome["id"], outcome["kind"]) == (away["outcome_id"], "running")
    (ranked,) = out.get("/v1/fleet/ranking").json()["items"]
    assert (ranked["pack_id"], ranked["vehicle_id"]) == ("MB-VAN-07", "MB-CAB-90")
    queue = out.post("/v1/orders/queue", json={}).json()
    assert [case["vehicle_id"] for case in queue["left_out"]] == ["MB-CAB-90"], "not read at rest since its charge"
    assert out.post("/v1/packs/MB-VAN-07/forecasts", json={}).status_code == 201


def test_a_pack_charged_since_its_fault_came_back_goes_in_without_a_question(out, clock):
    ended = {"pack_id": "MB-VAN-07", "time": "2026-03-13T07:20:00Z", "kind": "returned"}
    assert out.post("/v1/outcomes", json=ended).status_code == 201
    charge = {"pack_id": "MB-VAN-07", "time": "2026-03-13T12:00:00Z", "blocks": [5], "charge_ah": 0.4}
    assert out.post("/v1/topups", json=charge, headers={"Sure": "*"}).status_code == 201
    assert out.post(FIT, json={**NEW, "at": "2026-03-14T08:00:00Z"}).status_code == 201
    assert out.post(vehicle(out), json={"pack_id": "MB-VAN-07"}).status_code == 201


def test_a_pack_whose_forecast_gravely_warns_is_asked_about(out, problem_in):
    """It went in without a word."""
    number = out.get("/v1/topups").json()["items"][0]["id"]
    volts = [12.9] * 4 + [13.2] + [12.9] * 9
    read = {"pack_id": "MB-VAN-07", "time": "2026-03-13T08:30:00Z", "state": "rest", "block_v": volts}
    assert out.post("/v1/readings", json=read).status_code == 201
    assert out.patch(f"/v1/topups/{number}", json={"charge_ah": 4.6, "duration_h": 8.4}).status_code == 200
    assert "overcharge" in out.post("/v1/packs/MB-VAN-07/forecasts", json={}).json()["answer"]["withheld_by"]
    assert out.post(FIT, json=NEW).status_code == 201
    warned = "The newest forecast of pack MB-VAN-07 carries a grave warning"
    _document, told = asked_back(problem_in, out, vehicle(out), {"pack_id": "MB-VAN-07"}, pack_id=warned)
    assert told["said"][0].startswith(warned)


def test_a_pack_moved_after_its_fault_came_back_is_no_open_case(out, problem_in):
    """It went in without a word that its fault was back."""
    assert out.post(FIT, json={**NEW, "old_became": "returned"}).status_code == 201
    back = "The fault of pack MB-VAN-07 came back on 2026-03-14, and nothing was charged since."
    _document, told = asked_back(problem_in, out, vehicle(out), {"pack_id": "MB-VAN-07"}, pack_id=back)
    assert told["said"][0].startswith(back)
    assert [outcome["kind"] for outcome in out.get("/v1/outcomes").json()["items"]] == ["returned"]
    assert not any("stays open" in line for line in told["said"])
    assert out.get("/v1/fleet/ranking").json()["items"] == []


def test_a_case_is_told_under_the_vehicle_that_its_pack_sits_in(out):
    vehicle(out)
    (seat,) = out.get("/v1/assignments").json()["items"]
    assert out.patch(f"/v1/assignments/{seat['id']}", json={"until": "2026-03-13T09:00:00Z"}).status_code == 200
    (ranked,) = out.get("/v1/fleet/ranking").json()["items"]
    assert ranked["vehicle_id"] is None
    moved = {"pack_id": "MB-VAN-07", "vehicle_id": "MB-CAB-90", "since": "2026-03-13T10:00:00Z"}
    assert out.post("/v1/assignments", json=moved).status_code == 201
    (ranked,) = out.get("/v1/fleet/ranking").json()["items"]
    assert ranked["vehicle_id"] == "MB-CAB-90"


def test_a_change_on_top_of_one_made_minutes_ago_is_asked_about(out, problem_in, clock):
    """Two people put different packs into one van within a second: both were taken, and the first was thrown out."""
    assert out.post(FIT, json=NEW).status_code == 201
    clock.forward(seconds=1)
    document = problem_in(out.post(FIT, json={**NEW, "pack_id": "MB-P-0916"}), 409)
    (problem,) = document["problems"]
    assert problem["what"] == "Pack MB-P-0815 was only just put into MB-VAN-07, at 2026-03-14 09:00+00:00."
    assert out.get("/v1/packs/MB-P-0916").status_code == 404
    assert out.post(FIT, json={**NEW, "pack_id": "MB-P-0916"}, headers={"Sure": document["sure"]}).status_code == 201
    clock.forward(hours=3)
    assert out.post(FIT, json={**NEW, "pack_id": "MB-P-1017"}).status_code == 201, "no longer one visit"


def test_another_family_than_the_vehicle_had_is_asked_about(out, problem_in):
    asked = {"pack_id": "MB-P-0816", "family": "flint-40"}
    asked_back(problem_in, out, FIT, asked, family="the pack before it in MB-VAN-07 was of gravel-14")


def test_a_change_before_the_old_packs_newest_entry_is_asked_about(out, problem_in):
    newest = max(fact["time"] for fact in out.get("/v1/packs/MB-VAN-07/history").json()["readings"])
    asked = {**NEW, "at": "2026-02-20T09:00:00Z"}
    document, _told = asked_back(problem_in, out, FIT, asked, at="was read or charged at")
    assert newest[:10] in document["detail"]


def test_all_that_looks_like_a_slip_is_asked_at_once(out, problem_in):
    asked = {"pack_id": "MBVAN-07", "family": "flint-40", "at": "2026-02-20T09:00:00Z"}
    words = {"family": "was of gravel-14", "at": "was read or charged", "pack_id": "differs from it only in capitals"}
    asked_back(problem_in, out, FIT, asked, **words)


SEAT = {"vehicle_id": "MB-CAB-90", "since": "2026-03-14T08:00:00Z"}


@pytest.mark.parametrize("several", [False, True], ids=["one", "an array"])
def test_an_assignment_asks_of_a_pack_as_fitting_it_does(out, problem_in, several):
    """A pack under a stop went into a vehicle without a word where its assignment was sent directly."""
    assert out.post("/v1/vehicles", json={"id": "MB-CAB-90"}).status_code == 201
    assert out.post("/v1/packs", json={"id": "MB-P-0900", "family": "gravel-14"}).status_code == 201
    seen = {"pack_id": "MB-P-0900", "time": "2026-03-12T08:00:00Z", "state": "rest", "block_v": [None] * 14}
    assert out.post("/v1/readings", json={**seen, "inspected": "damaged"}).status_code == 201
    seat = {**SEAT, "pack_id": "MB-P-0900"}
    sent = [seat] if several else seat
    document = problem_in(out.post("/v1/assignments", json=sent), 409)
    assert document["problems"][0]["what"].startswith("STOP: On 2026-03-12 swelling")
    assert document["problems"][0]["where"] == ("[0].pack_id" if several else "pack_id")
    before = len(out.get("/v1/assignments").json()["items"])
    past = {**seat, "since": "2026-02-01T08:00:00Z", "until": "2026-02-09T08:00:00Z"}
    assert out.post("/v1/assignments", json=past).status_code == 201, "it came out again"
    sure = {"Sure": document["sure"]}
    assert out.post("/v1/assignments", json=sent, headers=sure).status_code == 201
    assert len(out.get("/v1/assignments").json()["items"]) == before + 2


def test_an_assignment_asks_of_a_fault_that_is_back_and_of_another_family_and_of_a_corrected_seat(out, problem_in):
    assert out.post("/v1/vehicles", json={"id": "MB-CAB-90"}).status_code == 201
    assert out.post("/v1/packs", json={"id": "MB-P-0901", "family": "gravel-14"}).status_code == 201
    charge = {"pack_id": "MB-P-0901", "time": "2026-03-01T08:00:00Z", "blocks": [5]}
    assert out.post("/v1/topups", json=charge).status_code == 201
    back = {"pack_id": "MB-P-0901", "time": "2026-03-10T08:00:00Z", "kind": "returned"}
    assert out.post("/v1/outcomes", json=back).status_code == 201
    document = problem_in(out.post("/v1/assignments", json={**SEAT, "pack_id": "MB-P-0901"}), 409)
    assert "The fault of pack MB-P-0901 came back on 2026-03-10" in document["detail"]
    ended = out.post("/v1/assignments", json={**SEAT, "pack_id": "MB-P-0901", "until": "2026-03-14T08:30:00Z"})
    assert ended.status_code == 201
    address = f"/v1/assignments/{ended.json()['id']}"
    assert out.patch(address, json={"since": "2026-03-14T08:10:00Z"}).status_code == 200, "only a time is corrected"
    assert "came back on" in problem_in(out.patch(address, json={"until": None}), 409)["detail"], "it goes in again"
    assert out.post("/v1/packs", json={"id": "MB-P-0902", "family": "marl-28"}).status_code == 201
    document = problem_in(out.post("/v1/assignments", json={**SEAT, "pack_id": "MB-P-0902",
                                                            "since": "2026-03-14T08:40:00Z"}), 409)  # fmt: skip
    assert "is of the family marl-28; the pack before it in MB-CAB-90 was of gravel-14" in document["detail"]
