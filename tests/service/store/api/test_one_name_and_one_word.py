"""A vehicle has one name in every list, a forecast one word for each of its days, and no list counts one twice."""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import icalendar
import pytest
from sqlalchemy import select

from service.cli.decisions import _print_queue
from service.core.dates import day_in_words
from service.decisions.ordering.schemas import QueueAnswer
from service.pages.wording import unread
from service.store.schema import Assignment, Score

PACK = "MB-VAN-07"
FRESH = {
    "pack_id": "MB-VAN-07",
    "time": "2026-03-14T08:00:00Z",
    "state": "rest",
    "block_v": [12.9] * 4 + [13.2] + [12.9] * 9,
}
TODAY = {"at": "2026-03-14T08:00:00+00:00"}


@pytest.fixture
def out(filled, store):
    """The worked examples, the pack still out on its top-up in a vehicle of another name."""
    number = filled.get("/v1/outcomes").json()["items"][0]["id"]
    assert filled.delete(f"/v1/outcomes/{number}?reason=a+slip").status_code == 204
    assert filled.post("/v1/vehicles", json={"id": "MB-BUS-3"}).status_code == 201
    with store.writing() as session:
        for seat in session.scalars(select(Assignment).where(Assignment.pack_id == PACK)):
            session.delete(seat)
    seat = {"pack_id": PACK, "vehicle_id": "MB-BUS-3", "since": "2026-01-01T00:00:00Z"}
    assert filled.post("/v1/assignments", json=seat).status_code == 201
    return filled


def events_of(client):
    return icalendar.Calendar.from_ical(client.get("/v1/calendar.ics").content).walk("VEVENT")


def test_a_page_asked_for_by_its_vehicle_is_the_one_of_its_pack(out, problem_in):
    """It said "ask for that one" and had no link; the command line takes it."""
    for page in ("", "/recheck?risk=5"):
        response = out.get(f"/bench/units/MB-BUS-3{page}", follow_redirects=False)
        assert (response.status_code, response.headers["location"]) == (303, f"/bench/units/{PACK}{page}")
    assert "MB-BUS-3" in out.get("/bench/units/MB-BUS-3").text
    asked = out.post("/v1/packs/MB-BUS-3/forecasts", json={})
    assert f"sits pack {PACK}: ask for that one" in problem_in(asked, 404)["detail"]


def test_the_calendar_calls_a_vehicle_as_every_list_does(out, store):
    """It said "Read VAN-B0-P" beside "Order a pack for VAN-B0"."""
    assert out.post("/v1/readings", json=FRESH).status_code == 201
    assert out.post(f"/v1/packs/{PACK}/forecasts", json=TODAY).status_code == 201
    said = [str(event["SUMMARY"]) for event in events_of(out)]
    assert any(summary.startswith("Last promised day of MB-BUS-3,") for summary in said)
    assert not any(PACK in summary for summary in said)
    with store.writing() as session:
        session.get_one(Score, PACK).grave = True
    assert "Do not drive MB-BUS-3" in [str(event["SUMMARY"]) for event in events_of(out)]


def test_what_is_left_out_is_called_by_its_vehicle_too(out, clock):
    home = out.get("/").text
    assert "One vehicle is out on a top-up without a forecast" in home
    assert "<bdi>MB-BUS-3</bdi></a>." in home
    assert out.post(f"/v1/packs/{PACK}/forecasts", json={}).status_code == 201
    clock.now += timedelta(days=60)
    (said,) = [line for line in out.get("/v1/fleet/ranking").json()["first"] if "not read or not forecast" in line]
    assert "MB-BUS-3 (" in said


def test_an_order_is_for_the_vehicle_by_its_name(out, clock):
    order = {"supplier_id": "north-quay", "family": "gravel-14", "pack_id": PACK, "ordered_at": clock().isoformat()}
    assert out.post("/v1/deliveries", json=order).status_code == 201
    assert "for MB-BUS-3" in out.get("/parts/suppliers").text


def test_the_first_page_counts_each_vehicle_once(out, store, clock):
    """One that warns was counted again as not counted; those of yesterday and of years ago were one number."""
    assert out.post(f"/v1/packs/{PACK}/forecasts", json={}).status_code == 201
    with store.writing() as session:
        score = session.get_one(Score, PACK)
        score.good_until = score.origin
        score.seen_at = clock() - timedelta(days=1)
    assert "Of one vehicle not even one day can be promised" in out.get("/").text
    clock.now += timedelta(days=60)
    home = out.get("/").text
    assert "Of one vehicle nothing was entered for more than 30 days" in home
    assert "Of one vehicle not even one day" not in home
    assert "without a forecast or a reading" not in home, "it has been counted"
    with store.writing() as session:
        session.get_one(Score, PACK).grave = True
    home = out.get("/").text
    assert "The forecast of one vehicle warns" in home
    assert "nothing was entered for more than" not in home
    assert "without a forecast or a reading" not in home


def test_a_car_charged_or_read_three_hours_ago_is_not_said_to_lack_a_reading(clock):
    """Just after midnight it was "no reading since" the day before, also where a charge was entered last."""
    zone, since = ZoneInfo("UTC"), clock().replace(hour=22)
    assert unread(since, since + timedelta(hours=3), zone) == "not even one day can be promised"
    assert unread(since, since + timedelta(days=1), zone).startswith("nothing entered since ")


def test_the_day_a_forecast_was_made_is_not_the_day_it_counts_from(out):
    """Sheet and calendar said "of Sat 28 Nov", the way page "of Fri 27 Nov", of the same forecast."""
    assert out.post("/v1/readings", json=FRESH).status_code == 201
    made = out.post(f"/v1/packs/{PACK}/forecasts", json=TODAY).json()
    origin, issued = made["origin"][:10], made["issued_at"][:10]
    basis = out.post(f"/v1/packs/{PACK}/release", json={"in_days": 3}).json()["basis"]
    assert any(line.startswith(f"It rests on forecast {made['id']}, whose days count from {origin},") for line in basis)
    told = [str(event["DESCRIPTION"]) for event in events_of(out)]
    made_on = day_in_words(datetime.fromisoformat(issued), ZoneInfo("UTC"))
    assert any(f"Forecast {made['id']}, made on {made_on}, model" in said for said in told)


def test_a_stopped_pack_is_told_once_to_be_ordered(out, capsys):
    """The command line said it before and after the stop."""
    reading = {"pack_id": PACK, "time": "2026-03-13T08:00:00Z", "state": "rest", "block_v": [12.9] * 14}
    assert out.post("/v1/readings", json={**reading, "inspected": "damaged"}).status_code == 201
    _print_queue(QueueAnswer.model_validate(out.post("/v1/orders/queue", json={}).json()))
    printed = " ".join(capsys.readouterr().out.split())
    assert printed.count("It needs another pack: order today") == 1
    assert printed.index("STOP:") < printed.index("It needs another pack")


def test_a_unit_without_a_topup_is_offered_only_what_can_be_answered(api):
    """What if, when to read again and until the replacement comes were offered, and all three refused."""
    assert api.post("/v1/packs", json={"id": "MB-P-NEW", "family": "gravel-14"}).status_code == 201
    reading = {"pack_id": "MB-P-NEW", "time": "2026-03-13T08:00:00Z", "state": "rest", "block_v": [12.9] * 14}
    assert api.post("/v1/readings", json=reading).status_code == 201
    shown = api.get("/bench/units/MB-P-NEW").text
    assert "/bench/units/MB-P-NEW/topup-plan" in shown
    for page in ("what-if", "recheck", "way"):
        assert f"/bench/units/MB-P-NEW/{page}" not in shown


def test_no_second_charge_of_a_lithium_pack_is_asked_for(api):
    """Its page asked for the next top-up, while its plan says that nothing is put in by hand."""
    assert api.post("/v1/packs", json={"id": "MB-P-LI", "family": "loess-28"}).status_code == 201
    facts = {
        "readings": {"time": "2026-03-01T08:00:00Z", "state": "rest", "block_v": [7.4] * 28},
        "topups": {"time": "2026-03-02T08:00:00Z", "blocks": [5], "charge_ah": 0.4, "duration_h": 4},
        "outcomes": {"time": "2026-03-10T08:00:00Z", "kind": "returned"},
    }
    for name, fact in facts.items():
        made = api.post(f"/v1/{name}", json={**fact, "pack_id": "MB-P-LI"}, headers={"Sure": "*"})
        assert made.status_code == 201, made.text
    shown = api.get("/bench/units/MB-P-LI").text
    assert "The last top-up is over, and nothing is put into a lithium-ion pack by hand again." in shown
    assert "When the pack is topped up again" not in shown
