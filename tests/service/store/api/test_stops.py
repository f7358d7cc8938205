"""A fact on record that ends a job: every page and route of the stored pack says so, and no list decides on it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from models.packs.stops import STOPS, StopRule
from service.exchange.imports.loading import import_files
from service.records.versions import Writer
from tests.cases.packs import history_of_case
from tests.service.store.backends import ON_SQLITE
from training.files.families import load_families

pytestmark = ON_SQLITE

VAN = "/v1/packs/MB-VAN-07"
UNIT = "/bench/units/MB-VAN-07"


@pytest.fixture
def out(filled):
    """The worked examples, the van still out on its top-up and forecast."""
    filled.delete("/v1/outcomes/1?reason=a+slip")
    assert filled.post(f"{VAN}/forecasts", json={}).status_code == 201
    return filled


@pytest.fixture
def shorted(out):
    """The same van, read again with two cells shorted in the block that was topped up."""
    volts = [12.9] * 14
    volts[4] -= 2.6
    reading = {"pack_id": "MB-VAN-07", "time": "2026-03-13T08:00:00Z", "state": "rest", "block_v": volts}
    assert out.post("/v1/readings", json=reading).status_code == 201
    return out


ASKED = {
    "forecasts": {},
    "topup-plan": {},
    "what-if": {},
    "recheck": {},
    "release": {"in_days": 7},
    "orders": {},
}


@pytest.mark.parametrize("door", ASKED)
def test_each_route_of_the_pack_answers_with_the_stop(shorted, problem_in, door):
    document = problem_in(shorted.post(f"{VAN}/{door}", json=ASKED[door]), 409)
    assert [stop["code"] for stop in document["stops"]] == ["cell-down"]
    assert "2 of its 10 cells" in document["detail"]


@pytest.mark.parametrize(
    "page",
    [
        UNIT,
        f"{UNIT}/what-if",
        f"{UNIT}/recheck",
        f"{UNIT}/topup-plan",
        f"{UNIT}/way?in_days=7",
        "/parts/cases/MB-VAN-07",
        "/bench/forecasts/1",
        "/bench/forecasts/1/sheet.pdf",
    ],
)
def test_each_page_of_the_pack_shows_the_stop_and_no_figure(out, page):
    before = out.get(page)
    # A sheet is printed only until the last day promised, and nothing is planned before the pack is read once more.
    assert before.status_code == 200 or page.endswith(("sheet.pdf", "topup-plan"))
    volts = [12.9] * 14
    volts[4] -= 2.6
    reading = {"pack_id": "MB-VAN-07", "time": "2026-03-13T08:00:00Z", "state": "rest", "block_v": volts}
    out.post("/v1/readings", json=reading)
    shown = out.get(page).text
    assert 'data-stop="cell-down"' in shown
    assert "STOP: " in shown
    assert "never alone" in shown.lower()
    for promise in ("such packs hold", "100 still hold", "Put in", "Good for, at"):
        assert promise not in shown.split("Forecasts as they were told")[0]


def test_a_kept_forecast_is_not_told_once_its_pack_is_stopped(out, problem_in):
    """It said "may go until" with status 200, where the page showed the stop and the sheet was refused."""
    kept = "/v1/issued-forecasts/1"
    (before,) = out.get("/v1/issued-forecasts").json()["items"]
    tag = out.get(kept).headers["ETag"]
    assert not any("STOP" in said or "seen" in said for said in before["first"])
    reading = {"pack_id": "MB-VAN-07", "time": "2026-03-13T08:00:00Z", "state": "rest", "block_v": [12.9] * 14}
    assert out.post("/v1/readings", json={**reading, "inspected": "damaged"}).status_code == 201
    for headers in ({}, {"If-None-Match": tag}):
        document = problem_in(out.get(kept, headers=headers), 409)
        assert [stop["code"] for stop in document["stops"]] == ["damaged"]
    (listed,) = out.get("/v1/issued-forecasts").json()["items"]
    assert listed["first"][0] == document["stops"][0]["text"]


def test_no_list_decides_on_a_stopped_pack(out, shorted):
    ranked = shorted.post("/v1/orders/queue", json={})
    assert "MB-VAN-07" not in [entry["pack_id"] for entry in ranked.json().get("entries", [])]


def test_a_pack_that_needs_another_is_told_where_one_comes_from_soonest(out):
    """The pack surest to need a new one got no advice at all: the queue left it out, the orders gave a 409."""
    reading = {"pack_id": "MB-VAN-07", "time": "2026-03-13T08:00:00Z", "state": "rest", "block_v": [12.9] * 14}
    assert out.post("/v1/readings", json={**reading, "inspected": "damaged"}).status_code == 201
    queue = out.post("/v1/orders/queue", json={}).json()
    (said,) = [one["reasons"] for one in queue["entries"] if one["pack_id"] == "MB-VAN-07"]
    offers = out.get("/v1/offers").json()["items"]
    soonest = min(offers, key=lambda offer: offer["usual_days"])["supplier_id"]
    assert f"It needs another pack: order today, from {soonest}, who comes soonest." in said
    refused = out.post("/v1/packs/MB-VAN-07/orders", json={})
    assert refused.status_code == 409
    (stop,) = [stop for stop in refused.json()["stops"] if stop["code"] == "damaged"]
    assert stop["needs_pack"]
    assert "order another pack today, from whoever delivers soonest" in stop["instead"]
    page = out.get("/bench/units/MB-VAN-07").text
    assert "It was looked over: enter what was seen" not in page, "a look alone does not lift it"
    assert "A module was swapped and it was looked over since" in page
    form = out.get("/bench/units/MB-VAN-07/topup/new").text
    assert "STOP: " in form
    assert "Enter here only what was charged already" in form
    order = {"supplier_id": "north-quay", "family": "gravel-14", "ordered_at": "2026-03-13T09:00:00Z", "express": False}
    assert out.post("/v1/deliveries", json={**order, "pack_id": "MB-VAN-07"}).status_code == 201
    queue = out.post("/v1/orders/queue", json={}).json()
    assert not queue["entries"]


def test_the_order_of_a_stopped_pack_stands_in_the_queue(out):
    """It was on its way, and the queue knew of no order for it once a fact had stopped the pack."""
    order = {"supplier_id": "north-quay", "family": "gravel-14", "ordered_at": "2026-03-04T09:00:00Z", "express": False}
    made = out.post("/v1/deliveries", json={**order, "pack_id": "MB-VAN-07"})
    assert made.status_code == 201, made.text
    volts = [12.9] * 14
    volts[4] -= 2.6
    reading = {"pack_id": "MB-VAN-07", "time": "2026-03-13T08:00:00Z", "state": "rest", "block_v": volts}
    assert out.post("/v1/readings", json=reading).status_code == 201
    queue = out.post("/v1/orders/queue", json={}).json()
    assert "STOP" in next(one["reason"] for one in queue["left_out"] if one["pack_id"] == "MB-VAN-07")
    (coming,) = [one for one in queue["on_order"] if one["pack_id"] == "MB-VAN-07"]
    assert coming["delivery_id"] == made.json()["id"]
    assert coming["fault_first"] is None
    assert "MB-VAN-07" in out.get("/parts").text


DOORS = [json.loads(line) for line in Path("tests/cases/bench/doors.jsonl").read_text().splitlines()]
STOPPED = [json.loads(line) for line in Path("tests/cases/bench/stops.jsonl").read_text().splitlines()]
FAMILIES = load_families()
FACTS = ("topups", "readings", "usage", "outcomes")


def case_of(rule: StopRule) -> dict:
    """The first case of a stop: one that is topped up where there is any."""
    if rule.ends == "everything":
        cases = [case for case in STOPPED if rule.code in (case["forecast"] or [])]
    else:
        cases = [case for case in STOPPED if case["forecast"] == [] and rule.code in (case["plan"] or [])]
    return next((case for case in cases if case["pack"].get("charge", {}) is not None), cases[0])


def stored(api, history: dict) -> None:
    """Put a history in the place of what is on record of its pack."""
    pack_id = history["pack_id"]
    for name in FACTS:
        for row in api.get(f"/v1/{name}", params={"pack_id": pack_id}).json()["items"]:
            assert api.delete(f"/v1/{name}/{row['id']}?reason=another+case").status_code == 204
    for name in FACTS:
        for row in history[name]:
            sent = api.post(f"/v1/{name}", json={"pack_id": pack_id, **row}, headers={"Sure": "*"})
            assert sent.status_code == 201, sent.text


def with_history(body: object, history: dict) -> object:
    if isinstance(body, dict):
        return {name: with_history(part, history) for name, part in body.items()}
    return history if body == "the history" else body


def answered(door: dict, api, tideover, home: Path, history: dict) -> str:
    """What a door answers, where the stop has to stand first; the reason if it does not stand there."""
    body = with_history(door.get("body"), history)
    if "command" in door:
        # A pack on record lies in this test's store, one that is sent needs the model of the shared home.
        where = {"env": {"TIDEOVER_HOME": str(home)}} if "stored" in door["way"] else {}
        ran = tideover(*door["command"], input=None if body is None else json.dumps(body), **where)
        return ran.stdout if ran.exit_code == 3 and ran.stdout.startswith("STOP: ") else f"status {ran.exit_code}"
    response = api.post(door["post"], json=body) if "post" in door else api.get(door["get"])
    if "post" in door:
        said = response.status_code == 409 and response.json()["type"] == "urn:tideover:problem:stop"
        return response.json()["detail"] if said else f"status {response.status_code}"
    return response.text if 'data-stop="' in response.text and "STOP: " in response.text else "a page without it"


@pytest.mark.parametrize("rule", STOPS, ids=[rule.code for rule in STOPS])
def test_every_stop_shows_at_every_door(api, tideover, tmp_path, rule):
    case = case_of(rule)
    history = history_of_case(case["pack"], FAMILIES)
    name, family = history["pack_id"], history["family"]
    api.post("/v1/packs", json={"id": name, "family": family, "age_years": history["age_years"]})
    stored(api, history_of_case({"family": family}, FAMILIES))
    assert api.post(f"/v1/packs/{name}/forecasts", json={}).status_code == 201
    stored(api, history)
    for door in DOORS:
        told = answered(door, api, tideover, tmp_path, history)
        stopped = told.startswith("STOP: ") or 'data-stop="' in told
        assert stopped == (rule.ends in door["ends"]), (door["door"], door["way"], told[:200])
        if stopped:
            shown = told.split("Forecasts as they were told")[0]
            assert not any(word in shown for word in ("such packs hold", "100 still hold", "Put in", "Good for, at"))
            if "get" in door:
                assert f'data-stop="{rule.code}"' in told
    if rule.ends == "everything":
        # Nothing is promised of it in any list; each says STOP in the place of that.
        for address in ("/v1/calendar.ics", "/bench", "/", "/parts"):
            shown = api.get(address).text.replace("\r\n ", "")
            assert f"STOP: {name}" in shown if address.endswith("ics") else "STOP: " in shown, address
            for promise in (f"promised day of {name}", "good until", f"order a pack for {name}", f"Read {name} again"):
                assert promise not in shown, (address, promise)
        assert name not in json.dumps(api.post("/v1/orders/queue", json={}).json().get("entries", []))


FRESH = [12.9] * 4 + [13.2] + [12.9] * 9
STOPPING = {
    "a hot pack": ("readings", {"state": "rest", "temperature_c": 61, "block_v": [12.9] * 14}),
    "more than it holds": ("topups", {"blocks": [5], "charge_ah": 7.0}),
}


@pytest.mark.parametrize("why", STOPPING)
def test_a_stop_takes_the_place_of_what_was_promised_on_every_board(filled, problem_in, why):
    """ "Good until" stayed in the calendar, in the bench's list and on the first page."""
    number = filled.get("/v1/outcomes").json()["items"][0]["id"]
    table, fact = STOPPING[why]
    if table == "topups":
        top = filled.get("/v1/topups").json()["items"][0]["id"]
    else:
        filled.delete(f"/v1/outcomes/{number}?reason=a+slip")
    filled.delete(f"/v1/outcomes/{number}?reason=a+slip")
    fresh = {"pack_id": "MB-VAN-07", "time": "2026-03-14T08:00:00Z", "state": "rest", "block_v": FRESH}
    assert filled.post("/v1/readings", json=fresh).status_code == 201
    issued = filled.post(f"{VAN}/forecasts", json={"at": "2026-03-14T08:00:00Z"})
    assert issued.status_code == 201, issued.text
    assert issued.json()["good_for_days"] > 0
    if table == "topups":
        assert (
            filled.patch(f"/v1/topups/{top}", json={"charge_ah": fact["charge_ah"]}, headers={"Sure": "*"}).status_code
            == 200
        )
    else:
        sent = {"pack_id": "MB-VAN-07", "time": "2026-03-14T08:30:00Z", **fact}
        assert filled.post("/v1/readings", json=sent, headers={"Sure": "*"}).status_code == 201
    for address in ("/bench", "/", "/parts"):
        shown = filled.get(address).text
        assert "STOP: " in shown
        assert "good until" not in shown
        assert "last promised day" not in shown
    calendar = filled.get("/v1/calendar.ics").text.replace("\r\n ", "")
    assert "SUMMARY:STOP: MB-VAN-07" in calendar
    assert "promised day" not in calendar
    # Taken back, the boards are as before but for the forecast, which has to be made anew.
    stored = filled.get(f"/v1/{table}").json()["items"][-1]["id"]
    if table == "topups":
        filled.patch(f"/v1/topups/{top}?reason=a+slip", json={"charge_ah": 1.2})
    else:
        filled.delete(f"/v1/readings/{stored}?reason=of+another+car")
    assert "STOP: " not in filled.get("/").text
    assert filled.post(f"{VAN}/forecasts", json={"at": "2026-03-14T08:00:00Z"}).status_code == 201
    assert "good until" in filled.get("/bench").text


def test_a_corrected_fact_takes_the_forecast_that_rested_on_it_out_of_every_list(out, problem_in):
    """After a top-up was corrected, the release went on by the forecast of before."""
    assert out.post(f"{VAN}/release", json={"in_days": 7}).status_code == 200
    top = out.get("/v1/topups").json()["items"][0]["id"]
    assert out.patch(f"/v1/topups/{top}", json={"charge_ah": 1.3}).status_code == 200
    document = problem_in(out.post(f"{VAN}/release", json={"in_days": 7}), 409)
    assert "There is no forecast of pack MB-VAN-07 as things stand." in document["detail"]
    assert "good until" not in out.get("/bench").text
    out.post(f"{VAN}/forecasts", json={})
    assert out.post(f"{VAN}/release", json={"in_days": 7}).status_code == 200


def test_an_import_takes_note_of_what_stops_a_pack(out, store, tmp_path, clock):
    blocks = [f"block_{n}_v" for n in range(1, 15)]
    row = ["MB-VAN-07", "2026-03-13T12:00:00Z", "rest", "61", *["12.9"] * 14]
    heading = ["pack_id", "time", "state", "temperature_c", *blocks]
    file = tmp_path / "readings.csv"
    file.write_text(",".join(heading) + "\n" + ",".join(row) + "\n")
    assert import_files(store, file, FAMILIES, Writer("tests", clock())).stored
    assert "STOP: The pack was last read at 61 °C" in out.get("/bench").text


def test_the_stop_of_a_pack_that_came_out_is_told_of_the_pack_and_not_of_the_vehicle(shorted):
    """Refitted with a sound pack, the vehicle was still told not to be driven."""
    (seat,) = [one for one in shorted.get("/v1/assignments").json()["items"] if one["pack_id"] == "MB-VAN-07"]
    for board in ("/", "/parts"):
        assert "One vehicle stands under a stop" in shorted.get(board).text
    ended = shorted.patch(f"/v1/assignments/{seat['id']}", json={"until": "2026-03-13T09:00:00Z"})
    assert ended.status_code == 200, ended.text
    for board in ("/", "/parts"):
        shown = shorted.get(board).text
        assert "vehicle stands under a stop" not in shown
        assert "One pack that came out of its vehicle is under a stop: keep away from it" in shown
        assert ">Pack MB-VAN-07</a>" in shown


def test_damage_that_was_seen_is_kept_without_a_volt_and_goes_with_its_module(out):
    """A swollen pack that nobody dared to read was refused, "fewer than two blocks were read", and was not stopped."""
    seen = {"pack_id": "MB-VAN-07", "time": "2026-03-13T08:00:00Z", "state": "rest", "block_v": [None] * 14}
    assert "needs none" in out.post("/v1/readings", json=seen).json()["detail"]
    made = out.post("/v1/readings", json={**seen, "inspected": "damaged"})
    assert made.status_code == 201, made.text
    for door, asked in ASKED.items():
        assert out.post(f"{VAN}/{door}", json=asked).json()["stops"][0]["code"] == "damaged", door
    page = out.get(UNIT)
    assert page.status_code == 200
    assert 'data-stop="damaged"' in page.text
    swap = {"pack_id": "MB-VAN-07", "time": "2026-03-13T10:00:00Z", "blocks": [5], "also_done": "module-swapped"}
    ended = {"pack_id": "MB-VAN-07", "time": "2026-03-13T07:00:00Z", "kind": "running"}
    assert out.post("/v1/outcomes", json=ended).status_code == 201
    assert out.post("/v1/topups", json=swap).status_code == 201
    look = {**seen, "time": "2026-03-14T08:00:00Z", "block_v": [12.9] * 14, "inspected": "sound"}
    assert out.post("/v1/readings", json=look).status_code == 201
    kept = out.post(f"{VAN}/forecasts", json={})
    assert kept.status_code == 201, kept.text
    assert out.post(f"{VAN}/what-if", json={}).status_code == 200
    for shown in (UNIT, f"{UNIT}/what-if", f"/bench/forecasts/{kept.json()['id']}"):
        assert out.get(shown).status_code == 200, shown
