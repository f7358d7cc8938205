"""A stop goes by a look, a swap, or another value with its reason: not by leaving out what it rests on."""

from __future__ import annotations

import html
import re

import pytest

UNIT = "/bench/units/MB-VAN-07"
VOLTS = [12.9] * 14


@pytest.fixture
def hot(filled):
    """The van of the worked examples, out on its top-up and read at 77 °C; with the number of that reading."""
    filled.delete("/v1/outcomes/1?reason=a+slip")
    reading = {
        "pack_id": "MB-VAN-07",
        "time": "2026-03-13T08:00:00Z",
        "state": "rest",
        "temperature_c": 77,
        "block_v": VOLTS,
    }
    made = filled.post("/v1/readings", json=reading, headers={"Sure": "*"})
    assert made.status_code == 201
    return filled, made.json()["id"]


def stops(client) -> list[str]:
    response = client.post("/v1/packs/MB-VAN-07/forecasts", json={})
    return [stop["code"] for stop in response.json().get("stops", [])]


def test_the_temperature_that_stops_cannot_be_blanked(hot, problem_in):
    client, number = hot
    assert stops(client) == ["hot-pack"]
    for query in ("", "?reason=the+meter+was+off"):
        document = problem_in(client.patch(f"/v1/readings/{number}{query}", json={"temperature_c": None}), 422)
        (problem,) = document["problems"]
        assert problem["where"] == "temperature_c"
        assert "77 °C" in problem["what"]
        assert "Give the value that was read" in problem["mend"]
    assert stops(client) == ["hot-pack"]
    assert client.get(f"/v1/readings/{number}").json()["temperature_c"] == 77


def test_another_value_and_a_removal_need_a_reason_which_is_kept(hot, problem_in):
    client, number = hot
    for send in (client.delete, lambda address: client.patch(address, json={"temperature_c": 17})):
        document = problem_in(send(f"/v1/readings/{number}"), 422)
        assert [problem["where"] for problem in document["problems"]] == ["reason"]
        assert problem_in(send(f"/v1/readings/{number}?reason=%20"), 422)
        assert stops(client) == ["hot-pack"]
    why = "17 °C, a slip of the pen"
    assert client.patch(f"/v1/readings/{number}", params={"reason": why}, json={"temperature_c": 17}).status_code == 200
    assert stops(client) == []
    first, now = client.get(f"/v1/readings/{number}/versions").json()["items"]
    assert (first["reason"], now["reason"]) == (why, None)
    client.patch(f"/v1/readings/{number}", json={"temperature_c": 70}, headers={"Sure": "*"})
    assert stops(client) == ["hot-pack"]
    assert client.delete(f"/v1/readings/{number}", params={"reason": "of another car"}).status_code == 204
    assert client.get(f"/v1/readings/{number}/versions").json()["items"][-1]["reason"] == "of another car"
    assert stops(client) == []


def test_a_reading_of_another_pack_takes_its_stop_along_with_a_reason(hot, problem_in):
    client, number = hot
    other = {"id": "MB-VAN-08-P1", "family": "gravel-14"}
    assert client.post("/v1/packs", json=other).status_code == 201
    change = {"pack_id": other["id"]}
    problem_in(client.patch(f"/v1/readings/{number}", json=change), 422)
    assert client.patch(f"/v1/readings/{number}?reason=other+van", json=change).status_code == 200
    assert stops(client) == []


@pytest.mark.parametrize(
    ("record", "fact", "change", "code"),
    [
        ("readings", {"state": "rest", "block_v": [-1.0, *VOLTS[1:]]}, {"block_v": [None, *VOLTS[1:]]}, "reversed"),
        ("readings", {"state": "rest", "block_v": VOLTS, "inspected": "damaged"}, {"inspected": None}, "damaged"),
        ("topups", {"blocks": [5], "charge_ah": 14.0}, {"charge_ah": None}, "overfilled"),
        ("topups", {"blocks": [5], "end_v": 16.0}, {"end_v": None}, "over-voltage"),
    ],
)
def test_nothing_that_stops_can_be_left_out(filled, problem_in, record, fact, change, code):
    filled.delete("/v1/outcomes/1?reason=a+slip")
    if record == "topups":
        running = {"pack_id": "MB-VAN-07", "time": "2026-03-12T08:00:00Z", "kind": "running"}
        assert filled.post("/v1/outcomes", json=running).status_code == 201
        between = {"pack_id": "MB-VAN-07", "time": "2026-03-12T09:00:00Z", "state": "rest", "block_v": VOLTS}
        assert filled.post("/v1/readings", json=between).status_code == 201
    made = filled.post(
        f"/v1/{record}", json={"pack_id": "MB-VAN-07", "time": "2026-03-13T08:00:00Z", **fact}, headers={"Sure": "*"}
    )
    assert made.status_code == 201, made.text
    assert code in stops(filled)
    number = made.json()["id"]
    document = problem_in(filled.patch(f"/v1/{record}/{number}?reason=none", json=change), 422)
    assert document["problems"][0]["where"] == next(iter(change))
    assert code in stops(filled)


def test_what_no_stop_rests_on_is_blanked_and_removed_as_before(hot):
    client, _number = hot
    more = {"pack_id": "MB-VAN-07", "time": "2026-03-13T09:00:00Z", "state": "rest", "temperature_c": 76}
    number = client.post("/v1/readings", json={**more, "current_a": 0, "block_v": VOLTS}, headers={"Sure": "*"}).json()[
        "id"
    ]
    assert client.patch(f"/v1/readings/{number}", json={"current_a": None}).status_code == 200
    (plan,) = client.get("/v1/usage", params={"pack_id": "MB-VAN-07"}).json()["items"]
    assert client.delete(f"/v1/usage/{plan['id']}").status_code == 204
    assert client.patch("/v1/packs/MB-VAN-07", json={"age_years": None}).status_code == 200
    assert stops(client) == ["hot-pack"]


def test_the_page_says_it_at_the_field_and_takes_a_reason(hot):
    client, number = hot
    page = f"{UNIT}/reading/{number}"
    shown = client.get(page).text
    assert 'name="reason"' in shown
    token = re.search(r'name="form_token" value="([^"]+)"', shown)[1]
    form = {
        "form_token": token,
        "time": "2026-03-13T08:00",
        "state": "rest",
        "block_v": [str(v) for v in VOLTS],
        "etag": '"1"',
    }
    blanked = client.post(page, data={**form, "temperature_c": ""})
    assert blanked.status_code == 422
    assert "A stop rests on it" in blanked.text
    removed = client.post(page, data={**form, "temperature_c": "77", "take_away": "yes"})
    assert removed.status_code == 422
    assert "A stop would go with this" in removed.text
    assert stops(client) == ["hot-pack"]
    corrected = client.post(page, data={**form, "temperature_c": "17", "reason": "a slip"}, follow_redirects=False)
    assert corrected.status_code == 303
    assert stops(client) == []


def test_a_stop_that_a_look_lifts_leads_to_entering_one(filled):
    filled.delete("/v1/outcomes/1?reason=a+slip")
    hot = {"pack_id": "MB-VAN-07", "state": "rest", "block_v": VOLTS}
    filled.post(
        "/v1/readings", json={**hot, "time": "2026-03-13T08:00:00Z", "temperature_c": 77}, headers={"Sure": "*"}
    )
    look = f'href="{UNIT}/reading/new#inspected"'
    assert look not in filled.get(UNIT).text, "nobody is sent to a pack at 77 °C"
    filled.post("/v1/readings", json={**hot, "time": "2026-03-13T12:00:00Z", "temperature_c": 17})
    for page in (UNIT, f"{UNIT}/what-if", f"{UNIT}/recheck", f"{UNIT}/topup-plan", "/parts/cases/MB-VAN-07"):
        assert look in filled.get(page).text, page
    assert 'id="inspected"' in filled.get(f"{UNIT}/reading/new").text


def test_the_way_back_offered_at_once_takes_a_slip_back_and_says_so_in_its_versions(filled):
    filled.delete("/v1/outcomes/1?reason=a+slip")
    shown = filled.get(f"{UNIT}/reading/new").text
    token = re.search(r'name="form_token" value="([^"]+)"', shown)[1]
    form = {"form_token": token, "time": "2026-03-13T08:00", "state": "rest", "temperature_c": "77"}
    form["block_v"] = [str(v) for v in VOLTS]
    asked = filled.post(f"{UNIT}/reading/new", data=form).text
    form["sure"] = re.search(r'name="sure" value="([^"]+)"', asked)[1]  # so hot a reading is asked about
    page = filled.post(f"{UNIT}/reading/new", data=form).text
    assert stops(filled) == ["hot-pack"]
    steps = html.unescape(re.search(r'name="steps" value="([^"]+)"', page)[1])
    number = filled.get("/v1/readings").json()["items"][-1]["id"]
    undone = filled.post("/undo", data={"form_token": token, "steps": steps, "next": UNIT}, follow_redirects=False)
    assert undone.status_code == 303, undone.text
    assert stops(filled) == []
    assert filled.get(f"/v1/readings/{number}/versions").json()["items"][-1]["reason"] == "Undone."


@pytest.mark.parametrize(
    ("page", "form"),
    [
        ("reading/new", {"time": "2026-03-13T08:00", "state": "rest", "inspected": "damaged", "block_v": [""] * 14}),
        ("visit", {"before_inspected": "damaged"}),
    ],
)
def test_damage_is_kept_by_the_pages_without_a_volt(filled, page, form):
    filled.delete("/v1/outcomes/1?reason=a+slip")
    shown = filled.get(f"{UNIT}/{page}").text
    token = re.search(r'name="form_token" value="([^"]+)"', shown)[1]
    sent = filled.post(f"{UNIT}/{page}", data={"form_token": token, **form}, follow_redirects=False)
    assert sent.status_code == 303, html.unescape(re.sub(r"<[^>]+>|\s+", " ", sent.text))[:2000]
    assert stops(filled) == ["damaged"]
    kept = filled.get("/v1/readings").json()["items"][-1]
    assert (kept["inspected"], set(kept["block_v"])) == ("damaged", {None})
    assert filled.get(f"{UNIT}/reading/{kept['id']}").status_code == 200


def test_a_danger_is_withdrawn_with_a_reason_and_lifted_by_what_ends_it(filled, problem_in):
    """An isolation fault: neither taken away without a word, nor by a look or a cleared code."""
    filled.delete("/v1/outcomes/1?reason=a+slip")
    base = {"pack_id": "MB-VAN-07", "state": "rest", "block_v": VOLTS}
    danger = {**base, "time": "2026-03-12T08:00:00Z", "code": "P0AA6", "code_state": "pending"}
    made = filled.post("/v1/readings", json=danger)
    assert made.status_code == 201, made.text
    number = made.json()["id"]
    assert stops(filled) == ["isolation"]
    for door in ("what-if", "recheck", "topup-plan", "release", "orders"):
        sent = {"in_days": 7} if door == "release" else {}
        told = problem_in(filled.post(f"/v1/packs/MB-VAN-07/{door}", json=sent), 409)
        assert [stop["code"] for stop in told["stops"]] == ["isolation"], door
        assert told["detail"].startswith("STOP: On 2026-03-12 P0AA6 was noted"), door
    document = problem_in(filled.delete(f"/v1/readings/{number}"), 422)
    assert [problem["where"] for problem in document["problems"]] == ["reason"]
    assert "have the insulation measured" in document["detail"]
    assert filled.delete(f"/v1/readings/{number}", params={"reason": "of another car"}).status_code == 204
    assert stops(filled) == []
    assert filled.post("/v1/readings", json=danger).status_code == 201
    for hour, more in ((10, {"code_state": "none"}), (11, {"inspected": "sound"}), (12, {"inspected": "cells"})):
        assert (
            filled.post("/v1/readings", json={**base, "time": f"2026-03-12T{hour}:00:00Z", **more}).status_code == 201
        )
        assert stops(filled) == ["isolation"], more
    measured = {**base, "time": "2026-03-12T13:00:00Z", "inspected": "insulation"}
    assert filled.post("/v1/readings", json=measured).status_code == 201
    assert stops(filled) == []
