"""A known car comes back with its fault: the return, readings, the charge and the answer on one page with one load."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import httpx2 as httpx
import pytest
from playwright.sync_api import expect

from service.forecasting.forecasts.examples import example_case
from tests.service.pages.folds import unfold

NOW = datetime(2026, 3, 14, 9, 0, tzinfo=UTC)
BACK = NOW + timedelta(days=9)
CASE = example_case()["history"]
"""An invented van of Marrow Bay; its readings were made by the simulation."""

BEFORE, AFTER = (CASE["readings"][place]["block_v"] for place in (0, 2))
PROMISE = re.compile(r"such packs (hold at least|hold even one day)|Do not let it go yet")


@pytest.fixture
def van_back(site, van, record) -> str:
    """The van nine days after its top-up; returns its name."""
    record(f"/v1/packs/{van}/forecasts", {"at": NOW.isoformat()})
    site.app.state.clock = lambda: BACK
    return van


def row(numbers) -> str:
    return " ".join(map(str, numbers))


def history(site, name: str) -> dict:
    with httpx.Client(base_url=site.url) as client:
        return client.get(f"/v1/packs/{name}/history").raise_for_status().json()


def fill(page, scripts: bool) -> None:
    for name, numbers in (("before_v", BEFORE), ("after_v", AFTER)):
        if scripts:
            page.locator(f"#{name}-0").click()
            for number in numbers:
                page.keyboard.type(str(number))
                page.keyboard.press("Enter")
        else:
            page.locator(f"#{name}").fill(row(numbers))
    page.get_by_label("Blocks charged").fill("5")
    page.get_by_label("Charge put into each").fill("1,3")
    page.get_by_label("How long ago the charge ended").fill("2")


def test_all_of_a_return_is_one_page(site, van_back, either, open_context, sound):
    size, scripts = either
    page = open_context(size, scripts=scripts).new_page()
    page.goto(f"{site.url}/bench")
    loads = []
    page.on("request", lambda request: request.is_navigation_request() and loads.append(request.url))
    page.get_by_role("link", name=f"Fault is back {van_back}").click()
    expect(page.locator("h1")).to_have_text("The car is back")
    expect(page.get_by_label("What became of the last top-up")).to_have_value("returned")
    expect(page.locator("#answer")).to_contain_text("The answer comes as soon as the block charged is there")
    before = history(site, van_back)
    fill(page, scripts)
    unfold(page)
    page.get_by_label("Distance").fill("30")
    if scripts:
        expect(page.locator("#answer .answer .first")).to_contain_text(PROMISE)
        expect(page.locator("#answer")).to_contain_text("The fault came back: Mon 23 Mar 2026, 04:37 UTC")
        sound(page, "back-again-answered")
        assert history(site, van_back) == before
    assert len(loads) == 1
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_role("status")).to_contain_text(f"The visit of {van_back} is recorded. 2 readings are recorded.")
    expect(page.locator(".answer .first")).to_contain_text(PROMISE)
    assert len(loads) == 3  # the form that is sent, and the unit's page
    after = history(site, van_back)
    (came_back,) = after["outcomes"]
    assert came_back["kind"] == "returned"
    moments = [datetime.fromisoformat(one["time"]) for one in (came_back, after["readings"][-2], after["topups"][-1])]
    assert moments == sorted(moments)
    assert moments[0] < moments[1]
    assert len(after["topups"]) == len(before["topups"]) + 1
    assert after["usage"][-1]["km_per_day"] == 30
    page.get_by_role("button", name="Undo").click()
    expect(page.get_by_role("status")).to_contain_text("Undone.")
    assert history(site, van_back) == before


def test_the_saved_page_answers_as_the_one_beside_the_form_did(site, van_back, phone_page):
    page = phone_page
    page.goto(f"{site.url}/bench/units/{van_back}/visit")
    fill(page, scripts=True)
    first = page.locator("#answer .answer .first")
    expect(first).to_contain_text(PROMISE)
    expect(page.locator("#answer .took")).to_contain_text("After the charge, at rest")
    told = first.inner_text()
    page.get_by_role("button", name="Save").click()
    expect(page.locator(".answer .first")).to_have_text(told)


def test_a_car_that_holds_is_read_on_the_same_page(site, van_back, phone_page):
    page = phone_page
    page.goto(f"{site.url}/bench/units/{van_back}/visit")
    page.get_by_label("What became of the last top-up").select_option("")
    page.locator("#before_v-0").click()
    for number in AFTER:
        page.keyboard.type(str(number))
        page.keyboard.press("Enter")
    expect(page.locator("#answer .answer")).to_contain_text(PROMISE)
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_role("status")).to_contain_text("1 reading is recorded.")
    assert history(site, van_back)["outcomes"] == []


def test_a_return_noted_meanwhile_is_not_noted_again(site, van_back, record, phone_page):
    page = phone_page
    page.goto(f"{site.url}/bench/units/{van_back}/visit")
    record("/v1/outcomes", {"pack_id": van_back, "time": (BACK - timedelta(hours=1)).isoformat(), "kind": "returned"})
    page.get_by_label("Blocks charged").fill("5")
    page.get_by_label("How long ago the charge ended").fill("0.5")
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_role("status")).to_contain_text("It is noted already")
    assert len(history(site, van_back)["outcomes"]) == 1
    page.goto(f"{site.url}/bench/units/{van_back}/visit")
    expect(page.get_by_label("What became of the last top-up")).to_have_count(1)


def test_what_cannot_be_is_said_and_nothing_typed_is_lost(site, van_back, either_page, scripts, sound):
    page = either_page
    page.goto(f"{site.url}/bench/units/{van_back}/visit")
    fill(page, scripts)
    page.get_by_text("More about the return").click()
    page.get_by_label("When the fault came back").fill("2026-03-23T08:30")
    page.get_by_label("Trouble code").fill("P9Z")
    page.get_by_role("button", name="Save").click()
    expect(page.locator("#faults")).to_contain_text("after the first reading or the charge of this visit")
    expect(page.get_by_label("Blocks charged")).to_have_value("5")
    page.get_by_label("When the fault came back").fill("2026-03-22T18:00")
    page.get_by_role("button", name="Save").click()
    expect(page.locator("#faults")).to_contain_text("P9Z is not a trouble code.")
    sound(page, "back-again-asked")
    page.get_by_label("Trouble code").fill("P0A80")
    page.get_by_role("button", name="Save", exact=True).click()
    expect(page.locator("h1")).to_have_text(van_back)
    (came_back,) = history(site, van_back)["outcomes"]
    assert came_back["code"] == "P0A80"
    assert datetime.fromisoformat(came_back["time"]) == datetime(2026, 3, 22, 18, tzinfo=UTC)


def test_pressed_twice_it_is_stored_once(site, van_back, open_tab):
    page = open_tab("phone")
    page.goto(f"{site.url}/bench/units/{van_back}/visit")
    page.get_by_label("Blocks charged").fill("5")
    page.get_by_label("How long ago the charge ended").fill("1")
    page.get_by_role("button", name="Save").dblclick()
    expect(page.locator("h1")).to_have_text(van_back)
    stored = history(site, van_back)
    assert (len(stored["outcomes"]), len(stored["topups"])) == (1, len(CASE["topups"]) + 1)


def test_a_stop_is_told_before_saving(site, van_back, phone_page):
    page = phone_page
    page.goto(f"{site.url}/bench/units/{van_back}/visit")
    page.get_by_label("Blocks charged").fill("5")
    page.get_by_label("Voltage at the end").fill("15.9")
    page.get_by_label("How long ago the charge ended").fill("1")
    expect(page.locator("#answer #stop")).to_contain_text("STOP")
    expect(page.locator("#answer .answer")).to_have_count(0)


def test_a_return_of_before_the_topup_is_said_at_its_field(site, van_back):
    """It was answered with the words of a library."""
    with httpx.Client(base_url=site.url, timeout=60) as client:
        page = client.get(f"/bench/units/{van_back}/visit").text
        token = re.search(r'name="form_token" value="([^"]+)"', page)[1]
        form = {"form_token": token, "family": CASE["family"], "became": "returned", "before_v": row(BEFORE)}
        form["came_back"] = "2026-02-01T08:00"
        answer = client.post(f"/bench/units/{van_back}/visit/answer", data=form)
        assert "That is before the end of the last top-up, at 2026-03-" in answer.text
        assert "validation error" not in answer.text
        sent = client.post(f"/bench/units/{van_back}/visit", data=form)
        assert sent.status_code == 422
        (said,) = re.findall(r'id="came_back-wrong"><p class="wrong">([^<]+)', sent.text)
        assert said.startswith("That is before the end of the last top-up")
        assert "validation error" not in sent.text
        # A visit dated before the top-up, with the return just before it.
        form |= {"came_back": "", "time": "2026-02-01T08:00"}
        early = client.post(f"/bench/units/{van_back}/visit/answer", data=form).text
        assert "That is before the end of the last top-up" in early
        assert "validation error" not in early


def test_the_plan_of_a_pack_that_came_back_unread_is_told_in_a_sentence(site, van_back, record):
    record("/v1/outcomes", {"pack_id": van_back, "time": BACK.isoformat(), "kind": "returned"})
    page = httpx.get(f"{site.url}/bench/units/{van_back}/topup-plan", timeout=60).text
    assert "All readings are from before the fault came back on Mon 23 Mar 2026" in page


def test_a_car_that_came_back_is_told_its_stop_before_the_charge_and_above_a_slip(site, van_back):
    """What ends charging alone was told only once the charge was entered."""
    with httpx.Client(base_url=site.url, timeout=60) as client:
        page = client.get(f"/bench/units/{van_back}/visit").text
        token = re.search(r'name="form_token" value="([^"]+)"', page)[1]

        def stops(**typed: str) -> list[str]:
            form = {"form_token": token, "family": CASE["family"], "became": "returned", "before_v": row(BEFORE)}
            answer = client.post(f"/bench/units/{van_back}/visit/answer", data=form | typed)
            assert answer.status_code == 200, answer.text
            return re.findall(r'data-stop="([^"]+)"', answer.text)

        down = [*BEFORE]
        down[4] -= 2.6
        assert stops() == []
        assert stops(before_v=row(down)) == ["cell-down"]
        assert stops(before_v=row(down), time="2026-04-23T09:00") == ["cell-down"]
        assert stops(before_v="", before_inspected="damaged") == ["damaged"]
        assert stops(before_c="-6") == ["too-cold"]
        # It holds, and nothing is charged: the frost speaks against nothing.
        assert stops(before_c="-6", became="") == []
