"""What nobody has looked at for long, and what a forecast gravely warns of, is said at every door that decides."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import icalendar
import pytest
from sqlalchemy import select

from service.cli.fleet import until_words
from service.decisions.fleet.schemas import Ranked
from service.pages.wording import unread
from service.store.schema import IssuedForecast, Score

VAN = "/v1/packs/MB-VAN-07"
COSTS = {"currency": "EUR", "planned_work": 300, "return_work": 300, "stranding": 600, "capital_per_day": 0.5}


@pytest.fixture
def out(filled):
    """The worked examples, the van still out on its top-up."""
    number = filled.get("/v1/outcomes").json()["items"][0]["id"]
    filled.delete(f"/v1/outcomes/{number}?reason=a+slip")
    return filled


def test_the_command_line_says_of_a_car_read_today_what_its_page_says(out, clock):
    """It said "no reading since" today, of a car read this morning."""
    item = Ranked.model_construct(grave=False, unread=False, unweighed=False, good_until=None, no_reading_since=clock())
    assert until_words(item, clock(), ZoneInfo("UTC")) == "not even one day can be promised"
    assert unread(clock(), clock(), ZoneInfo("UTC")) == until_words(item, clock(), ZoneInfo("UTC"))
    later = clock() + timedelta(days=2)
    assert until_words(item, later, ZoneInfo("UTC")) == f"nothing entered since {clock().date().isoformat()}"


def test_a_pack_never_promised_a_day_is_not_called_past_its_last_one(out, clock, store):
    """The first page named it among those past their last promised day, the bench's list until when it was good."""
    out.post(f"{VAN}/forecasts", json={})
    with store.writing() as session:
        score = session.scalars(select(Score)).one()
        score.good_until = score.seen_at = score.origin
        session.get_one(IssuedForecast, score.forecast_id).good_for_days = 0.4
    home = out.get("/").text
    assert "past its last promised day" not in home
    assert "Of one vehicle not even one day can be promised" in home
    shown = out.get("/bench", params={"unit": "MB-VAN"}).text
    assert "good until" not in shown


def test_long_after_its_newest_reading_nothing_is_dated_and_nothing_released(out, clock, problem_in, store):
    """Fleet ranking and calendar dated cars that had been silent for years; a release went without a warning."""
    clock.now = datetime(2026, 9, 1, 9, 0, tzinfo=UTC)
    issued = out.post(f"{VAN}/forecasts", json={"at": "2026-09-01T09:00:00Z"})
    assert issued.status_code == 201, issued.text
    assert issued.json()["good_for_days"] == 0, "nobody read it after its charge"
    assert {promise["days"] for promise in issued.json()["answer"]["good_for"]} == {None}
    (item,) = out.get("/v1/fleet/ranking", params=COSTS).json()["items"]
    assert item["good_until"] is None
    assert item["no_reading_since"].startswith("2026-03-02")
    with store.reading() as session:
        assert session.scalars(select(Score.seen_at)).one() == datetime(2026, 3, 2, 12, 50, tzinfo=UTC)
    events = icalendar.Calendar.from_ical(out.get("/v1/calendar.ics").content).walk("VEVENT")
    # Nobody read it after its charge either, and that is the graver.
    assert "Do not drive MB-VAN-07" in [str(event["SUMMARY"]) for event in events]
    assert not any("promised" in str(event["SUMMARY"]) for event in events)
    assert "last entry" in out.get("/").text
    document = problem_in(out.post(f"{VAN}/release", json={"in_days": 7}), 409)
    assert "no reading of pack MB-VAN-07 since 2026-03-02" in document["detail"]
    assert "no reading of pack MB-VAN-07 since" in out.get("/bench/units/MB-VAN-07/way?in_days=7").text
    # Read again, it may be released again.
    reading = {"pack_id": "MB-VAN-07", "time": "2026-09-01T08:30:00Z", "state": "rest", "block_v": [12.9] * 14}
    assert out.post("/v1/readings", json=reading).status_code == 201
    assert out.post(f"{VAN}/forecasts", json={}).status_code == 201
    assert out.post(f"{VAN}/release", json={"in_days": 7}).status_code == 200


def test_no_forecast_is_kept_from_a_moment_that_has_not_come(out, clock, problem_in):
    """Kept from a day in spring it said "has already held 94 days", and the release promised those days."""
    clock.now = datetime(2026, 3, 3, 9, 0, tzinfo=UTC)
    before = out.get("/v1/issued-forecasts").json()["items"]
    document = problem_in(out.post(f"{VAN}/forecasts", json={"at": "2026-06-01T00:00:00Z"}), 422)
    (error,) = document["problems"]
    assert "in the future" in error["what"]
    assert "Leave it out" in error["mend"]
    assert out.get("/v1/issued-forecasts").json()["items"] == before
    assert out.post(f"{VAN}/forecasts", json={"at": "2026-03-03T09:03:00Z"}).status_code == 201


def test_what_was_promised_is_used_up_day_by_day_in_what_orders_go_by(out, clock):
    level = {"pack_id": "MB-VAN-07", "time": "2026-03-03T08:30:00Z", "state": "rest", "block_v": [13.0] * 14}
    clock.now = datetime(2026, 3, 3, 12, 0, tzinfo=UTC)
    assert out.post("/v1/readings", json=level).status_code == 201
    out.post(f"{VAN}/forecasts", json={})
    latest = []
    for days in (0, 2, 6):
        clock.now = datetime(2026, 3, 3 + days, 12, 0, tzinfo=UTC)
        (offer,) = out.post(f"{VAN}/orders", json={"risk": 0.5}).json()["offers"]
        latest.append(offer["latest_on"])
    known = [day for day in latest if day is not None]
    assert known == sorted(known, reverse=True) or len(set(known)) <= 1


def test_a_reading_later_than_the_forecast_is_said_before_anybody_goes_by_it(out, clock, problem_in):
    """A block found sunk again after the forecast was kept: the release answered as before, without a word."""
    assert out.post(f"{VAN}/forecasts", json={}).status_code == 201
    told = out.post(f"{VAN}/release", json={"in_days": 7}).json()["first"]
    clock.now = datetime(2026, 3, 4, 12, 0, tzinfo=UTC)
    reading = {"pack_id": "MB-VAN-07", "time": "2026-03-04T08:30:00Z", "state": "rest", "block_v": [12.9] * 14}
    assert out.post("/v1/readings", json=reading).status_code == 201
    later = out.post(f"{VAN}/release", json={"in_days": 7}).json()["first"]
    said = "The blocks were read on 2026-03-04, after the forecast that this rests on. Keep a new forecast first."
    assert said not in told
    assert said in later
    # Orders weighed it by the chances of a curve that did not know the reading; so did queue and plan.
    assert said in problem_in(out.post(f"{VAN}/orders", json={}), 409)["detail"]
    assert out.post(f"{VAN}/forecasts", json={}).status_code == 201
    assert said not in out.post(f"{VAN}/release", json={"in_days": 7}).json()["first"]
    assert said not in out.post(f"{VAN}/orders", json={}).text


def test_nobody_is_let_go_by_a_forecast_that_does_not_know_the_newest_reading(out, clock):
    """A block fell far under load after the forecast was kept: the release promised a day, the ranking another."""
    clock.now = datetime(2026, 3, 4, 12, 0, tzinfo=UTC)
    level = {"pack_id": "MB-VAN-07", "time": "2026-03-04T08:30:00Z", "state": "rest", "block_v": [13.0] * 14}
    assert out.post("/v1/readings", json=level).status_code == 201
    assert out.post(f"{VAN}/forecasts", json={}).status_code == 201
    by_figures = out.post(f"{VAN}/release", json={"in_days": 1}).json()
    assert by_figures["get_there"] is not None or "not even one day" in by_figures["first"][0]
    (item,) = out.get("/v1/fleet/ranking", params=COSTS).json()["items"]
    assert not item["unweighed"]
    volts = [11.2] * 13 + [10.2]
    load = {
        "pack_id": "MB-VAN-07",
        "time": "2026-03-04T10:30:00Z",
        "state": "discharge",
        "current_a": 18,
        "block_v": volts,
    }
    assert out.post("/v1/readings", json=load).status_code == 201
    told = out.post(f"{VAN}/release", json={"in_days": 1}).json()
    assert told["get_there"] is told["good_until"] is told["km"]["middle"] is None
    assert "Keep a new forecast first" in told["sentence"]
    assert told["first"].count(told["first"][0]) == 1
    assert not any("Promise it until" in one for one in told["conditions"])
    (item,) = out.get("/v1/fleet/ranking", params=COSTS).json()["items"]
    assert item["unweighed"]
    assert item["good_until"] is None
    flags = out.post(f"{VAN}/forecasts", json={}).json()["answer"]["withheld_by"]
    assert "other-block-down" in flags


GRAVE = "Do not go by these figures until this has been looked at: Put in 4.6 Ah"


def test_a_grave_flag_stands_at_every_door_that_decides(out, clock, problem_in):
    clock.now = datetime(2026, 3, 6, 9, 0, tzinfo=UTC)
    (unread,) = problem_in(out.post(f"{VAN}/topup-plan", json={}), 409)["stops"]
    assert unread["text"].startswith("The charge of 2026-03-02 12:50+00:00 is on record, and nobody has read")
    assert unread["instead"].startswith("Do not put it in again.")
    number = out.get("/v1/topups").json()["items"][0]["id"]
    assert out.patch(f"/v1/topups/{number}", json={"charge_ah": 4.6, "duration_h": 8.4}).status_code == 200
    issued = out.post(f"{VAN}/forecasts", json={}).json()
    assert issued["answer"]["lead"][0].startswith(GRAVE)
    assert out.post(f"{VAN}/release", json={"in_days": 7}).json()["first"][0].startswith(GRAVE)
    weighed = problem_in(out.post(f"{VAN}/orders", json={}), 409)["detail"]
    assert weighed.startswith(GRAVE), "it said to order today, with a chance and a cost by the curve that is withheld"
    assert weighed.endswith("No offer is weighed before that: it may turn out that no other pack is needed.")
    stopped = problem_in(out.post(f"{VAN}/topup-plan", json={}), 409)
    assert [stop["code"] for stop in stopped["stops"]] == ["overcharge"], "put in twice, it is an overcharge"
    events = icalendar.Calendar.from_ical(out.get("/v1/calendar.ics").content).walk("VEVENT")
    assert "Do not drive MB-VAN-07" in [str(event["SUMMARY"]) for event in events]
    assert not any("promised day" in str(event["SUMMARY"]) for event in events)
    queue = out.post("/v1/orders/queue", json={}).json()
    assert queue["entries"] == [], "it was weighed by the figures that its forecast withholds"
    assert "what its forecast warns of" in queue["left_out"][0]["reason"]
    ranking = out.get("/v1/fleet/ranking", params=COSTS).json()
    assert [item["grave"] for item in ranking["items"]] == [True]
    (listed,) = out.get("/v1/issued-forecasts", params={"pack_id": "MB-VAN-07"}).json()["items"][-1:]
    assert listed["good_for_days"] == 0
    told = issued["answer"]
    assert told["withheld_by"] == ["overcharge", "no-rest-after"]
    assert ({promise["days"] for promise in told["good_for"]}, told["return_days"]) == ({None}, [])
    assert told["restricted_mean_days"] is None
    assert [item["good_until"] for item in ranking["items"]] == [None]
    assert until_words(Ranked.model_validate(ranking["items"][0]), datetime.now(UTC), ZoneInfo("UTC")) == "look first"
    assert "look at it first" in out.get("/fleet").text
    board = out.get("/").text
    assert "The forecast of one vehicle warns: look at it first" in board
    assert "Nothing is due today" not in board
    release = out.post(f"{VAN}/release", json={"in_days": 7}).json()
    assert release["good_until"] is None
    assert release["conditions"][0].startswith("Do not let it go or promise any day until what the forecast warns")
    assert not any("before it leaves" in condition for condition in release["conditions"])
    assert "before it leaves" not in out.get("/bench/units/MB-VAN-07/way?in_days=7").text
    assert "warns of something that has to be looked at" in ranking["first"][0]
    assert ranking["items"][0]["week_cost"] is None, "it has nothing to wait for"
    assert ranking["items"][0]["week_return"] is None, "its forecast tells no chance, and the ranking told 0.165"
    for order in ("week_cost", "week_return", "good_until", "name"):
        (item,) = out.get("/v1/fleet/ranking", params={**COSTS, "order": order}).json()["items"]
        assert item["week_return"] is None
    assert 'data-says="back in a week">–<' in out.get("/fleet").text
    assert "nobody drives it until what its forecast warns of has been looked at" in out.get("/fleet").text
    # A plan gave it the first slot, and bought it a pack, for a warning that may be no reason for one.
    asked = {"slots": [1, 1], "pack": 1450, "costs": {**COSTS, "return_value": 900, "day_off_road": 60}}
    document = problem_in(out.post("/v1/fleet/plan", json=asked), 422)
    assert "have to be looked at, or read, first: MB-VAN-07." in document["detail"]
    assert out.get("/v1/fleet/returns").json()["first"][0] == ranking["first"][0]
    for page in ("/bench/units/MB-VAN-07/way?in_days=7", "/bench/units/MB-VAN-07", f"/bench/forecasts/{issued['id']}",
                 "/parts/cases/MB-VAN-07"):  # fmt: skip
        assert GRAVE in out.get(page).text, page


def test_what_a_grave_warning_may_rest_on_is_not_left_out_without_a_word(out, clock, problem_in):
    """The charge that the forecast warned of was blanked, and the warning was gone without a reason."""
    clock.now = datetime(2026, 3, 6, 9, 0, tzinfo=UTC)
    number = out.get("/v1/topups").json()["items"][0]["id"]
    address = f"/v1/topups/{number}"
    assert out.patch(address, json={"end_v": None}).status_code == 200, "nothing warns yet"
    assert out.patch(address, json={"charge_ah": 4.6, "duration_h": 8.4}).status_code == 200
    assert out.post(f"{VAN}/forecasts", json={}).json()["answer"]["lead"][0].startswith(GRAVE)
    for _again in range(2):  # its forecast is dropped by the first correction, and what it warned of stays
        document = problem_in(out.patch(address, json={"charge_ah": None}), 422)
        assert document["problems"][0]["where"] == "charge_ah"
        assert "carries a grave warning" in document["detail"]
        assert out.patch(address, json={"rest_after_h": 17.0}).status_code == 200
        out.patch(address, json={"rest_after_h": 17.3})
    assert out.patch(f"{address}?reason=read+off+wrongly", json={"charge_ah": None}).status_code == 200


def test_before_a_reading_after_its_charge_a_pack_is_good_for_no_day_anywhere(filled, clock, store):
    """Release and sheet said to read it first, while home, ranking and calendar still told a last promised day."""
    charge = {"pack_id": "MB-VAN-07", "time": (clock() - timedelta(hours=2)).isoformat(), "blocks": [5]}
    noted = filled.post("/v1/topups", json=charge | {"charge_ah": 0.8, "duration_h": 1.5})
    assert noted.status_code == 201, noted.text
    issued = filled.post(f"{VAN}/forecasts", json={}).json()
    assert "no-rest-after" in {flag["code"] for flag in issued["answer"]["flags"]}
    assert issued["answer"]["withheld_by"] == ["no-rest-after"]
    assert issued["good_for_days"] == 0
    ranking = filled.get("/v1/fleet/ranking", params=COSTS).json()
    (item,) = ranking["items"]
    assert (item["unread"], item["grave"], item["good_until"], item["week_cost"]) == (True, False, None, None)
    assert item["week_return"] is None
    assert until_words(Ranked.model_validate(item), clock(), ZoneInfo("UTC")) == "read first"
    assert ranking["first"][0].startswith("1 vehicle was not read at rest since its charge")
    assert "nobody drives it until its blocks have been read at rest" in filled.get("/fleet").text
    queue = filled.post("/v1/orders/queue", json={}).json()
    assert queue["entries"] == []
    assert queue["left_out"][0]["reason"].startswith("Do not let it go yet")
    asked = {"slots": [1, 1], "pack": 1450, "costs": {**COSTS, "return_value": 900, "day_off_road": 60}}
    assert "read, first: MB-VAN-07." in filled.post("/v1/fleet/plan", json=asked).json()["detail"]
    events = icalendar.Calendar.from_ical(filled.get("/v1/calendar.ics").content).walk("VEVENT")
    assert not any("promised" in str(event["SUMMARY"]) for event in events)
    assert "Of one vehicle not even one day can be promised" in filled.get("/").text


def test_what_a_charge_warned_of_stays_on_the_page_once_the_fault_is_back(out, clock, problem_in):
    """With the return noted, the warning of the overcharge was gone from the unit's page, and another was planned."""
    clock.now = datetime(2026, 3, 6, 9, 0, tzinfo=UTC)
    number = out.get("/v1/topups").json()["items"][0]["id"]
    assert out.patch(f"/v1/topups/{number}", json={"charge_ah": 4.6, "duration_h": 8.4}).status_code == 200
    back = {"pack_id": "MB-VAN-07", "time": "2026-03-06T08:00:00Z", "kind": "returned"}
    assert out.post("/v1/outcomes", json=back).status_code == 201
    said = "Charge nothing until this has been looked at: Put in 4.6 Ah"
    assert said in out.get("/bench/units/MB-VAN-07").text
    read = {"pack_id": "MB-VAN-07", "time": "2026-03-06T08:30:00Z", "state": "rest", "block_v": [12.9] * 14}
    assert out.post("/v1/readings", json=read).status_code == 201
    stopped = problem_in(out.post(f"{VAN}/topup-plan", json={}), 409)
    assert [stop["code"] for stop in stopped["stops"]] == ["overcharge"]
    sound = {**read, "time": "2026-03-06T08:50:00Z", "inspected": "sound"}
    assert out.post("/v1/readings", json=sound).status_code == 201
    assert said not in out.get("/bench/units/MB-VAN-07").text
    assert out.post(f"{VAN}/topup-plan", json={}).status_code == 200


def test_that_nobody_read_it_after_the_charge_reaches_orders_and_calendar(out, clock, problem_in):
    """Orders told nothing first, the calendar only that it be read, where the forecast says not to let it go."""
    clock.now = datetime(2026, 3, 3, 9, 0, tzinfo=UTC)
    lead = out.post(f"{VAN}/forecasts", json={}).json()["answer"]["lead"][0]
    assert lead.startswith("Do not let it go yet: nothing tells how each charged block stands now")
    assert lead in problem_in(out.post(f"{VAN}/orders", json={}), 409)["detail"]
    events = icalendar.Calendar.from_ical(out.get("/v1/calendar.ics").content).walk("VEVENT")
    (driven,) = [event for event in events if str(event["SUMMARY"]) == "Do not drive MB-VAN-07"]
    assert str(driven["DESCRIPTION"]).startswith(lead)


def test_nothing_is_weighed_of_a_pack_read_since_its_forecast_nor_is_what_is_kept_of_it_clean(out, clock):
    """Queue and plan weighed it, and the list of kept forecasts said nothing, until a new one was kept."""
    clock.now = datetime(2026, 3, 4, 12, 0, tzinfo=UTC)
    level = {"pack_id": "MB-VAN-07", "time": "2026-03-04T08:30:00Z", "state": "rest", "block_v": [13.0] * 14}
    assert out.post("/v1/readings", json=level).status_code == 201
    assert out.post(f"{VAN}/forecasts", json={}).status_code == 201
    queue = out.post("/v1/orders/queue", json={}).json()
    assert [entry["pack_id"] for entry in queue["entries"]] == ["MB-VAN-07"]
    assert [item["first"] for item in out.get("/v1/issued-forecasts").json()["items"]][-1] == []
    assert out.post("/v1/readings", json={**level, "time": "2026-03-04T11:30:00Z"}).status_code == 201
    queue = out.post("/v1/orders/queue", json={}).json()
    assert queue["entries"] == []
    (left,) = queue["left_out"]
    assert left["reason"].endswith("Keep a new forecast first.")
    asked = {"slots": [1, 1], "pack": 1450, "costs": {**COSTS, "return_value": 900, "day_off_road": 60}}
    plan = out.post("/v1/fleet/plan", json=asked)
    assert "have to be looked at, or read, first: MB-VAN-07." in plan.json()["detail"]
    kept = out.get("/v1/issued-forecasts").json()["items"][-1]
    said = "Something was recorded on 2026-03-04 that this forecast does not know. Keep a new forecast first."
    assert said in kept["first"]
    assert said in out.get(f"/v1/issued-forecasts/{kept['id']}").json()["first"]
    assert out.post(f"{VAN}/forecasts", json={}).status_code == 201
    items = out.get("/v1/issued-forecasts").json()["items"]
    assert said in items[-2]["first"]
    assert items[-1]["first"] == []


def test_what_a_newer_forecast_withholds_is_said_of_those_kept_before(out, clock):
    """An overcharge corrected on record left every forecast kept before it clean."""
    clock.now = datetime(2026, 3, 6, 9, 0, tzinfo=UTC)
    level = {"pack_id": "MB-VAN-07", "time": "2026-03-04T08:30:00Z", "state": "rest", "block_v": [13.0] * 14}
    assert out.post("/v1/readings", json=level).status_code == 201
    assert out.post(f"{VAN}/forecasts", json={}).status_code == 201
    number = out.get("/v1/topups").json()["items"][0]["id"]
    assert out.patch(f"/v1/topups/{number}", json={"charge_ah": 4.6, "duration_h": 8.4}).status_code == 200
    before = out.get("/v1/issued-forecasts").json()["items"][-1]
    assert "Keep a new forecast first" in before["first"][0], "changed, and nothing newer"
    assert out.post(f"{VAN}/forecasts", json={}).status_code == 201
    *_, before, newest = out.get("/v1/issued-forecasts").json()["items"]
    assert any(said.startswith("A newer forecast of this pack promises no day") for said in before["first"])
    assert newest["first"][0].startswith(GRAVE)


def kept_of_today(out, clock):
    """Keep a forecast that promises days, and return its number."""
    clock.now = datetime(2026, 3, 4, 12, 0, tzinfo=UTC)
    volts = [12.9] * 4 + [13.2] + [12.9] * 9
    level = {"pack_id": "MB-VAN-07", "time": "2026-03-04T08:30:00Z", "state": "rest", "block_v": volts}
    assert out.post("/v1/readings", json=level).status_code == 201
    kept = out.post(f"{VAN}/forecasts", json={}).json()
    assert kept["first"] == []
    assert out.get(f"/bench/forecasts/{kept['id']}/sheet.pdf").status_code == 200
    return kept["id"]


def refused_since(out, number, said):
    """The list, the forecast itself, the sheet and its PDF say why nobody goes by a kept forecast any more."""
    (listed,) = [one for one in out.get("/v1/issued-forecasts").json()["items"] if one["id"] == number]
    assert listed["first"][0] == said
    assert out.get(f"/v1/issued-forecasts/{number}").json()["first"][0] == said
    page = out.get(f"/bench/forecasts/{number}").text
    told = said.replace("2026-03-04", "Wed 4 Mar 2026")
    assert told in page
    assert not any(words in page for words in ("As PDF", "For the owner", "Bring the car back", "it may go"))
    refused = out.get(f"/bench/forecasts/{number}/sheet.pdf")
    assert refused.status_code == 409
    assert told in refused.text


@pytest.mark.parametrize(
    ("kind", "said"),
    [
        ("returned", "The fault came back on 2026-03-04: this forecast holds no more."),
        ("replaced", "The pack was replaced on 2026-03-04: this forecast holds no more."),
        ("retired", "The pack was taken out of use on 2026-03-04: this forecast holds no more."),
        (
            "running",
            "What became of the pack was recorded on 2026-03-04, after this forecast. Keep a new forecast first.",
        ),
    ],
)
def test_once_an_outcome_is_recorded_nobody_goes_by_a_forecast_kept_before(out, clock, kind, said):
    """With the fault back, sheet, PDF and owner's slip still promised days, and nothing spoke against it."""
    number = kept_of_today(out, clock)
    clock.now += timedelta(hours=1)
    ended = {"pack_id": "MB-VAN-07", "time": "2026-03-04T11:00:00Z", "kind": kind}
    assert out.post("/v1/outcomes", json=ended).status_code == 201
    refused_since(out, number, said)


def test_an_outcome_dated_before_a_kept_forecast_but_recorded_after_it_counts(out, clock):
    number = kept_of_today(out, clock)
    clock.now += timedelta(hours=1)
    back = {"pack_id": "MB-VAN-07", "time": "2026-03-04T08:00:00Z", "kind": "returned"}
    assert out.post("/v1/outcomes", json=back).status_code == 201
    refused_since(out, number, "The fault came back on 2026-03-04: this forecast holds no more.")


def test_once_the_pack_left_its_vehicle_nobody_goes_by_a_forecast_kept_before(out, clock):
    number = kept_of_today(out, clock)
    (sits,) = out.get("/v1/assignments").json()["items"]
    clock.now += timedelta(minutes=5)
    assert out.patch(f"/v1/assignments/{sits['id']}", json={"until": "2026-03-04T11:30:00Z"}).status_code == 200
    said = "The pack came out of MB-VAN-07 on 2026-03-04: this forecast was for its use there."
    refused_since(out, number, said)
    assert out.post("/v1/vehicles", json={"id": "MB-VAN-08"}).status_code == 201
    clock.now += timedelta(minutes=5)
    assert out.post("/v1/vehicles/MB-VAN-08/pack", json={"pack_id": "MB-VAN-07"}).status_code == 201
    refused_since(out, number, said)
    clock.now += timedelta(minutes=5)
    assert out.post(f"{VAN}/forecasts", json={}).json()["first"] == []


@pytest.mark.parametrize(
    ("off", "state", "code"), [(0.67, "rest", "charged-block-down"), (1.7, "discharge", "charged-block-down")]
)
def test_a_grave_warning_goes_only_with_a_reason_whether_or_not_a_forecast_told_it(out, problem_in, off, state, code):
    """A reading .67 V down was deleted, or made level, without a word, and 97 in 100 held a week."""
    peers = 12.9 if state == "rest" else 11.2
    level = [peers] * 14
    reading = {"pack_id": "MB-VAN-07", "time": "2026-03-13T08:00:00Z", "state": state, "block_v": [*level]}
    reading["block_v"][4] = peers - off
    reading["current_a"] = 15 * (state == "discharge")
    number = out.post("/v1/readings", json=reading, headers={"Sure": "*"}).json()["id"]
    address = f"/v1/readings/{number}"

    def warns() -> bool:
        return code in {flag["code"] for flag in out.post(f"{VAN}/forecasts", json={}).json()["answer"]["flags"]}

    def level_again(address: str):
        return out.patch(address, json={"block_v": level}, headers={"Sure": "*"})

    for send in (out.delete, level_again):
        document = problem_in(send(address), 422)
        (problem,) = document["problems"]
        assert problem["where"] == "reason"
        assert "A grave warning would go with this" in problem["what"]
        assert f"{off:.2f} V below" in problem["what"]
        assert warns()
    assert level_again(f"{address}?reason=read+off+another+car").status_code == 200
    assert not warns()
    assert out.delete(address).status_code == 204, "what warns of nothing needs none"


@pytest.mark.parametrize("blocks", [[5], [9]])
def test_a_module_swapped_afterwards_ends_what_was_done_to_its_block_at_every_door(out, clock, problem_in, blocks):
    """Of the block that was overcharged alone; asked through the doors, after its swap was noted as a top-up."""
    number = out.get("/v1/topups").json()["items"][0]["id"]
    change = {"charge_ah": 4.6, "duration_h": 8.4}
    assert out.patch(f"/v1/topups/{number}", json=change, headers={"Sure": "*"}).status_code == 200
    assert "overcharge" in out.post(f"{VAN}/forecasts", json={}).json()["answer"]["withheld_by"]
    assert [s["code"] for s in problem_in(out.post(f"{VAN}/topup-plan", json={}), 409)["stops"]] == ["overcharge"]
    clock.forward(minutes=1)
    running = {"pack_id": "MB-VAN-07", "time": "2026-03-13T09:00:00Z", "kind": "running"}
    swap = {"pack_id": "MB-VAN-07", "time": "2026-03-13T10:00:00Z", "blocks": blocks, "also_done": "module-swapped"}
    read = {"pack_id": "MB-VAN-07", "time": "2026-03-14T07:00:00Z", "state": "rest", "block_v": [12.9] * 14}
    for record, fact in (("outcomes", running), ("topups", swap), ("readings", read)):
        made = out.post(f"/v1/{record}", json=fact, headers={"Sure": "*"})
        assert made.status_code == 201, made.text
    ended = blocks == [5]
    withheld = out.post(f"{VAN}/forecasts", json={}).json()["answer"]["withheld_by"]
    assert ("overcharge" in withheld) is not ended
    planned = out.post(f"{VAN}/topup-plan", json={})
    stops = [stop["code"] for stop in planned.json().get("stops", [])]
    assert ("overcharge" in stops) is not ended
    (ranked,) = out.get("/v1/fleet/ranking", params=COSTS).json()["items"]
    assert ranked["grave"] is not ended
    weighed = problem_in(out.post(f"{VAN}/orders", json={}), 409)["detail"] if not ended else ""
    assert ended or "its charge of 2026-03-02" in weighed
    (kept,) = out.get("/v1/issued-forecasts", params={"pack_id": "MB-VAN-07"}).json()["items"][-1:]
    assert any("its charge of 2026-03-02" in line for line in kept["first"]) is not ended


def test_a_fault_that_is_back_goes_by_no_word_less(filled, problem_in):
    """Withdrawn, or turned into "it holds", it let the car go again without a question, and nobody was told why."""
    number = filled.get("/v1/outcomes").json()["items"][0]["id"]
    for refused in (
        filled.delete(f"/v1/outcomes/{number}"),
        filled.patch(f"/v1/outcomes/{number}", json={"kind": "running"}),
    ):
        (problem,) = problem_in(refused, 422)["problems"]
        assert "A grave warning would go with this: The fault is on record as back since" in problem["what"]
        assert problem["mend"] == "Say why it was wrong: the reason is kept."
    assert filled.patch(f"/v1/outcomes/{number}", json={"odometer_km": 190000}).status_code == 200
    assert filled.delete(f"/v1/outcomes/{number}?reason=another+car").status_code == 204


def test_a_confirmed_code_goes_by_no_word_less(out, problem_in):
    """Its reading withdrawn, or the code emptied, it was gone unasked."""
    reading = {"pack_id": "MB-VAN-07", "time": "2026-03-13T08:00:00Z", "state": "rest", "block_v": [12.9] * 14}
    coded = {**reading, "code": "P0A80", "code_state": "confirmed"}
    made = out.post("/v1/readings", json=coded, headers={"Sure": "*"})
    assert made.status_code == 201, made.text
    place = f"/v1/readings/{made.json()['id']}"
    for refused in (out.delete(place), out.patch(place, json={"code": None, "code_state": None})):
        (problem,) = problem_in(refused, 422)["problems"]
        assert "was confirmed again after the charge" in problem["what"]
    assert out.delete(f"{place}?reason=another+car").status_code == 204
