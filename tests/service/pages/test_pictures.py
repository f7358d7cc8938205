"""Drawings say the service's own figures, to pointer and keyboard, with a table behind each; scales are round."""

from __future__ import annotations

import itertools
import re
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import httpx2 as httpx
import numpy as np
import pytest
from matplotlib.ticker import MaxNLocator
from playwright.sync_api import expect

from models.base.day_grid import DAYS
from service.forecasting.forecasts.examples import example_case
from service.forecasting.forecasts.schemas import ForecastAnswer
from service.pages.bench.curve import curve_of
from service.pages.drawing import moved_apart, round_ticks
from service.pages.fleet.plan_drawing import MOST_ROWS
from service.records.subjects.all_subjects import COSTS, OFFERS, SUPPLIERS
from tests.service.invented_fleet import FAMILIES, curves, fill
from tests.service.pages.folds import unfold

NOW = datetime(2026, 3, 14, 9, 0, tzinfo=UTC)


@pytest.mark.parametrize("seed", range(40))
def test_scales_are_round_and_hold_everything(seed):
    """As matplotlib's locator places them (MaxNLocator with steps of 1, 2, 5 and 10, at most so many intervals)."""
    rng = np.random.default_rng(seed)
    high_above = float(10 ** rng.uniform(-3, 5))
    low = float(rng.normal() * high_above * 10.0 ** rng.integers(-1, 3))
    high = low + high_above
    most = int(rng.integers(4, 10))
    ticks = round_ticks(low, high, most)
    assert ticks[0] <= low + 1e-9 * abs(low)
    assert high - 1e-9 * abs(high) <= ticks[-1]
    assert 2 <= len(ticks) <= most
    steps = np.diff(ticks)
    np.testing.assert_allclose(steps, steps[0], rtol=1e-6)
    lead = steps[0] / 10 ** np.floor(np.log10(steps[0] * (1 + 1e-9)))
    assert any(abs(lead - round_one) < 1e-6 for round_one in (1, 2, 5, 10))
    reference = MaxNLocator(nbins=most - 1, steps=[1, 2, 5, 10]).tick_values(low, high)
    # Ours may leave out what the locator adds outside, and never has coarser steps than it by more than one size.
    assert steps[0] <= 2.5 * (reference[1] - reference[0]) + 1e-9


def test_labels_are_moved_apart_and_stay_on_the_drawing():
    rng = np.random.default_rng(4)
    for _round in range(50):
        places = sorted(rng.uniform(0, 200, 6).tolist())
        moved = moved_apart(places, 200.0)
        assert all(b - a >= 14.9 for a, b in itertools.pairwise(moved))
        assert moved[-1] <= 200.0


def says(page, drawing: str) -> list[str]:
    return [spot.get_attribute("aria-label") for spot in page.locator(f"svg.{drawing} .spot").all()]


def pointed_at(page, drawing: str) -> None:
    """Go through a drawing by keyboard and pointer: what is there is told, and it is one stop of the Tab key."""
    spots = page.locator(f"svg.{drawing} .spot")
    page.mouse.move(1, 1)
    expect(spots.first.locator(".value")).to_be_hidden()
    assert page.locator(f"svg.{drawing} .spot[tabindex='0']").count() == 1
    spots.first.focus()
    page.mouse.move(1, 1)
    expect(spots.first.locator(".value")).to_be_visible()
    page.keyboard.press("End")
    expect(spots.last.locator(".value")).to_be_visible()
    expect(page.locator(f"svg.{drawing} .value:visible")).to_have_count(1)
    label = spots.last.get_attribute("aria-label")
    for line in spots.last.locator(".value text").all():
        assert line.text_content().rstrip("…") in label
        inside = line.evaluate("t => t.getBBox().x + t.getBBox().width <= t.ownerSVGElement.viewBox.baseVal.width")
        assert inside, line.text_content()
    spots.last.blur()
    for spot in (spots.first, spots.nth(spots.count() // 2), spots.last):
        spot.locator(".reach").scroll_into_view_if_needed()
        box = spot.locator(".reach").bounding_box()
        page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
        expect(spot.locator(".value")).to_be_visible()


def test_a_unit_s_drawings(site, van, record, page, sound):
    begun = datetime(2026, 1, 4, 9, 0, tzinfo=UTC)
    history = httpx.get(f"{site.url}/v1/packs/{van}/history").json()
    van = "MB-CAB-21"
    record("/v1/packs", {"id": van, "family": history["family"]})
    for days, held, kind in ((0, 20.5, "returned"), (30, 12.2, "replaced")):
        start = begun + timedelta(days=days)
        record("/v1/topups", {"pack_id": van, "time": start.isoformat(), "blocks": [5]})
        end = (start + timedelta(days=held)).isoformat()
        record("/v1/outcomes", {"pack_id": van, "time": end, "kind": kind})
    for part in ("readings", "topups", "usage"):
        for fact in history[part]:
            record(f"/v1/{part}", {**fact, "pack_id": van})
    # Of a pack that nobody saw for days no curve is drawn.
    record("/v1/readings", {**history["readings"][-1], "pack_id": van, "time": NOW.isoformat()})
    page.goto(f"{site.url}/bench/units/{van}")
    unfold(page)
    history = httpx.get(f"{site.url}/v1/packs/{van}/history").json()
    reading = history["readings"][-1]
    assert reading["state"] == "rest"
    middle = float(np.median(reading["block_v"]))
    for label, volts in zip(says(page, "snapshot"), reading["block_v"], strict=True):
        assert f"{volts:g} V" in label
        if round(volts - middle, 3):
            assert f"{volts - middle:+.3f}".replace("-", "−") in label
    past = says(page, "past")
    assert re.search("12 days: the pack was replaced", past[1])
    assert re.search("20 days: the fault came back", past[2])
    assert "still out" in past[0]
    page.get_by_text("The top-ups as figures").click()
    expect(page.get_by_role("row", name=re.compile("20 days The fault came back"))).to_be_visible()
    answer = httpx.post(f"{site.url}/v1/packs/{van}/forecasts", json={"at": NOW.isoformat()}, timeout=60).json()[
        "answer"
    ]
    for label in says(page, "curve"):
        day, hold = map(int, re.match(r"Day (\d+): (\d+) of 100", label).groups())
        assert hold == pytest.approx(100 * answer["survival"][answer["days"].index(day)], abs=0.51)
    page.get_by_text("Reading by reading, each block a line").click()
    off = says(page, "deviations.rest")
    assert off
    assert re.search(r"; block \d+ [+−]\d\.\d\d V, block", off[-1])
    assert not re.search(r"[+−]0\.0+\b(?!\d)", page.locator("main").text_content()), "nothing has no sign"
    for drawing in ("curve", "snapshot", "past", "deviations.rest", "deviations.discharge"):
        pointed_at(page, drawing)
    sound(page, "unit-drawings")


@pytest.fixture
def fleet(site, record):
    fill(site.store, 40, NOW, seed=8)
    record("/v1/suppliers", SUPPLIERS.example)
    record("/v1/costs", COSTS.example)
    for family in FAMILIES:
        record("/v1/offers", {**OFFERS.example, "family": family})
        for number in range(5):
            offer = {**OFFERS.example, "family": family, "express_fee": 60.0 * (number + 1), "usual_days": 6 - number}
            record("/v1/offers", offer | {"earliest_days": 1, "latest_days": 9})
    return site


def test_the_plan_s_drawing(fleet, desk_page, sound_at_both):
    page = desk_page
    page.goto(f"{fleet.url}/fleet/plan?slots=2&weeks=6")
    plan = httpx.post(f"{fleet.url}/v1/fleet/plan", json={"slots": [2] * 6, "time_limit_s": 5}, timeout=60).json()
    everybody = [(one, week["week"]) for week in plan["weeks"] for one in week["planned"]]
    everybody += [(one, None) for one in plan["left"]]
    shown = says(page, "plan")
    assert len(shown) == MOST_ROWS
    for label, (one, week) in zip(shown, everybody[:MOST_ROWS], strict=True):
        assert label.startswith(f"{one['vehicle_id']}: " + (f"planned for week {week}" if week else "no week"))
        told = [int(number) for number in label.rsplit(": ", 1)[1].split(", ")]
        # Rounded up, and certain only where it is.
        assert all(
            0 <= n - 100 * share < 1 or (n == 99 < 100 * share) for n, share in zip(told, one["risk"], strict=True)
        )
    expect(page.locator("svg.plan .chosen")).to_have_count(plan["planned"])
    assert f"{40 - MOST_ROWS} more vehicles are not drawn" in page.locator("figure.plan").inner_text()
    pointed_at(page, "plan")
    sound_at_both(page, "plan-drawing")
    page.goto(f"{fleet.url}/fleet/plan?slots=1&weeks=20")
    pointed_at(page, "plan")


def test_a_risk_is_that_of_the_curve(fleet):
    """From the invented curves themselves: what is back by the end of a week, counted from when each was last seen."""
    plan = httpx.post(f"{fleet.url}/v1/fleet/plan", json={"slots": [1, 1, 1], "time_limit_s": 5}, timeout=60).json()
    rng = np.random.default_rng(8)
    each = curves(40, rng)[:, 0]
    held = rng.uniform(0, 9, 40)
    found = {one["pack_id"]: one["risk"] for one in plan["left"]}
    found |= {one["pack_id"]: one["risk"] for week in plan["weeks"] for one in week["planned"]}
    grid = np.concatenate([[0.0], DAYS]) if DAYS[0] > 0 else DAYS
    for number in range(40):
        curve = np.concatenate([[1.0], each[number]]) if DAYS[0] > 0 else each[number]
        then = np.interp(held[number] + 14, grid, curve)
        assert found[f"MB-{number:05d}"][1] == pytest.approx(1 - then, abs=0.03)


def test_costs_of_every_offer_and_of_the_shelf(fleet, desk_page, sound_at_both):
    page = desk_page
    case = httpx.post(f"{fleet.url}/v1/orders/queue", json={}, timeout=60).json()["entries"][0]["pack_id"]
    page.goto(f"{fleet.url}/parts/cases/{case}")
    answer = httpx.post(f"{fleet.url}/v1/packs/{case}/orders", json={}, timeout=60).json()
    assert len(answer["offers"]) == 6
    expect(page.locator("svg.costs .cost")).to_have_count(6)
    for label in says(page, "costs"):
        day = 0 if "today" in label else int(re.match(r"Ordered on day (\d+)", label)[1])
        for offer in answer["offers"]:
            assert f"EUR {offer['cost_at_most'][day]:,.0f}" in label
    marks = page.locator("svg.costs .lines .dot").evaluate_all(
        "all => all.map(one => { const b = one.getBBox(); return [b.x + b.width / 2, b.y + b.height / 2]; })"
    )
    for number, one in enumerate(marks):
        for other in marks[:number]:
            assert abs(one[0] - other[0]) > 6 or abs(one[1] - other[1]) > 6, "marks stand on each other"
    pointed_at(page, "costs")
    sound_at_both(page, "costs-drawing")
    page.goto(f"{fleet.url}/parts/stock?family=marl-28&on_shelf=1&new_cases_per_day=0.2")
    assert len(says(page, "stock")) == page.locator("tbody tr").count()
    expect(page.locator("svg.stock .held-level")).to_have_count(1)
    pointed_at(page, "stock")
    sound_at_both(page, "stock-drawing")
    page.goto(f"{fleet.url}/fleet/returns")
    pointed_at(page, "returns")


def test_plans_compared_say_their_gains(site, read_van, desk_page, sound_at_both):
    page = desk_page
    page.goto(f"{site.url}/bench/units/{read_van}/what-if")
    answer = httpx.post(f"{site.url}/v1/packs/{read_van}/what-if", json={"at": NOW.isoformat()}, timeout=60).json()
    told = says(page, "gains")
    assert len(told) == len(answer["plans"]) - 1
    for label, plan in zip(told, answer["plans"][1:], strict=True):
        assert plan["plan"]["name"] in label
        low = f"{plan['gained_low']:+.0f}".replace("-", "−").replace("+0", "0").replace("−0", "0")
        assert f"days gained: {low} to" in label
    pointed_at(page, "gains")
    sound_at_both(page, "what-if-drawing")


def test_the_record_s_points_say_their_shares(site, desk_page, sound_at_both):
    page = desk_page
    page.goto(f"{site.url}/record")
    report = httpx.get(f"{site.url}/v1/calibration").json()
    (first, *_others) = report["whole"]["days"]
    part = first["reliability"]["bins"][0]
    label = f"Of 100, {100 * part['forecast']:.0f} forecast, {100 * part['observed']:.0f} back; by chance"
    assert says(page, "agreement")[0].startswith(label)
    sound_at_both(page, "record-drawings")


READ = {
    "unit": "/bench/units/MB-VAN-07",
    "recheck": "/bench/units/MB-VAN-07/recheck",
    "what if": "/bench/units/MB-VAN-07/what-if",
    "plan": "/fleet/plan?slots=2&weeks=8",
    "returns": "/fleet/returns",
    "stock": "/parts/stock?family=gravel-14&on_shelf=1&new_cases_per_day=0.2",
    "orders": "/parts/cases/MB-00003",
    "record": "/record",
}
"""Pages with drawings."""

LEAST_PX = 12.0
"""Least size of a word in a drawing on a telephone: our choice, two thirds of the page's own."""

UNREADABLE = """least => [...document.querySelectorAll("figure svg[role=group]")].flatMap(svg => {
  const edge = svg.getBoundingClientRect();
  if (!edge.width) return [];
  return [...svg.querySelectorAll("text")].flatMap(text => {
    const size = parseFloat(getComputedStyle(text).fontSize) * text.getScreenCTM().a;
    const box = text.getBoundingClientRect();
    const cut = box.left < edge.left - 1 || box.right > edge.right + 1;
    const says = `${svg.className.baseVal}: "${text.textContent}" ${size.toFixed(1)} px${cut ? ", cut off" : ""}`;
    return size < least || cut ? [says] : [];
  });
})"""


@pytest.mark.parametrize("name", READ)
def test_the_words_of_a_drawing_are_read_on_a_telephone(site, sent_once, request, phone_page, name):
    """They were drawn for a desk, and came out at 10 to 11 px; what is told of a value was cut at 58 letters."""
    sent_once("drawings", lambda: [request.getfixturevalue(name) for name in ("fleet", "read_van")])
    phone_page.goto(site.url + READ[name])
    phone_page.evaluate("document.querySelectorAll('details').forEach(fold => { fold.open = true; })")
    expect(phone_page.locator("figure svg[role=group]").first).to_be_visible()
    assert phone_page.evaluate(UNREADABLE, LEAST_PX) == []
    assert not [words for words in phone_page.locator(".value text").all_text_contents() if words.endswith("…")]


@pytest.mark.parametrize(("days", "drawn"), [(0.7, False), (3.2, True)])
def test_a_promise_of_less_than_a_day_is_not_drawn_as_one(site, days, drawn):
    """The curve said "good for 0 days" beside the sentence that not even one can be promised."""
    told = httpx.post(f"{site.url}/v1/forecasts", json=example_case(), timeout=60).json()
    told["good_for"] = [{**one, "days": days} for one in told["good_for"]]
    marks = curve_of(ForecastAnswer.model_validate(told), NOW, ZoneInfo("UTC")).marks
    assert [mark.kind for mark in marks if mark.kind == "promise"] == ["promise"] * drawn
