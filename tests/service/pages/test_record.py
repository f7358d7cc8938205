"""The record's pages in a real browser: calibration, what people were told, the model's card, drift."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import httpx2 as httpx
import pytest
from playwright.sync_api import expect

from models.features.definitions import PLAIN_WORDS
from service.exchange.imports.loading import import_files
from service.records.versions import Writer
from tests.service.invented_told import tell
from tests.service.pages.folds import unfold
from training.files.families import load_families
from training.files.tables import write_tables
from training.report import CalibrationReport
from training.simulation.cohort import CohortPlan, simulate_cohort

NOW = datetime(2026, 3, 14, 9, 0, tzinfo=UTC)


@pytest.fixture
def told_site(site):
    """Three hundred forecasts of one curve over eight months; hazards were half as high again. Invented."""
    tell(site.store, 300, NOW, hazard_factor=1.5)
    return site


def test_is_it_any_good(site, either_page, sound):
    page = either_page
    page.goto(f"{site.url}/")
    with page.expect_navigation():
        page.get_by_role("link", name="Is it any good?").click()
    report = httpx.get(f"{site.url}/v1/calibration").json()
    whole = CalibrationReport.model_validate(report).whole.name
    own = [verdict["sentence"] for verdict in report["verdicts"] if verdict["group"] == whole]
    assert own
    expect(page.locator("main > .verdicts li > span")).to_have_text(own[:1])
    # The verdict and the first plot are there without scrolling far; the rest is folded.
    tall = page.evaluate("document.documentElement.scrollHeight")
    assert page.locator("svg.agreement").first.bounding_box()["y"] < 2 * page.viewport_size["height"]
    sound(page, "record-folded")
    unfold(page)
    expect(page.locator(".tucked .verdicts li > span")).to_have_text(own[1:])
    page.locator("#parts > summary, #figures > summary").first.click()
    page.locator("#figures > summary").click()
    assert page.evaluate("document.documentElement.scrollHeight") > tall
    for verdict in report["verdicts"]:
        expect(page.get_by_text(verdict["sentence"], exact=True)).to_be_visible()
    expect(page.get_by_text(report["origin_sentence"])).to_be_visible()
    by_day = {f"{day['day']:g}": day["reliability"]["overall"] for day in report["whole"]["days"]}
    for row in page.get_by_role("region", name="Returns by day, of 100").locator("tbody tr").all():
        cells = [cell.strip() for cell in row.locator("th, td").all_inner_texts()]
        overall = by_day[cells[0]]
        assert cells[1:3] == [f"{100 * overall['forecast']:.0f}", f"{100 * overall['observed']:.0f}"]
    expect(page.locator("svg.agreement")).to_have_count(len(by_day))
    sound(page, "record-calibration")


def test_the_whole_report_can_be_kept_and_printed(site, page, sound):
    """Its own sheet: its style and drawings inside, no script."""
    page.goto(f"{site.url}/record")
    with page.expect_navigation():
        page.get_by_role("link", name="The whole report").click()
    expect(page.get_by_role("heading", name="Is the forecaster any good?")).to_be_visible()
    sound(page, "report")
    assert page.evaluate("getComputedStyle(document.body).margin") == "0px"
    answer = httpx.get(f"{site.url}/record/report")
    assert "script-src" not in answer.headers["Content-Security-Policy"]
    assert answer.headers["Content-Security-Policy"].startswith("default-src 'none'")


def test_what_people_were_told(told_site, either_page, sound):
    page = either_page
    page.goto(f"{told_site.url}/record")
    page.get_by_role("link", name="What people were told").click()
    found = httpx.get(f"{told_site.url}/v1/live-record").json()
    for sentence in found["told"]["sentences"]:
        expect(page.get_by_text(sentence)).to_be_visible()
    assert found["alarm"]["raised"]
    expect(page.get_by_text("faults come back more often than forecast")).to_be_visible()
    rows = page.get_by_role("region", name="By month of issue").locator("tbody tr")
    expect(rows).to_have_count(len(found["told"]["months"]) + 1)
    last = [cell.strip() for cell in rows.last.locator("th, td").all_inner_texts()]
    whole = found["told"]["whole"]
    assert last[:4] == ["all months", str(whole["forecasts"]), str(whole["settled"]), str(whole["returned"])]
    assert last[-1] == "more came back"
    expect(page.locator("svg.months")).to_be_visible()
    sound(page, "record-told")


def test_an_empty_record_says_what_to_do(site, page, sound):
    page.goto(f"{site.url}/record/told")
    expect(page.get_by_text("No forecast has been stored yet.")).to_be_visible()
    expect(page.get_by_role("link", name="Go to the bench")).to_be_visible()
    sound(page, "record-told-empty")
    page.goto(f"{site.url}/record/drift")
    expect(page.get_by_text("30 are needed for a comparison")).to_be_visible()
    sound(page, "record-drift-empty")


def test_the_models_card(site, either_page, sound):
    page = either_page
    page.goto(f"{site.url}/record/model")
    model = httpx.get(f"{site.url}/v1/model").json()
    expect(page.get_by_text(model["model_id"], exact=True)).to_be_visible()
    expect(page.get_by_text(model["payload_sha256"])).to_be_visible()
    for name in model["scores"]:
        expect(page.get_by_role("rowheader", name=name, exact=True)).to_be_visible()
    sound(page, "record-model")


def test_a_hotter_place_shows_as_drift(site, desk_page, sound_at_both, tmp_path):
    """A year at a hotter place, moved to the year before the tests' now. Invented."""
    page = desk_page
    tables = simulate_cohort(CohortPlan(80, 31, places=("reed-delta",), years=1)).tables
    later = NOW - timedelta(days=1) - tables.topups["time"].max()
    moved = {
        name: frame.assign(time=frame["time"] + later).loc[lambda moved: moved["time"] <= NOW]
        for name, frame in tables.frames().items()
        if "time" in frame.columns
    }
    write_tables(replace(tables, **moved), tmp_path / "hot")
    families = load_families(None)
    assert import_files(site.store, tmp_path / "hot", families, Writer("test", NOW)).stored
    page.goto(f"{site.url}/record/drift")
    drift = httpx.get(f"{site.url}/v1/drift").json()
    assert drift["features"][0]["drifted"]
    expect(page.get_by_text(drift["sentences"][0])).to_be_visible()
    rows = page.get_by_role("region", name="One by one").locator("tbody tr")
    expect(rows).to_have_count(len(drift["features"]))
    expect(rows.first).to_contain_text("drifted")
    told = PLAIN_WORDS[drift["features"][0]["feature"]]
    expect(rows.first.locator("th")).to_contain_text(re.compile(f"^{re.escape(told)} ", re.IGNORECASE))
    sound_at_both(page, "record-drift")
