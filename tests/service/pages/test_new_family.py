"""A pack of a kind that nobody has described, from nothing to its forecast, in a real browser and counted."""

from __future__ import annotations

import re

import httpx2 as httpx
import pytest
from playwright.sync_api import expect

from service.store.schema import AuditEntry
from tests.service.typing_time import seconds
from training.files.families import LiveFamilies

PROMISE = re.compile(r"such packs (hold at least|hold even one day)")
BEFORE = ["15.48", "15.51", "15.49", "15.50", "14.92", *["15.50"] * 12]
AFTER = ["15.47", "15.50", "15.48", "15.49", "15.52", *["15.49"] * 12]


@pytest.fixture
def own_site(site, tmp_path):
    """The service with a folder for families of its own, empty yet."""
    before = site.app.state.families
    site.app.state.families = LiveFamilies(tmp_path / "families")
    yield site
    site.app.state.families = before


class Keys:
    """Types, and counts it."""

    def __init__(self, page) -> None:
        self.page, self.keys, self.taps = page, 0, 0

    def type(self, text: str, then: str = "Tab") -> None:
        self.page.keyboard.type(text)
        self.page.keyboard.press(then)
        self.keys += len(text) + 1

    def tap(self, found) -> None:
        found.click()
        self.taps += 1


def test_from_nothing_to_a_forecast(own_site, open_tab, sound):
    page = open_tab("office")
    hands = Keys(page)
    page.goto(f"{own_site.url}/bench/add")
    hands.tap(page.get_by_role("link", name="It is not in the list"))
    expect(page.get_by_role("heading", name="A kind of pack that is not in the list")).to_be_visible()
    sound(page, "new-family")
    hands.tap(page.get_by_label("Short name"))
    for text in ("slate-17", "N", "17", "12", "6.5", "15.5"):
        hands.type(text)
    hands.tap(page.get_by_label("I read on the label of a pack what cells it has"))
    hands.tap(page.get_by_role("button", name="Enter it"))
    expect(page.get_by_role("heading", name="slate-17 can be chosen now")).to_be_visible()
    expect(page.get_by_text("The block that you read lies between the two.")).to_be_visible()
    expect(page.get_by_role("rowheader", name="peak_current_a")).to_be_visible()
    sound(page, "family-made")
    hands.tap(page.get_by_role("link", name="Add a car with it"))
    expect(page.get_by_label("Kind of pack")).to_have_value("slate-17")
    hands.tap(page.get_by_label("Number of the vehicle"))
    page.keyboard.type("MB-VAN-44")
    hands.keys += 9
    hands.tap(page.locator("#before_v-0"))
    for volts in BEFORE:
        hands.type(volts, "Enter")
    expect(page.get_by_label("Blocks charged")).to_be_focused()
    for text in ("5", "1.7", "16.8", "3", "12"):
        hands.type(text, "Enter")
    expect(page.locator("#after_v-0")).to_be_focused()
    for volts in AFTER:
        hands.type(volts, "Enter")
    expect(page.locator("#answer .answer .first")).to_contain_text(PROMISE)
    hands.tap(page.get_by_role("button", name="Save"))
    expect(page.locator(".answer .first")).to_contain_text(PROMISE)
    assert seconds(hands.keys, hands.taps) < 180, (hands.keys, hands.taps)
    told = httpx.get(f"{own_site.url}/v1/families").json()["families"]
    assert "slate-17" in {family["name"] for family in told}
    with own_site.store.reading() as session:
        assert ("page_add_family", "slate-17") in {(row.action, row.record_id) for row in session.query(AuditEntry)}


def test_what_does_not_fit_is_said_at_its_field(own_site, either_page, sound, tmp_path):
    page = either_page
    page.goto(f"{own_site.url}/bench/families/new")
    page.get_by_label("Short name").fill("slate-17")
    page.get_by_label("Chemistry").select_option("nimh")
    page.get_by_label("Blocks", exact=True).fill("17")
    page.get_by_label("Cells in a block").fill("6")
    page.get_by_label("Rated capacity").fill("6,5")
    page.get_by_label("One sound block at rest").fill("15.5")
    page.get_by_label("As lists show it").fill('C:\\new "17"')
    page.get_by_role("button", name="Enter it").click()
    alert = page.get_by_role("alert")
    expect(alert).to_contain_text("not at 15.5 V")
    expect(alert).to_contain_text("By that voltage it has about 12 cells")
    sound(page, "new-family-refused")
    assert list((tmp_path / "families").iterdir()) == []
    page.get_by_label("Cells in a block").fill("12")
    page.get_by_role("button", name="Enter it").click()
    expect(page.get_by_role("alert")).to_contain_text("and so may 4 of lithium-ion: volts do not tell them apart")
    page.get_by_label("I read on the label of a pack what cells it has").check()
    page.get_by_role("button", name="Enter it").click()
    expect(page.get_by_role("heading", name="slate-17 can be chosen now")).to_be_visible()
    assert own_site.app.state.families["slate-17"].title == 'C:\\new "17"'
    page.goto(f"{own_site.url}/bench/families/new")
    page.get_by_label("Short name").fill("slate-17")
    page.get_by_label("Chemistry").select_option("nimh")
    for label in ("Blocks", "Cells in a block", "Rated capacity"):
        page.get_by_label(label, exact=label == "Blocks").fill("10")
    page.get_by_role("button", name="Enter it").click()
    expect(page.get_by_role("alert")).to_contain_text("slate-17 is taken")


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("name", "../../etc/x"),
        ("name", "A B"),
        ("name", "x" * 40),
        ("chemistry", "lead-acid"),
        ("blocks", "1"),
        ("blocks", "1e9"),
        ("cells_per_block", "0"),
        ("rated_ah", "nan"),
        ("rated_ah", "-1"),
        ("rest_v", "inf"),
        ("title", "a\nb = 1"),
    ],
)
def test_no_file_is_written_for_what_cannot_be(own_site, tmp_path, name, value):
    sound = {"name": "slate-17", "chemistry": "nimh", "blocks": "17", "cells_per_block": "12", "rated_ah": "6.5"}
    with httpx.Client(base_url=own_site.url) as client:
        token = re.search(r'name="form_token" value="([^"]+)"', client.get("/bench/families/new").text)
        assert token is not None
        answer = client.post("/bench/families/new", data={**sound, name: value, "form_token": token[1]})
    assert answer.status_code == 422
    assert not list(tmp_path.rglob("*.toml"))
    assert not list(tmp_path.rglob(".slate*"))
