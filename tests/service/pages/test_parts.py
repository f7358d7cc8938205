"""The parts buyer's tasks in a real browser: costs, suppliers and offers, the queue, one case, the order, the stock."""

from __future__ import annotations

import csv
import io
import re
from datetime import UTC, datetime, timedelta

import httpx2 as httpx
import pytest
from playwright.sync_api import expect

from models.base.percents import risk_percent
from service.pages.counter.queue import PAGE
from service.records.subjects.all_subjects import COSTS, OFFERS, SUPPLIERS
from tests.service.invented_fleet import FAMILIES, fill
from tests.service.pages.folds import unfold
from training.files.families import load_families

NOW = datetime(2026, 3, 14, 9, 0, tzinfo=UTC)
EXPRESS = {**OFFERS.example, "express_fee": 190, "usual_days": 3, "earliest_days": 2, "latest_days": 5}
HOSTILE = '<script>alert(1)</script> =1+1 "&amp; \u202egnirts'


@pytest.fixture
def counter(site, record, sent_once):
    """A counter with open cases of three families, a supplier, ordinary and express offers, and the costs stated."""

    def send() -> None:
        fill(site.store, 30, NOW, seed=3)
        record("/v1/suppliers", SUPPLIERS.example)
        record("/v1/costs", COSTS.example)
        for family in FAMILIES:
            record("/v1/offers", {**OFFERS.example, "family": family})
            record("/v1/offers", {**EXPRESS, "family": family})

    sent_once("counter", send)
    return site


def test_from_nothing_to_a_queue(site, either_page, sound):
    page = either_page
    fill(site.store, 6, NOW, seed=3)
    page.goto(f"{site.url}/parts")
    expect(page.get_by_role("heading", name="The costs are needed first")).to_be_visible()
    sound(page, "parts-no-costs")
    page.get_by_role("link", name="State the costs").click()
    page.get_by_label("Currency").fill("EUR")
    for words, amount in (("One stranding", "600"), ("One day off the road", "60"), ("One day of money tied up", "0,5"),
                          ("Value left in an unneeded pack", "900")):  # fmt: skip
        page.get_by_label(words).fill(amount)
    sound(page, "costs")
    page.get_by_role("button", name="Keep them").click()
    expect(page.get_by_role("status")).to_contain_text("The costs are kept.")
    # What nobody has entered yet is asked for; it is no fault of an entry.
    expect(page.get_by_role("heading", name="An offer is needed first")).to_be_visible()
    expect(page.get_by_text("has no offer for a pack of the family").first).to_be_visible()
    expect(page.locator("#faults")).to_have_count(0)
    sound(page, "parts-no-offer")
    page.get_by_role("link", name="Suppliers, offers, orders").click()
    expect(page.get_by_text("No supplier yet.")).to_be_visible()
    sound(page, "suppliers-empty")
    page.get_by_role("link", name="Add a supplier").click()
    page.get_by_label("Short name").fill("north-quay")
    page.get_by_label("Name on paper").fill(HOSTILE)
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_text("<script>alert(1)</script>")).to_be_visible()
    for family in FAMILIES:
        page.get_by_role("link", name="Add an offer").click()
        page.get_by_label("Supplier").select_option("north-quay")
        page.get_by_label("Kind of pack").select_option(family)
        page.get_by_label("Price of the pack").fill("1450")
        expect(page.get_by_label("Currency")).to_have_value("EUR")
        page.get_by_label("Usual days from order to arrival").fill("3")
        page.get_by_label("Latest").fill("6")
        page.get_by_role("button", name="Save").click()
        expect(page.get_by_role("status")).to_contain_text("The offer is recorded.")
    page.get_by_role("button", name="Undo").click()
    expect(page.get_by_role("status")).to_contain_text("Undone.")
    expect(page.get_by_role("link", name=re.compile(r"^Offer \d"))).to_have_count(2)
    page.get_by_role("link", name="Parts counter").last.click()
    expect(page.locator(".answer .first")).to_contain_text("to be ordered today")
    # The others are weighed without the packs that nobody offers any more.
    expect(page.locator(".answer")).to_contain_text(f"Not weighed, as nobody offers a pack: {FAMILIES[-1]}.")
    expect(page.get_by_role("heading", name="An offer is needed first")).to_be_visible()
    expect(page.locator(".queue li").first).to_be_visible()
    sound(page, "parts-few")


def test_from_the_board_to_the_order_of_a_car_that_is_down(counter, record, either_page, sound):
    """The board led to a page that weighs no offer for it, and had no way to order one."""
    first = httpx.post(f"{counter.url}/v1/orders/queue", json={}, timeout=60).json()["entries"][0]["pack_id"]
    back = (NOW - timedelta(hours=3)).isoformat()
    record("/v1/outcomes", {"pack_id": first, "time": back, "kind": "returned", "code": "P0A80"})
    page = either_page
    page.goto(counter.url)
    page.locator("[aria-labelledby=board-parts] .plain a").first.click()
    expect(page.locator(".answer .first")).to_contain_text("It needs another pack: order today, from north-quay")
    expect(page.locator(".answer")).to_contain_text("It is down: its fault came back on Sat 14 Mar 2026")
    expect(page.get_by_role("complementary")).to_contain_text("A probability is not permission")
    sound(page, "parts-down")
    page.get_by_role("button", name="I have ordered this one").click()
    expect(page.get_by_role("status")).to_contain_text("Recorded as ordered today from north-quay")
    (order,) = httpx.get(f"{counter.url}/v1/deliveries").json()["items"]
    assert (order["pack_id"], order["express"]) == (first, True)
    expect(page.get_by_role("button", name="I have ordered this one")).to_have_count(0)
    queue = httpx.post(f"{counter.url}/v1/orders/queue", json={}, timeout=60).json()
    assert first in [one["pack_id"] for one in queue["on_order"]]


def test_a_pack_stopped_for_good_says_so_first_and_can_be_ordered(counter, record, phone_page, sound):
    entry = httpx.post(f"{counter.url}/v1/orders/queue", json={}, timeout=60).json()["entries"][0]
    family = load_families()[entry["family"]]
    volts = [round(1.32 * family.cells_per_block, 2)] * family.blocks
    seen = {"time": (NOW - timedelta(hours=1)).isoformat(), "state": "rest", "block_v": volts, "inspected": "damaged"}
    record("/v1/readings", {**seen, "pack_id": entry["pack_id"]})
    phone_page.goto(f"{counter.url}/parts/cases/{entry['pack_id']}")
    expect(phone_page.locator("main #stop ~ .answer .first")).to_contain_text("It needs another pack: order today")
    expect(phone_page.get_by_role("complementary")).to_have_count(1)
    expect(phone_page.get_by_role("button", name="I have ordered this one")).to_be_visible()
    sound(phone_page, "parts-stopped")


def test_a_mistake_stands_at_its_field(counter, desk_page, sound_at_both):
    page = desk_page
    page.goto(f"{counter.url}/parts/offer/new")
    page.get_by_label("Supplier").select_option("north-quay")
    page.get_by_label("Kind of pack").select_option("marl-28")
    page.get_by_label("Price of the pack").fill("-3")
    page.get_by_label("Currency").fill("XQQ")
    page.get_by_label("Usual days from order to arrival").fill("9")
    page.get_by_role("button", name="Save").click()
    expect(page.locator("#price-wrong")).to_contain_text("This is less than 0.")
    expect(page.locator("#currency-wrong")).to_contain_text("is not a currency")
    expect(page.get_by_label("Price of the pack")).to_have_value("-3")
    sound_at_both(page, "offer-wrong")
    page.goto(f"{counter.url}/parts?risk=200")
    expect(page.locator("#risk-wrong")).to_contain_text(
        "200 in 100 cannot be right. Write a number between 0 and 100, as 10."
    )
    page.goto(f"{counter.url}/parts/costs")
    page.get_by_label("One stranding").fill("much")
    page.get_by_role("button", name="Keep them").click()
    expect(page.locator("#stranding-wrong")).to_contain_text("plain number")


def test_the_queue_one_case_and_its_order(counter, either_page, sound):
    page = either_page
    page.goto(f"{counter.url}/parts")
    queue = httpx.post(f"{counter.url}/v1/orders/queue", json={}, timeout=60).json()
    names = [entry["vehicle_id"] for entry in queue["entries"]]
    links = page.locator(".queue h3 a")
    expect(links).to_have_text(names[:PAGE])
    for reason in queue["entries"][0]["reasons"]:
        expect(page.locator(".queue > li").first).to_contain_text(reason)
    # What is not needed to choose a case is folded.
    expect(page.locator(".queue .figures").first).to_be_hidden()
    page.locator(".queue summary").first.click()
    expect(page.locator(".queue .figures").first).to_be_visible()
    expect(page.locator(".queue .reasons").first).to_be_visible()
    expect(page.get_by_role("complementary")).to_contain_text("A probability is not permission")
    sound(page, "parts-queue")
    page.get_by_role("link", name="Next page").click()
    expect(links).to_have_text(names[PAGE : 2 * PAGE])
    page.get_by_role("link", name="From the start").click()
    expect(links).to_have_text(names[:PAGE])
    page.get_by_role("link", name=names[0], exact=True).click()
    orders = httpx.post(f"{counter.url}/v1/packs/{names[0]}/orders", json={}, timeout=60).json()
    expect(page.locator(".answer .first")).to_have_text(orders["order"]["sentence"])
    expect(page.locator(".offer")).to_have_count(len(orders["offers"]))
    sound(page, "parts-case")
    page.get_by_text("Day by day as figures").click()
    first = orders["offers"][0]
    expect(page.locator("details tbody tr").first.locator("td").first).to_contain_text(
        f"EUR {first['cost_at_most'][0]:,.0f} ({risk_percent(first['fault_first'][0])})"
    )
    page.get_by_label("Acceptable risk").fill("25")
    with page.expect_navigation():
        page.get_by_role("button", name="Ask again").click()
    expect(page.locator(".answer")).to_contain_text("25%")
    page.locator(".offer").last.get_by_role("button").click()
    expect(page.get_by_role("status")).to_contain_text("Recorded as ordered today from north-quay")
    expect(page.get_by_text("A pack is ordered already, from north-quay")).to_be_visible()
    sound(page, "parts-ordered")
    (order,) = httpx.get(f"{counter.url}/v1/deliveries").json()["items"]
    assert (order["pack_id"], order["express"], order["arrived_at"]) == (names[0], True, None)
    # One that comes on the day of its order is asked about.
    sooner = {"ordered_at": (NOW - timedelta(days=3)).isoformat()}
    httpx.patch(f"{counter.url}/v1/deliveries/{order['id']}", json=sooner).raise_for_status()
    page.goto(f"{counter.url}/parts")
    expect(page.get_by_role("heading", name="On order, or here")).to_be_visible()
    unfold(page)
    page.get_by_role("button", name=f"It has arrived {names[0]}").click()
    expect(page.get_by_role("status")).to_contain_text("Recorded as arrived.")
    page.get_by_role("button", name="Undo").click()
    expect(page.get_by_role("status")).to_contain_text("Undone.")
    expect(links).to_have_text(names[1 : PAGE + 1])
    unfold(page)
    page.get_by_label("Kind of pack").select_option("marl-28")
    page.get_by_role("button", name="Show").click()
    left = [entry for entry in queue["entries"][1:] if entry["family"] == "marl-28"]
    expect(page.locator(".queue h3 .kind:nth-child(2)")).to_have_text(["marl-28"] * len(left))
    page.goto(f"{counter.url}/parts/suppliers")
    sound(page, "suppliers")
    page.get_by_role("button", name="It has arrived").click()
    expect(page.get_by_role("status")).to_contain_text("Recorded as arrived.")
    page.get_by_role("button", name="Undo").click()
    expect(page.get_by_role("button", name="It has arrived")).to_be_visible()


def test_what_a_cost_would_change_names_its_day_as_pages_do(counter):
    """It said "on 2026-03-15", as programs write a day; amounts in whole units had cents."""
    with httpx.Client(base_url=counter.url, timeout=60) as client:
        client.patch("/v1/costs/house", json={"capital_per_day": 12}).raise_for_status()
        queue = client.post("/v1/orders/queue", json={}).json()
        pages = [client.get(f"/parts/cases/{entry['pack_id']}").text for entry in queue["entries"]]
    days = re.findall(r"Order from [^<>]*? on ([^<>]*?) \(day \d+\)", " ".join(pages))
    assert days
    assert all(re.fullmatch(r"[A-Z][a-z]{2} \d+ [A-Z][a-z]{2} 2026", day) for day in days), days
    assert "EUR 1,450<" in pages[0]
    assert not re.search(r"EUR [\d,]+\.00", " ".join(pages))


def test_the_stock_figure(counter, desk_page, sound_at_both):
    page = desk_page
    page.goto(f"{counter.url}/parts")
    page.get_by_role("link", name="How many to keep on the shelf").click()
    page.get_by_label("Kind of pack").select_option("marl-28")
    page.get_by_label("Packs on the shelf now").fill("1")
    page.get_by_label("New cases").fill("0,1")
    page.get_by_role("button", name="Ask").click()
    asked = {"on_shelf": 1, "new_cases_per_day": 0.1}
    stock = httpx.post(f"{counter.url}/v1/families/marl-28/stock", json=asked, timeout=60).json()
    expect(page.locator(".answer")).to_contain_text(stock["sentence"])
    # Once "8 to 8".
    lead = [f"{stock['lead_days'][end]:.0f}" for end in ("early", "late")]
    said = page.locator("dt", has_text="Days on the way").locator("xpath=following-sibling::dd[1]")
    expect(said).to_have_text(lead[0] if lead[0] == lead[1] else " to ".join(lead))
    sound_at_both(page, "parts-stock")
    page.goto(f"{counter.url}/parts/stock?on_shelf=1")
    expect(page.locator("#family-wrong")).to_be_visible()


def test_what_there_is_to_take_along(counter):
    text = httpx.get(f"{counter.url}/parts/queue.csv").text.removeprefix("\ufeff")
    rows = list(csv.DictReader(io.StringIO(text)))
    queue = httpx.post(f"{counter.url}/v1/orders/queue", json={}, timeout=60).json()["entries"]
    assert [row["pack_id"] for row in rows] == [entry["pack_id"] for entry in queue]
    assert float(rows[0]["expected_cost"]) == pytest.approx(queue[0]["expected_cost"], abs=0.01)
    calendar = httpx.get(f"{counter.url}/v1/calendar.ics").text
    assert calendar.count("SUMMARY:Last day to order a pack for") == sum(e["latest_day"] is not None for e in queue)
    assert any(f"SUMMARY:Order a pack for {e['pack_id']} now" in calendar for e in queue if e["latest_day"] is None)


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_the_counter_by_night_and_with_the_keyboard(counter, open_tab, dark, sound):
    page = open_tab("phone", dark=dark)
    page.goto(f"{counter.url}/parts")
    sound(page, f"parts-{'dark' if dark else 'light'}")
    first = page.locator(".queue h3 a").first
    for _ in range(40):
        page.keyboard.press("Tab")
        if first.evaluate("e => e === document.activeElement"):
            break
    expect(first).to_be_focused()
    page.keyboard.press("Enter")
    page.wait_for_url("**/parts/cases/**")
    sound(page, f"parts-case-{'dark' if dark else 'light'}")


def test_who_may_only_look_sees_no_way_to_change(counter, open_tab):
    made = httpx.post(f"{counter.url}/v1/keys", json={"title": "front office", "role": "admin"}).json()["key"]
    headers = {"Authorization": f"Bearer {made}"}
    key = httpx.post(f"{counter.url}/v1/keys", json={"title": "desk", "role": "read-only"}, headers=headers).json()[
        "key"
    ]
    page = open_tab("office")
    page.goto(f"{counter.url}/sign-in?next=/parts")
    page.get_by_label("Access key").fill(key)
    page.get_by_role("button", name="Sign in").click()
    expect(page.locator(".out")).to_be_visible()
    page.goto(f"{counter.url}/parts")
    page.locator(".queue h3 a").first.click()
    expect(page.locator(".offer").first).to_be_visible()
    expect(page.get_by_role("button", name="I have ordered this one")).to_have_count(0)
    page.goto(f"{counter.url}/parts/suppliers")
    expect(page.get_by_role("link", name="Add an offer")).to_have_count(0)
    assert page.goto(f"{counter.url}/parts/offer/new").status == 403
