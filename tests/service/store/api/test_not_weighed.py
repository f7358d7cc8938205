"""What a forecast warned of stays on every list until the pack is weighed again, whatever is entered meanwhile."""

from __future__ import annotations

import pytest

VOLTS = [12.9] * 14
VAN = "MB-VAN-07"
WARNS, BEHIND = "not drive", "not weighed since the newest entry"


def read(client, day: int, hour: int = 8, **more):
    sent = {"pack_id": VAN, "time": f"2026-03-{day}T{hour:02}:00:00Z", "state": "rest", "block_v": VOLTS, **more}
    made = client.post("/v1/readings", json=sent, headers={"Sure": "*"})
    assert made.status_code == 201, made.text
    return made.json()["id"]


def keep(client):
    made = client.post(f"/v1/packs/{VAN}/forecasts", json={})
    assert made.status_code == 201, made.text
    return [flag["code"] for flag in made.json()["answer"]["flags"] if flag["grave"]]


def lists(client) -> tuple[str, str, str]:
    """The board, the bench's list and the calendar, as they are now."""
    calendar = client.get("/v1/calendar.ics").text.replace("\r\n ", "")
    return client.get("/").text, client.get("/bench").text, calendar


@pytest.fixture
def warm(filled):
    """The van of the worked examples, out on its top-up, read at 52 °C at rest and forecast."""
    filled.delete("/v1/outcomes/1?reason=a+slip")
    number = read(filled, 12, temperature_c=52)
    assert "warm-pack" in keep(filled)
    return filled, number


def assert_warns(client, *, behind: bool):
    board, bench, calendar = lists(client)
    assert "do not drive it before" in board
    assert "Its forecast warns: look first" in bench
    assert f"SUMMARY:Do not drive {VAN}" in calendar
    assert [BEHIND in board, BEHIND in bench, "not weighed in" in calendar] == [behind] * 3


def test_a_warned_pack_stays_when_something_is_entered(warm):
    client, number = warm
    assert_warns(client, behind=False)
    read(client, 12, 10, temperature_c=20)
    assert_warns(client, behind=True)
    assert "warm-pack" in keep(client)
    assert_warns(client, behind=False)
    # A correction of what the forecast was made from drops it from every decision, not from the warnings.
    client.patch(f"/v1/readings/{number}", json={"current_a": 0.1})
    assert_warns(client, behind=True)
    topup = {"pack_id": VAN, "time": "2026-03-12T12:00:00Z", "blocks": [5], "charge_ah": 0.3}
    running = {"pack_id": VAN, "time": "2026-03-12T11:00:00Z", "kind": "running"}
    assert client.post("/v1/outcomes", json=running).status_code == 201
    assert client.post("/v1/topups", json=topup, headers={"Sure": "*"}).status_code == 201
    assert_warns(client, behind=True)
    client.post("/v1/outcomes", json={"pack_id": VAN, "time": "2026-03-12T13:00:00Z", "kind": "retired"})
    board, _bench, calendar = lists(client)
    assert "do not drive it before" not in board
    assert "Do not drive" not in calendar


def test_a_look_and_a_new_forecast_end_it(warm):
    client, number = warm
    client.patch(f"/v1/readings/{number}", json={"current_a": 0.1})
    read(client, 13, 9, inspected="sound")
    assert_warns(client, behind=True)
    assert "warm-pack" not in keep(client)
    board, bench, _calendar = lists(client)
    assert BEHIND not in board + bench
    assert "look first" not in bench


def test_an_entry_that_no_forecast_knows_is_said_first(filled):
    filled.delete("/v1/outcomes/1?reason=a+slip")
    read(filled, 12)
    assert keep(filled) == []
    assert BEHIND not in "".join(lists(filled))
    hot = read(filled, 12, 10, temperature_c=52)
    board, bench, calendar = lists(filled)
    assert "Something was entered of one vehicle since its forecast" in board
    assert BEHIND in bench
    assert BEHIND in calendar or "Forecast MB-VAN-07 again" in calendar
    assert "nothing entered since" not in board, "there is one"
    filled.delete(f"/v1/readings/{hot}?reason=of+another+car")
    assert BEHIND not in "".join(lists(filled)), "nothing newer is on record any more"


def test_a_stop_stays_whatever_is_entered_and_comes_back_as_not_weighed(warm):
    client, _number = warm
    hot = read(client, 12, 10, temperature_c=70)
    for hour in (11, 12):
        read(client, 12, hour, temperature_c=30)
        board, bench, calendar = lists(client)
        assert "STOP: " in board
        assert "STOP: " in bench
        assert f"SUMMARY:STOP: {VAN}" in calendar
    client.patch(f"/v1/readings/{hot}?reason=a+slip", json={"temperature_c": 17})
    assert_warns(client, behind=True)


def test_lists_have_the_cautions_of_the_cells_that_are_in_them(filled):
    filled.delete("/v1/outcomes/1?reason=a+slip")
    read(filled, 12, temperature_c=70)
    _board, bench, calendar = lists(filled)
    assert "Lithium" not in bench
    assert "Lithium" not in calendar
    assert "caustic" in bench
    assert filled.post("/v1/packs", json={"id": "MB-CAB-09-P1", "family": "loess-28"}).status_code == 201
    sent = {"pack_id": "MB-CAB-09-P1", "time": "2026-03-12T08:00:00Z", "state": "rest", "temperature_c": 66}
    assert filled.post("/v1/readings", json={**sent, "block_v": [7.4] * 28}, headers={"Sure": "*"}).status_code == 201
    _board, bench, calendar = lists(filled)
    assert "Lithium" in bench
    assert "caustic" in bench
    (event,) = [part for part in calendar.split("BEGIN:VEVENT") if "STOP: MB-CAB-09-P1" in part]
    assert "Lithium" in event
    (other,) = [part for part in calendar.split("BEGIN:VEVENT") if "STOP: MB-VAN-07" in part]
    assert "Lithium" not in other
    alone = filled.get("/bench?unit=CAB").text
    assert "Lithium" in alone
    assert "caustic" not in alone
