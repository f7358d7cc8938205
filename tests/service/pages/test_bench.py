"""The technician's task, in a real browser: from a unit that nobody knows to the answer and the release sheet."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import httpx2 as httpx
import pytest
import segno
from playwright.sync_api import expect

from service.core.dates import dated
from service.forecasting.forecasts.examples import example_case
from tests.service.pages.folds import unfold

NOW = datetime(2026, 3, 14, 9, 0, tzinfo=UTC)
"""The time of the service under test."""

CASE = example_case()["history"]
"""An invented van of Marrow Bay; its readings were made by the simulation."""

BEFORE, UNDER_LOAD, AFTER = CASE["readings"]
TOPUP = CASE["topups"][0]


def local(text: str) -> str:
    """A time as the browser's field takes it; the tests' zone is UTC. Two days later: recent enough for a release."""
    return (datetime.fromisoformat(text) + timedelta(days=2)).isoformat()[:16]


def add_van(page, site) -> None:
    page.goto(f"{site.url}/bench")
    page.get_by_role("link", name="A new car").click()
    page.get_by_label("Number of the vehicle").fill("MB-VAN-07")
    page.get_by_label("Kind of pack").select_option("gravel-14")
    page.get_by_text("More about the car").click()
    page.get_by_label("Age of the pack").fill("14,5")
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_role("status")).to_contain_text("Unit MB-VAN-07 is added.")


def enter_reading(page, reading: dict, numbers: str) -> None:
    page.get_by_role("link", name="Enter a reading").click()
    page.get_by_label("When", exact=True).fill(local(reading["time"]))
    page.get_by_label("State", exact=True).select_option(reading["state"])
    page.get_by_label("Current").fill(str(reading.get("current_a", "")))
    page.get_by_text("Paste a row or a column of numbers").click()
    page.get_by_label("Row or column").fill(numbers)
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_role("status")).to_contain_text("The reading is recorded.")


def enter_topup(page) -> None:
    page.get_by_role("link", name="Enter the top-up").click()
    page.get_by_label("End of the charge").fill(local(TOPUP["time"]))
    page.get_by_label("Blocks charged").fill("5")
    page.get_by_label("Charge put into each").fill(str(TOPUP["charge_ah"]).replace(".", ","))
    page.get_by_label("Voltage at the end").fill(str(TOPUP["end_v"]))
    page.get_by_label("How long it charged").fill(str(TOPUP["duration_h"]))
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_role("status")).to_contain_text("The top-up is recorded.")


def test_the_whole_task(site, either_page, sound):
    page = either_page
    page.goto(f"{site.url}/bench")
    expect(page.get_by_text("Nothing is recorded yet.")).to_be_visible()
    sound(page, "bench-empty")
    add_van(page, site)
    expect(page.get_by_text("Nothing is known of this pack yet.")).to_be_visible()
    sound(page, "unit-empty")
    enter_reading(page, BEFORE, "\n".join(map(str, BEFORE["block_v"])))
    expect(page.get_by_text("There is no forecast yet.")).to_be_visible()
    sound(page, "unit-one-reading")
    enter_reading(page, UNDER_LOAD, "\t".join(map(str, UNDER_LOAD["block_v"])))
    enter_topup(page)
    enter_reading(page, AFTER, "; ".join(str(v).replace(".", ",") for v in AFTER["block_v"]))
    first = page.locator(".answer .first")
    expect(first).to_contain_text(re.compile(r"such packs (hold at least|hold even one day)"))
    unfold(page)
    page.get_by_label("The replacement pack arrives in").fill("7")
    page.get_by_role("button", name="Ask").click()
    expect(page.locator(".answer")).to_contain_text("hold until the replacement arrives on day 7")
    sound(page, "unit-answered")
    told = " ".join(page.locator(".answer").inner_text().split())
    page.get_by_role("button", name="Keep this forecast").click()
    expect(page.locator("h1")).to_contain_text("Release sheet")
    sound(page, "release-sheet")
    # The same over REST: what the page told is what is stored.
    (stored,) = httpx.get(f"{site.url}/v1/issued-forecasts").json()["items"]
    answer = httpx.get(f"{site.url}/v1/issued-forecasts/{stored['id']}").json()["answer"]
    # Times of day are written as people read them there.
    said = [sentence.partition("; all days here count from")[0] for sentence in answer["sentences"]]
    assert [sentence for sentence in said if sentence not in told] == []
    # Read nine days before, and with not even one day promised, it is no release.
    expect(page.get_by_text("Not even one day can be promised: no release sheet is made")).to_be_visible()
    page.get_by_role("link", name="Back to the unit").click()
    page.get_by_role("button", name="The fault is back, as of now").click()
    expect(page.get_by_role("status")).to_contain_text("The outcome is recorded.")
    expect(page.get_by_text("The fault came back, Sat 14 Mar 2026.")).to_be_visible()
    page.get_by_role("button", name="Undo").click()
    expect(page.get_by_role("status")).to_contain_text("Undone.")
    page.get_by_role("link", name="Say what became of it").click()
    page.get_by_label("What became of it").select_option("returned")
    page.get_by_label("Trouble code").fill("P0A80")
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_text("The last top-up is over.")).to_be_visible()
    sound(page, "unit-over")
    page.get_by_role("button", name="Undo").click()
    expect(page.get_by_role("status")).to_contain_text("Undone.")
    expect(page.locator(".answer")).to_be_visible()


@pytest.mark.parametrize("words", ["VAN07", "van 7", "mb van 07", "MB-VAN"])
def test_a_unit_is_found_however_its_number_is_written(site, van, phone_page, words):
    page = phone_page
    page.goto(f"{site.url}/bench")
    page.get_by_label("Number of the vehicle or the pack").fill(words)
    page.get_by_role("button", name="Find").click()
    expect(page.get_by_role("link", name=re.compile(f"^{van}"))).to_be_visible()


def test_the_label_opens_the_units_page(site, van, either_page, sound):
    """The code says the page's address: read back square by square, it is the library's own of that text."""
    page = either_page
    page.goto(f"{site.url}/bench?unit={van}")  # a scanned number leads there at once
    expect(page.locator("h1")).to_have_text(van)
    page.get_by_role("link", name="Label to print").click()
    for address in (f"{site.url}/bench/units/{van}", f"{site.url}/bench/vehicles/{van}"):
        line = page.get_by_role("img", name=f"Code that opens {address}").locator("path[stroke]").get_attribute("d")
        assert f'd="{line}"' in segno.make_qr(address, error="M").svg_inline(scale=6, border=4, omitsize=True)
    sound(page, "label")
    page.goto(address)
    expect(page).to_have_url(f"{site.url}/bench/units/{van}")


def test_the_picture_stands_in_the_first_screen(site, van, page, sound):
    """On a telephone under the promise, on a desk beside it; the header leaves both room."""
    site.app.state.clock = lambda: datetime(2026, 3, 3, 9, 0, tzinfo=UTC)
    page.goto(f"{site.url}/bench/units/{van}")
    width, height = page.viewport_size["width"], page.viewport_size["height"]
    picture = page.locator("svg.curve").bounding_box()
    promise = page.locator(".answer .first").bounding_box()
    assert page.locator("header.top").bounding_box()["height"] <= 70
    assert picture["y"] + picture["height"] / 2 < height
    if width > 1000:
        assert picture["x"] > width / 2
        assert picture["y"] < promise["y"] + promise["height"]
        sections = page.locator(".columns > section").all()
        assert {box["x"] > width / 2 for box in (one.bounding_box() for one in sections)} == {True, False}
    sound(page, "unit-first-screen")


def test_block_by_block_with_the_keyboard_alone(site, record, page, sound):
    """The whole reading without a mouse: tab to each field, Enter to the next block, Enter on the button."""
    record("/v1/packs", {"id": "MB-CAB-03", "family": "gravel-14"})
    page.goto(f"{site.url}/bench")
    page.keyboard.press("Tab")
    expect(page.get_by_role("link", name="Skip to the content")).to_be_focused()
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    expect(page.get_by_label("Number of the vehicle or the pack")).to_be_focused()
    page.keyboard.type("cab")
    page.keyboard.press("Enter")
    page.wait_for_url("**/bench?unit=cab")
    link = page.get_by_role("link", name=re.compile("^MB-CAB-03"))
    tab_to(page, link)
    page.keyboard.press("Enter")
    tab_to(page, page.get_by_role("link", name="Enter a reading"))
    page.keyboard.press("Enter")
    tab_to(page, page.locator("#block_v-0"))
    for volts in BEFORE["block_v"]:
        page.keyboard.type(str(volts))
        page.keyboard.press("Enter" if volts is not BEFORE["block_v"][-1] else "Tab")
    expect(page.get_by_role("button", name="Save")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.get_by_role("status")).to_contain_text("The reading is recorded.")
    tab_to(page, page.get_by_role("button", name="Undo"))
    page.keyboard.press("Enter")
    expect(page.get_by_text("Nothing is known of this pack yet.")).to_be_visible()


def tab_to(page, target) -> None:
    for _ in range(60):
        page.keyboard.press("Tab")
        if target.evaluate("element => element === document.activeElement"):
            return
    pytest.fail(f"the keyboard does not reach {target}")


def test_mistakes_stand_at_the_number(site, record, either_page, sound):
    page = either_page
    record("/v1/packs", {"id": "MB-CAB-03", "family": "gravel-14"})
    page.goto(f"{site.url}/bench/units/MB-CAB-03/reading/new")
    for place, volts in enumerate(BEFORE["block_v"]):
        page.locator(f"#block_v-{place}").fill(str(volts))
    page.locator("#block_v-3").fill("13..1")
    page.locator("#block_v-8").fill("twelve")
    page.get_by_label("Current").fill("900000")
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_role("alert")).to_contain_text("2 entries need another look")
    expect(page.get_by_role("alert").locator(".which")).to_have_text(["Block 4:", "Block 9:"])
    expect(page.locator("#block_v-3-wrong")).to_contain_text("'13..1' is not a number.")
    expect(page.locator("#block_v-8")).to_have_attribute("aria-invalid", "true")
    expect(page.locator("#block_v-0")).to_have_value("13.0")
    sound(page, "reading-mistakes")
    page.locator("#block_v-3").fill("13.1")
    page.locator("#block_v-8").fill("1299")
    page.get_by_role("button", name="Save").click()
    expect(page.locator("#block_v-3-wrong")).to_have_count(0)
    expect(page.get_by_role("alert")).to_contain_text("another look")
    page.locator("#block_v-8").fill("-")
    page.get_by_label("Current").fill("-3")
    page.get_by_label("State", exact=True).select_option("charge")
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_role("status")).to_contain_text("The reading is recorded.")
    (stored,) = httpx.get(f"{site.url}/v1/readings").json()["items"]
    assert stored["block_v"][8] is None
    assert stored["block_v"][3] == 13.1
    assert stored["current_a"] == -3


def test_a_pasted_row_spreads_over_the_blocks(site, record, open_context, size):
    context = open_context(size)
    context.grant_permissions(["clipboard-read", "clipboard-write"], origin=site.url)
    page = context.new_page()
    record("/v1/packs", {"id": "MB-CAB-03", "family": "gravel-14"})
    page.goto(f"{site.url}/bench/units/MB-CAB-03/reading/new")
    row = "\t".join(map(str, BEFORE["block_v"]))
    page.evaluate("text => navigator.clipboard.writeText(text)", row)
    page.locator("#block_v-0").focus()
    page.keyboard.press("Control+V")
    for place, volts in enumerate(BEFORE["block_v"]):
        expect(page.locator(f"#block_v-{place}")).to_have_value(str(volts))
    expect(page.get_by_role("status")).to_contain_text("14 numbers pasted; the pack has 14 blocks.")


def test_resistances_are_written_as_a_row(site, record, desk_page, sound_at_both):
    page = desk_page
    record("/v1/packs", {"id": "MB-CAB-03", "family": "gravel-14"})
    page.goto(f"{site.url}/bench/units/MB-CAB-03/reading/new")
    for place, volts in enumerate(BEFORE["block_v"]):
        page.locator(f"#block_v-{place}").fill(str(volts))
    page.get_by_label("State", exact=True).select_option("rest")
    unfold(page)
    told = page.get_by_label("Resistance of each block told by the car")
    told.fill("21.5 x9 " + " ".join(["20"] * 12))
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_role("alert")).to_contain_text("'x9' is not a number.")
    told.fill("21.5 20")
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_role("alert")).to_contain_text("Resistances are told of 2 blocks, voltages of 14.")
    sound_at_both(page, "reading-resistances")
    told.fill("21,5 - " + " ".join(["20"] * 12))
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_role("status")).to_contain_text("The reading is recorded.")
    (stored,) = httpx.get(f"{site.url}/v1/readings").json()["items"]
    assert stored["resistance_mohm"] == [21.5, None, *[20.0] * 12]
    page.goto(f"{site.url}/bench/units/MB-CAB-03/reading/{stored['id']}")
    expect(told).to_have_value("21.5 - " + " ".join(["20"] * 12))
    told.fill("")
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_role("status")).to_be_visible()
    (stored,) = httpx.get(f"{site.url}/v1/readings").json()["items"]
    assert stored["resistance_mohm"] is None


def test_too_few_pasted_numbers_are_counted(site, record, either_page, sound):
    page = either_page
    record("/v1/packs", {"id": "MB-CAB-03", "family": "gravel-14"})
    page.goto(f"{site.url}/bench/units/MB-CAB-03/reading/new")
    page.get_by_text("Paste a row or a column of numbers").click()
    page.get_by_label("Row or column").fill("13.0 13.1 13.2")
    page.get_by_role("button", name="Put the numbers into the fields").click()
    expect(page.locator("#pasted-wrong")).to_contain_text("These are 3 numbers, but the pack has 14 blocks.")
    sound(page, "reading-too-few")


LOGGED = "Date;Batt current (A);" + ";".join(f"B{b:02}" for b in range(1, 15)) + "\n"


def test_a_loggers_file(site, record, either_page, sound, tmp_path):
    page = either_page
    record("/v1/packs", {"id": "MB-CAB-03", "family": "gravel-14"})
    rows = [
        f"0{day}.03.2026 08:1{day};0,1;" + ";".join(str(v).replace(".", ",") for v in BEFORE["block_v"])
        for day in (2, 3)
    ]
    good, bad = tmp_path / "good.csv", tmp_path / "bad.csv"
    good.write_text(LOGGED + "\n".join(rows) + "\n")
    bad.write_text(LOGGED + "\n".join([rows[0], rows[1].replace("13,0;", "13,O;", 1)]) + "\n")
    page.goto(f"{site.url}/bench/units/MB-CAB-03/reading/new")
    page.get_by_label("CSV file").set_input_files(bad)
    page.get_by_role("button", name="Read the file").click()
    expect(page.locator("h1")).to_contain_text("Nothing was stored from this file")
    expect(page.get_by_role("table")).to_contain_text("13,O")
    sound(page, "file-mistakes")
    page.get_by_role("link", name="Try again").click()
    page.get_by_label("CSV file").set_input_files(good)
    page.get_by_role("button", name="Read the file").click()
    # Nothing is stored before somebody has seen what was understood.
    expect(page.locator("h1")).to_contain_text("Is the file understood correctly?")
    expect(page.get_by_role("region", name="As they will be saved")).to_contain_text("Mon 2 Mar 2026, 08:12")
    assert httpx.get(f"{site.url}/v1/readings").json()["items"] == []
    sound(page, "file-understood")
    page.get_by_role("button", name="Save these 2 readings").click()
    expect(page.get_by_role("status")).to_contain_text("2 readings are recorded.")
    assert len(httpx.get(f"{site.url}/v1/readings").json()["items"]) == 2
    page.get_by_role("button", name="Undo").click()
    expect(page.get_by_role("status")).to_contain_text("Undone.")
    assert httpx.get(f"{site.url}/v1/readings").json()["items"] == []


def test_what_a_file_does_not_tell_is_answered_on_the_page(site, record, either_page, sound, tmp_path):
    page = either_page
    record("/v1/packs", {"id": "MB-CAB-03", "family": "gravel-14"})
    head = "when,HVB1," + ",".join(f"B{b}" for b in range(1, 15))
    row = ",".join(map(str, BEFORE["block_v"]))
    rows = [f"2026-03-02T08:1{m}:00,{a},{row}" for m, a in enumerate((30, 20, 25))]
    (tmp_path / "log.csv").write_text("\n".join([head, *rows]) + "\n")
    page.goto(f"{site.url}/bench/units/MB-CAB-03/reading/new")
    page.get_by_label("CSV file").set_input_files(tmp_path / "log.csv")
    page.get_by_role("button", name="Read the file").click()
    expect(page.get_by_text("Something is to be answered first.")).to_be_visible()
    sound(page, "file-open-questions")
    page.get_by_label("Which column holds the time?").select_option("when")
    page.get_by_label("What is the column 'HVB1'").select_option("current_a")
    page.get_by_role("button", name="Look again", exact=True).click()
    rows = page.get_by_role("region", name="As they will be saved").locator("tbody tr")
    expect(rows).to_have_count(3)
    expect(rows.first).to_contain_text("30")
    sound(page, "file-answered")
    assert httpx.get(f"{site.url}/v1/readings").json()["items"] == []
    page.get_by_label("Is current that leaves the pack positive or negative").select_option("negative")
    # An answer that changes it shows it again, rather than storing what nobody has seen.
    page.get_by_role("button", name="Save these 3 readings").click()
    expect(rows.first).to_contain_text("-30")
    page.get_by_role("button", name="Save these 3 readings").click()
    expect(page.get_by_role("status")).to_contain_text("3 readings are recorded.")
    stored = httpx.get(f"{site.url}/v1/readings").json()["items"]
    assert [(one["state"], one["current_a"]) for one in stored] == [("charge", -30), ("charge", -20), ("charge", -25)]


def test_a_file_of_other_packs_is_refused(site, van, phone_page, tmp_path, repository):
    record_of_all = repository / "data" / "synthetic" / "readings.csv"
    phone_page.goto(f"{site.url}/bench/units/{van}/reading/new")
    phone_page.get_by_label("CSV file").set_input_files(record_of_all)
    phone_page.get_by_role("button", name="Read the file").click()
    expect(phone_page.get_by_role("alert")).to_contain_text("This row is of 'MB-CAB-01', not of MB-VAN-07.")


def test_a_fact_is_corrected_taken_away_and_brought_back(site, van, either_page, sound):
    page = either_page
    page.goto(f"{site.url}/bench/units/{van}")
    unfold(page)
    page.get_by_role("link", name="Top-up of block 5").click()
    expect(page.get_by_label("Charge put into each")).to_have_value("1.1")
    page.get_by_label("Charge put into each").fill("0.9")
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_text("charge 0.9 Ah")).to_have_count(1)
    page.get_by_role("button", name="Undo").click()
    expect(page.get_by_text("charge 1.1 Ah")).to_have_count(1)
    unfold(page)
    page.get_by_role("link", name="Planned use", exact=True).click()
    page.get_by_role("button", name="Remove it").click()
    expect(page.get_by_role("status")).to_contain_text("Removed.")
    unfold(page)
    expect(page.get_by_role("link", name="Planned use", exact=True)).to_have_count(0)
    page.get_by_role("button", name="Undo").click()
    expect(page.get_by_role("status")).to_contain_text("Undone.")
    unfold(page)
    expect(page.get_by_role("link", name="Planned use", exact=True)).to_have_count(1)
    page.get_by_text("2 older entries").click()
    page.get_by_role("link", name="Reading under load").click()
    expect(page.locator("#block_v-0")).to_be_visible()
    sound(page, "reading-correct")


def test_the_page_tells_what_rest_tells(site, van, phone_page):
    """Sentences, figures and explanation are those of the service; the page computes nothing of its own."""
    phone_page.goto(f"{site.url}/bench/units/{van}?replacement=7")
    origin = max(reading["time"] for reading in CASE["readings"])
    history = httpx.get(f"{site.url}/v1/packs/{van}/history").json()
    # The page counts from the hour that is: the newest fact is more than a day old.
    case = {"history": history, "at": "2026-03-14T09:00:00+00:00", "replacement_in_days": 7, "explain": True}
    assert origin < case["at"]
    answer = httpx.post(f"{site.url}/v1/forecasts", json=case, timeout=60).json()
    # Folded parts too.
    shown = " ".join(phone_page.locator("main").text_content().split())
    for sentence in [*answer["sentences"], *answer["explanation"]["sentences"], *answer["cautions"]]:
        assert dated(sentence, ZoneInfo("UTC")) in shown, sentence


def test_a_wide_record_is_found_by_a_part_of_the_number(site, record, either_page, sound):
    for number in range(45):
        record("/v1/packs", {"id": f"MB-VAN-{number:03}", "family": "gravel-14"})
    page = either_page
    page.goto(f"{site.url}/bench?unit=van-0")
    expect(page.locator(".units li")).to_have_count(20)
    page.get_by_role("link", name="More units").click()
    expect(page.locator(".units li").first).to_contain_text("MB-VAN-020")
    page.get_by_role("link", name="More units").click()
    expect(page.locator(".units li")).to_have_count(5)
    page.goto(f"{site.url}/bench?unit=%25")
    expect(page.get_by_text("No vehicle and no pack has this in its number.")).to_be_visible()
    sound(page, "bench-not-found")


FURTHER = {
    "topup-plan": "How to top it up",
    "what-if": "What if it were used otherwise?",
    "recheck": "When to read again",
    "way": "Until the replacement comes",
}


def test_going_on_from_a_unit_tells_what_rest_tells(site, van, record, desk_page, sound_at_both):
    """Each page says in full what the service answers over REST to the same question."""
    page = desk_page
    record(f"/v1/packs/{van}/forecasts", {"at": NOW.isoformat()})
    for room, words in FURTHER.items():
        page.goto(f"{site.url}/bench/units/{van}")
        with page.expect_navigation():
            page.get_by_role("region", name="Go on from here").get_by_role("link", name=words).click()
        asked: dict = {} if room == "topup-plan" else {"at": NOW.isoformat()}
        if room == "way":
            page.get_by_label("Or it comes in").fill("5")
            with page.expect_navigation():
                page.get_by_role("button", name="Ask").click()
            asked = {"in_days": 5}
        address = f"{site.url}/v1/packs/{van}/{'release' if room == 'way' else room}"
        answer = httpx.post(address, json=asked, timeout=60)
        assert answer.status_code == 200, answer.text
        told = answer.json()
        shown = page.locator("main").inner_text()
        said = told.get("sentences", [told.get("sentence")])
        if room == "recheck":
            # What each reading means stands in ladder and table, not in sentences as well.
            said = said[:3]
            expect(page.locator("svg.ladder .spot")).to_have_count(len(told["table"]))
        for sentence in [*said, *told["cautions"][:2]]:
            assert dated(sentence, ZoneInfo("UTC")) in shown, sentence
        sound_at_both(page, f"unit-{room}")


def test_another_plan_and_a_wrong_one(site, read_van, either_page, sound):
    page = either_page
    page.goto(f"{site.url}/bench/units/{read_van}/what-if")
    page.get_by_label("Kilometres a day").fill("25")
    page.get_by_label("Parked first for").fill("2")
    page.get_by_role("button", name="Ask").click()
    expect(page.locator(".answer")).to_contain_text("As you entered:")
    page.get_by_label("Kilometres a day").fill("a few")
    page.get_by_role("button", name="Ask").click()
    expect(page.locator("#km_share-wrong")).to_contain_text("'a few' is not a number.")
    sound(page, "what-if-mistake")


def test_what_another_reading_is_worth_comes_after_the_page(site, van, record, phone_page):
    """It takes a while, so the page does not wait for it; without scripts the link leads to the same figure."""
    volts = [12.9] * 4 + [13.2] + [12.9] * 9
    record("/v1/readings", {"pack_id": van, "time": NOW.isoformat(), "state": "rest", "block_v": volts})
    phone_page.goto(f"{site.url}/bench/units/{van}")
    plan = httpx.post(f"{site.url}/v1/packs/{van}/recheck", json={"at": NOW.isoformat()}, timeout=60).json()
    whole = round(plan["worth_days"])
    days = "less than a day" if whole < 1 else f"about {whole} day{'' if whole == 1 else 's'}"
    words = f"buys {days} more, on average, at the same risk"
    expect(phone_page.get_by_role("region", name="What to measure next")).to_contain_text(words)
    # In sight too, without a press.
    expect(phone_page.get_by_role("region", name="Go on from here").get_by_text(words)).to_be_visible()


def test_the_answer_is_reached_and_kept_with_the_keyboard_alone(site, read_van, page):
    page.goto(f"{site.url}/bench/units/{read_van}")
    tab_to(page, page.get_by_role("button", name="Keep this forecast"))
    page.keyboard.press("Enter")
    page.wait_for_url("**/bench/forecasts/1")
    tab_to(page, page.get_by_role("link", name="As PDF, one page"))
    tab_to(page, page.get_by_role("link", name="Back to the unit"))
    page.keyboard.press("Enter")
    page.wait_for_url(f"**/bench/units/{read_van}")


def test_in_the_dark(site, van, open_tab, sound):
    """axe looks at the contrast of the dark colours too."""
    page = open_tab("phone", dark=True)
    for room in ("", "/reading/new", "/recheck", "/what-if"):
        page.goto(f"{site.url}/bench/units/{van}{room}")
        sound(page, f"dark{room.replace('/', '-')}")


def test_times_are_local_and_name_their_zone(make_site):
    """Times are read and told in the zone of the setting; one that the clocks skipped is refused.

    The Azores put their clocks forward on 29 March 2026 at 00:00 to 01:00 (IANA time zone database, Atlantic/Azores).
    """
    site = make_site(time_zone="Atlantic/Azores")
    with httpx.Client(base_url=site.url, follow_redirects=True) as client:
        client.post("/v1/packs", json={"id": "MB-CAB-03", "family": "gravel-14"}).raise_for_status()
        form = client.get("/bench/units/MB-CAB-03/reading/new").text
        token = re.search(r'name="form_token" value="([^"]+)"', form)[1]
        assert "Atlantic/Azores" in form
        content = {"form_token": token, "state": "rest", "block_v": [str(v) for v in BEFORE["block_v"]]}
        page = client.post("/bench/units/MB-CAB-03/reading/new", data={**content, "time": "2026-03-02T08:10"})
        assert "Mon 2 Mar 2026, 08:10 UTC-01" in page.text
        (stored,) = client.get("/v1/readings").json()["items"]
        assert stored["time"] == "2026-03-02T09:10:00Z"
        page = client.post("/bench/units/MB-CAB-03/reading/new", data={**content, "time": "2026-03-29T00:30"})
        assert page.status_code == 422
        assert "skipped this hour" in page.text


def test_a_form_sent_twice_is_stored_once(site, record):
    record("/v1/packs", {"id": "MB-CAB-03", "family": "gravel-14"})
    with httpx.Client(base_url=site.url, follow_redirects=True) as client:
        form = client.get("/bench/units/MB-CAB-03/topup/new").text
        content = dict(re.findall(r'type="hidden" name="(form_token|once)" value="([^"]+)"', form))
        content |= {"time": "2026-03-02T12:50", "blocks": "5"}
        for _ in range(2):
            answer = client.post("/bench/units/MB-CAB-03/topup/new", data=content)
            assert answer.url.path == "/bench/units/MB-CAB-03"
        assert len(client.get("/v1/topups").json()["items"]) == 1
        changed = client.post("/bench/units/MB-CAB-03/topup/new", data={**content, "blocks": "6"})
        assert "still open" in changed.text or "has the same" in changed.text


def test_a_number_typed_in_full_comes_before_longer_ones(site, record, phone_page):
    """ "van 1" listed MB-VAN-10 to 19 first, in the order of their last entries."""
    for number in (1, 10, 15):
        record("/v1/packs", {"id": f"MB-VAN-{number:02}", "family": "gravel-14"})
    record(
        "/v1/readings", {"pack_id": "MB-VAN-15", "time": "2026-03-14T08:00:00Z", "state": "rest", "block_v": [13] * 14}
    )
    for words in ("van 1", "VAN1", "van-01"):
        phone_page.goto(f"{site.url}/bench?unit={words}")
        expect(phone_page.locator(".units > li").first).to_contain_text("MB-VAN-01")
    phone_page.goto(f"{site.url}/bench?unit=van 1")
    with phone_page.expect_navigation():
        phone_page.get_by_role("navigation", name="Sorted by").get_by_role("link", name="Number").click()
        phone_page.wait_for_url("**order=name**")
    expect(phone_page.locator(".units > li")).to_have_count(3)
