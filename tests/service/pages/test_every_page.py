"""Every page that can be opened, on a telephone: nothing wider than the screen, no value as a program writes it."""

from __future__ import annotations

import re
from datetime import datetime, timedelta

import httpx2 as httpx
import pytest
from playwright.sync_api import expect
from sqlalchemy import update

from service.exchange.imports.loading import import_files
from service.forecasting.forecasts.examples import example_case
from service.records.subjects.all_subjects import COSTS, DELIVERIES, OFFERS, SUPPLIERS
from service.records.versions import Writer
from service.store.schema import IssuedForecast
from tests.service.invented_fleet import FAMILIES, fill
from tests.service.pages.conftest import NOW
from tests.service.pages.folds import unfold
from tests.service.pages.test_frame import page_routes
from training.files.families import load_families

FOR_PROGRAMS = re.compile(
    r"\bNone\b(?! (?:yet|of|is)\b)|\b(?:nan|NaN|inf|Infinity|undefined|True|False)\b|%\(\w+\)|\{\w*\}"
    r"|(?:GET|POST|PUT) /|\b\d{4}-\d\d(?:-\d\d)?(?:[ T]\d\d:\d\d(?::\d\d(?:\.\d+)?)?)?(?![\w-])|\d\.\d{6,}"
    r"|(?<!\w)-\d[\d.]* (?:A|V|mV|°C|days)\b|\b\d{4,} (?:days|moments|of them)\b"
)
"""A value, a day or a moment as a program writes it, a sentence that nothing was put into, false precision,
a hyphen for a minus, thousands without their mark."""

OUTSIDE = """[...document.querySelectorAll("main form :is(input, select, textarea, .unit)")].filter(one => {
    const main = getComputedStyle(document.querySelector("main")), place = one.getBoundingClientRect();
    return place.width > 1 && place.right > innerWidth - parseFloat(main.paddingRight) + 1;
}).map(one => one.id || one.name)"""
"""Fields and their units that stand over the edge of the page's own width."""

UNIT = "MB-NEW-1"
WRITTEN_SO = {
    f"/bench/units/{UNIT}/reading/new": "2026-03-14 09:30",  # how a time is typed into a table
}

SHEET = "/record/report"
"""A sheet to keep, with its figures as data at the end."""

MORE = (
    "/bench?unit=van",
    "/bench?unit=zzz",
    f"/bench/units/{UNIT}/way?in_days=9&km_per_day=20",
    f"/bench/units/{UNIT}/what-if?km_share=50",
    f"/bench/units/{UNIT}/recheck?risk=20",
    "/bench/units/MB-VAN-15",
    "/bench/units/MB-VAN-15/topup-plan",
    "/bench/units/MB-VAN-15/way",
    "/fleet?order=good_until",
    "/fleet/plan?slots=3&weeks=8",
    "/fleet/plan?slots=many",
    "/fleet/age?family=marl-28",
    "/parts/stock?family=marl-28&on_shelf=1&new_cases_per_day=0.2",
    "/nowhere",
)
"""Pages that say more once they are asked something, or of a pack that was not seen for three years."""


@pytest.fixture
def whole_site(site, record, repository):
    """The Marrow Bay record, forty vehicles out today, one read this morning, costs, offers, an order, a job."""
    fill(site.store, 40, NOW, seed=8)
    import_files(site.store, repository / "data" / "synthetic", load_families(None), Writer("marrow-bay", NOW))
    record("/v1/packs/MB-VAN-15/forecasts", {"at": "2023-03-02T08:00:00+00:00"})
    history = example_case()["history"]
    moved = NOW - timedelta(minutes=40) - datetime.fromisoformat(history["readings"][-1]["time"])
    record("/v1/packs", {"id": UNIT, "family": history["family"], "age_years": 9.0, "odometer_km": 181_500})
    for part in ("readings", "topups", "usage"):
        for fact in history[part]:
            when = (datetime.fromisoformat(fact["time"]) + moved).isoformat()
            record(f"/v1/{part}", {"pack_id": UNIT, **fact, "time": when})
    record(f"/v1/packs/{UNIT}/forecasts", {"at": NOW.isoformat()})
    record("/v1/suppliers", SUPPLIERS.example)
    record("/v1/costs", COSTS.example)
    for family in FAMILIES:
        record("/v1/offers", {**OFFERS.example, "family": family})
    record("/v1/deliveries", DELIVERIES.example | {"pack_id": None})
    assert httpx.post(f"{site.url}/v1/jobs/reports", json={}).status_code == 202
    return site


def addresses(site) -> list[str]:
    """An address of every page, with names and numbers of what is there."""

    def newest(table: str) -> str:
        return str(httpx.get(f"{site.url}/v1/{table}", params={"pack_id": UNIT}).json()["items"][-1]["id"])

    in_place = {
        "/bench/forecasts/{number}": [f"/bench/forecasts/{newest('issued-forecasts')}"],
        "/bench/units/{pack_id}/reading/{number}": [f"/bench/units/{UNIT}/reading/{newest('readings')}"],
        "/bench/units/{pack_id}/{word}/new": [
            f"/bench/units/{UNIT}/{word}/new" for word in ("topup", "usage", "outcome")
        ],
        "/bench/units/{pack_id}/{word}/{number}": [f"/bench/units/{UNIT}/topup/{newest('topups')}"],
        "/parts/{word}/new": [f"/parts/{word}/new" for word in ("supplier", "offer", "delivery")],
        "/parts/{word}/{key}": ["/parts/supplier/north-quay", "/parts/offer/1", "/parts/delivery/1"],
        "/admin/jobs/{job_id}": ["/admin/jobs/1"],
        "/bench/vehicles/{vehicle_id}": ["/bench/vehicles/MB-VAN-15", "/bench/vehicles/nobody"],
    }
    found = [*MORE, "/sign-in"]
    for route in page_routes(site.app):
        path = route.path
        if "GET" in route.methods and not path.endswith((".csv", ".pdf", ".ics")) and "{name}" not in path:
            found += in_place.get(path) or [path.replace("{pack_id}", UNIT)]
    return found


def test_every_page_fits_a_telephone_and_speaks_to_people(whole_site, open_context):
    page = open_context("phone").new_page()
    wrong, seen = [], addresses(whole_site)
    assert len(seen) > 55
    for address in seen:
        answer = page.goto(whole_site.url + address)
        page.wait_for_load_state()
        if answer.status >= 500 or "{" in address or not answer.headers["content-type"].startswith("text/html"):
            wrong.append((address, answer.status))
        if page.evaluate("document.documentElement.scrollWidth > document.documentElement.clientWidth"):
            wrong.append((address, "wider than the screen"))
        wrong += [(address, f"{name}: reaches out of its form") for name in page.evaluate(OUTSIDE)]
        text = "" if address == SHEET else page.locator("main").text_content()
        wrong += [(address, words) for words in sorted({*FOR_PROGRAMS.findall(text)} - {WRITTEN_SO.get(address)})]
    assert not wrong, "\n".join(map(str, wrong))


def test_what_is_known_of_a_silent_pack_is_no_more_than_was_seen(whole_site, phone_page):
    """Three years after its last reading its top-up was drawn as having held all the while, "good for 0 days"."""
    with whole_site.store.writing() as session:
        session.execute(update(IssuedForecast).where(IssuedForecast.pack_id == "MB-VAN-15").values(good_for_days=0.4))
    phone_page.goto(f"{whole_site.url}/bench/units/MB-VAN-15")
    unfold(phone_page)
    (says,) = [one.get_attribute("aria-label") for one in phone_page.locator("svg.past .spot").all()]
    assert says == "Tue 28 Feb 2023, block 3; less than a day: still held when last seen"
    recorded = phone_page.get_by_role("heading", name="Forecasts as they were told").locator("xpath=following::ul[1]")
    expect(recorded).to_contain_text("Good for not even one day")
    expect(recorded).not_to_contain_text("Good for 0")


@pytest.mark.parametrize("address", [f"/bench/units/{UNIT}/reading/new", f"/bench/units/{UNIT}/topup/new"])
def test_no_entry_is_cut_off_on_a_desk(whole_site, open_tab, address):
    """Dates lost their hour, choices their end, where a field was narrower than what stands in it."""
    page = open_tab("office")
    page.goto(whole_site.url + address)
    unfold(page)
    for field in page.locator("main form :is(select, input[type=datetime-local])").all():
        needed = field.evaluate(
            """one => { const wide = document.createElement("span"), style = getComputedStyle(one);
            wide.style.cssText = `position:absolute;visibility:hidden;white-space:nowrap;font:${style.font}`;
            wide.textContent = one.options ? one.selectedOptions[0].text : "03/14/2026, 09:00 AM";
            document.body.append(wide);
            return wide.offsetWidth + 24 + parseFloat(style.paddingLeft) + parseFloat(style.paddingRight); }"""
        )
        assert field.bounding_box()["width"] >= needed, field.get_attribute("name")
