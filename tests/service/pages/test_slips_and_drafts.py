"""Slips are asked about at the field before anything is stored; what is typed survives a lost line, an ended visit."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import httpx2 as httpx
import pytest
from playwright.sync_api import expect

from models.base.errors import BadInput
from service.pages.bench.in_volts import in_volts
from service.pages.forms import plain_numbers
from service.records.slips import doubts_of
from service.records.subjects.all_subjects import DELIVERIES, SUPPLIERS
from tests.service.pages.folds import unfold
from training.files.families import load_families

NOW = datetime(2026, 3, 14, 9, 0, tzinfo=UTC)
FAMILY = load_families(None)["gravel-14"]
RETRY_MS = 5_000
"""After how long a page tries again (`assets/drafts.js`, `assets/visit.js`)."""

VOLTS = [13.02, 13.0, 13.01, 12.98, 12.8, 13.0, 13.0, 13.01, 12.99, 13.0, 13.0, 13.02, 13.0, 13.0]
REST = {"time": NOW, "state": "rest", "current_a": 0.0, "temperature_c": 21.0, "block_v": VOLTS}


def asked(word: str, fact: dict) -> list[str]:
    return [doubt.where for doubt in doubts_of(word, fact, FAMILY, NOW)]


@pytest.mark.parametrize("typed", [1.302, 0.0, 130.2])
def test_a_block_far_off_its_peers_is_asked_about(typed):
    (doubt,) = doubts_of("reading", REST | {"block_v": [typed, *VOLTS[1:]]}, FAMILY, NOW)
    assert doubt.where == "block_v[0]"
    assert f"{typed - 13.0:+.2f}".replace("-", "−") in doubt.what


@pytest.mark.parametrize(
    ("word", "changed", "where"),
    [
        ("reading", {}, []),
        ("reading", {"temperature_c": 98.0}, ["temperature_c"]),
        ("reading", {"current_a": 30.0}, ["current_a"]),
        ("reading", {"current_a": 30.0, "state": "discharge"}, []),
        ("topup", {"charge_ah": 1470.0}, ["charge_ah"]),
        ("topup", {"charge_ah": 1.47}, []),
        ("usage", {"time": NOW + timedelta(days=2)}, ["time"]),
        ("outcome", {"code": "P0A80"}, []),
        ("outcome", {"code": "none yet"}, ["code"]),
        ("reading", {"code": "XYZ", "code_state": "pending"}, ["code"]),
        ("reading", {"code": "P0A80", "code_state": "pending"}, []),
    ],
)
def test_slips(word, changed, where):
    assert asked(word, (REST if word == "reading" else {"time": NOW}) | changed) == where


@pytest.mark.parametrize(
    ("factor", "words"),
    [
        (1, ""),
        (1000, "as millivolts of a block"),
        (1 / 10, "as volts of one cell"),
        (1000 / 10, "as millivolts of one"),
    ],
)
def test_millivolts_and_values_per_cell_are_converted_and_said_so(factor, words):
    assert FAMILY.cells_per_block == 10
    volts, said = in_volts([v * factor for v in VOLTS], FAMILY)
    assert volts == pytest.approx(VOLTS, abs=1e-3)
    assert words in said
    assert bool(words) == bool(said)


@pytest.fixture
def cab(site, record) -> str:
    record("/v1/packs", {"id": "MB-CAB-03", "family": "gravel-14"})
    return f"{site.url}/bench/units/MB-CAB-03"


def fill(page, volts, **more) -> None:
    for place, value in enumerate(volts):
        page.locator(f"#block_v-{place}").fill(str(value))
    for name, value in more.items():
        page.locator(f"#{name}").fill(value)


def readings(site) -> list:
    return httpx.get(f"{site.url}/v1/readings").json()["items"]


def test_a_slip_is_stored_only_when_it_is_said_to_be_right(site, cab, either_page, sound):
    page = either_page
    page.goto(f"{cab}/reading/new")
    fill(page, [1.327, *VOLTS[1:]], temperature_c="98")
    page.get_by_role("button", name="Save", exact=True).click()
    expect(page.get_by_role("alert")).to_contain_text("Is this right?")
    expect(page.locator("#block_v-0-wrong")).to_contain_text("from the median")
    expect(page.locator("#temperature_c-wrong")).to_contain_text("98 °C is unusual for a pack.")
    sound(page, "reading-asked-back")
    assert readings(site) == []
    # What was mended is not asked again; what is another slip is.
    page.locator("#block_v-0").fill("13.27")
    page.get_by_role("button", name="Save", exact=True).click()
    expect(page.locator("#block_v-0-wrong")).to_have_count(0)
    expect(page.locator("#temperature_c-wrong")).to_be_visible()
    page.get_by_role("button", name="It is right, save it").click()
    expect(page.get_by_role("status")).to_contain_text("The reading is recorded.")
    assert [one["temperature_c"] for one in readings(site)] == [98]


AT_ONCE = {
    "/bench/units/MB-CAB-03/topup/new": (
        {"Blocks charged": "15", "Charge put into each": "1.470,5", "Voltage at the end": "77"},
        ("#charge_ah-wrong", "not a number"), ("#blocks-wrong", "14"),
    ),
    "/bench/units/MB-CAB-03/outcome/new": (
        {"Trouble code": "P0A8", "Odometer": "12 000 km"},
        ("#odometer_km-wrong", "not a number"), ("#code-wrong", "not a trouble code"),
    ),
    "/parts/offer/new": (
        {"Price of the pack": "1390", "Express fee": "1.450", "Usual days": "9", "Earliest": "12", "Latest": "6"},
        ("#express_fee-wrong", "1.45 or 1450"), ("#faults", "arliest"),
    ),
}  # fmt: skip
"""A form: what is typed, and where the fault of a number and the one of sense are said."""


@pytest.mark.parametrize("address", AT_ONCE)
def test_all_faults_of_a_form_are_told_at_once(site, cab, record, open_tab, address):
    """What makes no sense was told only once every number could be read."""
    typed, (number, said), (sense, too) = AT_ONCE[address]
    record("/v1/suppliers", {"id": "north-quay"})
    record("/v1/topups", {"pack_id": "MB-CAB-03", "time": (NOW - timedelta(days=5)).isoformat(), "blocks": [2]})
    page = open_tab("phone")
    page.goto(site.url + address)
    if address.startswith("/parts"):
        page.get_by_label("Supplier").select_option("north-quay")
        page.get_by_label("Kind of pack").select_option("gravel-14")
        page.get_by_label("Currency").fill("EUR")
    for label, text in typed.items():
        page.get_by_label(label).fill(text)
    with page.expect_navigation():
        page.get_by_role("button", name="Save", exact=True).click()
    expect(page.locator(number)).to_contain_text(said)
    expect(page.locator(sense)).to_contain_text(too)
    assert page.locator("#faults p").count() >= 2, page.locator("#faults").inner_text()


def test_millivolts_are_stored_as_volts_and_told(site, cab, phone_page):
    phone_page.goto(f"{cab}/reading/new")
    fill(phone_page, [round(1000 * v) for v in VOLTS])
    phone_page.get_by_role("button", name="Save", exact=True).click()
    expect(phone_page.get_by_role("status")).to_contain_text("taken as millivolts of a block")
    assert readings(site)[0]["block_v"] == pytest.approx(VOLTS)


def test_what_was_typed_survives_a_closed_tab_and_is_named(site, cab, open_context, sound):
    context = open_context("phone")
    page = context.new_page()
    page.goto(f"{cab}/reading/new")
    fill(page, VOLTS[:3])
    page.close()
    page = context.new_page()
    page.goto(cab)
    expect(page.get_by_text("Typed on this device and not saved yet:")).to_be_visible()
    sound(page, "unit-unsaved")
    page.locator(".unsaved a").click()
    expect(page.locator("#block_v-1")).to_have_value("13.0")
    fill(page, VOLTS)
    page.get_by_role("button", name="Save", exact=True).click()
    expect(page.get_by_role("status")).to_contain_text("The reading is recorded.")
    page.goto(f"{cab}/reading/new")
    expect(page.locator("#block_v-1")).to_have_value("")
    expect(page.locator(".unsaved")).to_have_count(0)


@pytest.mark.parametrize(
    ("address", "typed", "button"),
    [
        ("supplier/new", {"Short name": "south-mole"}, "Save"),
        ("offer/new", {"Price of the pack": "1390", "Usual days": "8", "Currency": "EUR"}, "Save"),
        ("delivery/1", {"For the pack": "MB-CAB-03"}, "Save"),
        ("costs", {"One stranding": "650", "Currency": "EUR"}, "Keep them"),
    ],
)
def test_what_the_counter_typed_is_kept_as_readings_are(site, record, cab, open_context, address, typed, button):
    record("/v1/suppliers", SUPPLIERS.example)
    record("/v1/deliveries", {**DELIVERIES.example, "family": "gravel-14", "pack_id": None, "arrived_at": None})
    context = open_context("office")
    page = context.new_page()
    page.goto(f"{site.url}/parts/{address}")
    for label, text in typed.items():
        page.get_by_label(label).fill(text)
    chosen = {"Supplier": "north-quay", "Kind of pack": "gravel-14"} if address == "offer/new" else {}
    for label, choice in chosen.items():
        page.get_by_label(label).select_option(choice)
    page.route("**/healthz", lambda route: route.fulfill(status=404))
    page.get_by_role("button", name=button, exact=True).click()
    expect(page.get_by_text("There is no connection: this is not saved yet.")).to_be_visible()
    page.close()
    page = context.new_page()
    page.goto(f"{site.url}/parts")
    page.locator(".unsaved a").click()
    for label, text in {**typed, **chosen}.items():
        expect(page.get_by_label(label)).to_have_value(text)
    page.get_by_role("button", name=button, exact=True).click()
    expect(page.get_by_role("status").first).to_contain_text(re.compile("is recorded|are kept|Corrected"))
    page.goto(f"{site.url}/parts/{address}")
    expect(page.locator(".unsaved")).to_have_count(0)


def test_several_forms_begun_are_named_in_one_line(site, cab, open_context):
    context = open_context("phone")
    page = context.new_page()
    page.goto(f"{cab}/reading/new")
    fill(page, VOLTS[:3])
    page.goto(f"{cab}/topup/new")
    page.locator("input[name=charge_ah]").first.fill("1.1")
    page.goto(f"{site.url}/")
    expect(page.locator(".unsaved a")).to_have_count(2)
    expect(page.locator(".unsaved")).to_have_count(1)
    for link in page.locator(".unsaved a").all_text_contents():
        assert link.count(",") <= 1, link
        assert "Tideover" not in link


def test_a_reading_waits_for_the_line_and_is_then_sent(site, cab, open_context):
    context = open_context("phone")
    page = context.new_page()
    page.clock.install()
    page.goto(f"{cab}/reading/new")
    fill(page, VOLTS)
    page.route("**/healthz", lambda route: route.fulfill(status=404))
    page.get_by_role("button", name="Save", exact=True).click()
    expect(page.get_by_text("There is no connection: this is not saved yet.")).to_be_visible()
    assert readings(site) == []
    page.unroute("**/healthz")
    page.clock.fast_forward(RETRY_MS)
    page.wait_for_url(cab)
    expect(page.get_by_role("status").first).to_contain_text("The reading is recorded.")
    assert len(readings(site)) == 1


def test_after_signing_in_one_is_where_one_was_with_what_one_typed(make_site, cab, open_tab):
    site = make_site()
    made = httpx.post(f"{site.url}/v1/keys", json={"title": "bench", "role": "admin"}).json()
    page = open_tab("phone")
    page.goto(f"{cab}/reading/new")
    page.get_by_label("Access key").fill(made["key"])
    page.get_by_role("button", name="Sign in").click()
    fill(page, VOLTS)
    site.app.state.clock = lambda: NOW + timedelta(hours=13)
    page.get_by_role("button", name="Save", exact=True).click()
    page.get_by_label("Access key").fill(made["key"])
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(f"{cab}/reading/new")
    expect(page.locator("#block_v-1")).to_have_value("13.0")
    page.get_by_role("button", name="Save", exact=True).click()
    expect(page.get_by_role("status").first).to_contain_text("The reading is recorded.")


HEADINGS = ["time", "state", "current_a", "temperature_c", *(f"block_{b}_v" for b in range(1, 15))]


def sent_file(client, cab: str, text: str, **more: str) -> str:
    token = re.search(r'name="form_token" value="([^"]+)"', client.get(f"{cab}/reading/new").text)[1]
    files = {"file": ("log.csv", text.encode(), "text/csv")}
    return client.post(f"{cab}/file", data={"form_token": token, **more}, files=files, follow_redirects=True).text


def test_on_a_unit_s_own_page_a_file_need_not_name_the_pack(site, cab):
    """It was refused for want of a column that the page itself answers."""
    row = ["2026-03-13T08:00:00Z", "rest", "0", "20", *map(str, VOLTS)]
    with httpx.Client() as client:
        shown = sent_file(client, cab, ",".join(HEADINGS) + "\n" + ",".join(row) + "\n")
        assert "Is the file understood correctly?" in shown
        assert readings(site) == []
        # Only what the file brings is said to be not saved yet, not what was recorded at the same moment.
        other = {"pack_id": "MB-CAB-03", "time": "2026-03-13T07:00:00Z", "state": "rest", "block_v": VOLTS}
        client.post(f"{site.url}/v1/readings", json=other).raise_for_status()
        assert "one reading. It is not saved yet." in sent_file(
            client, cab, ",".join(HEADINGS) + "\n" + ",".join(row) + "\n"
        )
        client.delete(f"{site.url}/v1/readings/{readings(site)[0]['id']}").raise_for_status()
        kept = dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', shown))
        nothing = {"nothing": ("", b"")}
        client.post(f"{cab}/file", data=kept, files=nothing, follow_redirects=True).raise_for_status()
    (stored,) = readings(site)
    assert stored["block_v"] == VOLTS


def test_a_state_said_once_does_not_make_rest_of_a_row_under_load(site, cab):
    head = "time,current," + ",".join(f"B{b}" for b in range(1, 15))
    rows = [f"2026-03-13 08:0{place}:00,{amps}," + ",".join(map(str, VOLTS)) for place, amps in enumerate((0.0, 22.5))]
    with httpx.Client() as client:
        shown = sent_file(client, cab, "\n".join([head, *rows]) + "\n", file_state="rest")
    table = re.sub(r"<[^>]+>", " ", shown)
    assert "under load" in table
    assert re.search(r"under load\s+22.5", table)


UNDER_LOAD = {
    "said on the page": (
        ["time", "current", *(f"B{b}" for b in range(1, 15))],
        ["2026-03-13 08:00:00", "22.5", *map(str, VOLTS)],
        "rest",
        "discharge",
    ),
    "said in the file": (HEADINGS, ["2026-03-13T08:00:00Z", "rest", "22.5", "20", *map(str, VOLTS)], "", "rest"),
}
"""Where a row read at 22.5 A is said to be at rest: headings, the row, what is chosen on the page, what is kept."""


@pytest.mark.parametrize("where", UNDER_LOAD)
def test_a_row_read_under_load_is_followed_to_the_record(site, cab, phone_page, sound, where):
    """A file that calls it rest itself was stored without a question; what was odd about it was said afterwards."""
    head, row, state, kept = UNDER_LOAD[where]
    page, text = phone_page, "\n".join([",".join(head), ",".join(row)])
    page.goto(f"{cab}/reading/new")
    page.locator("input[type=file]").set_input_files(
        {"name": "log.csv", "mimeType": "text/csv", "buffer": text.encode()}
    )
    page.get_by_label("State, if no column tells it").select_option(state)
    with page.expect_navigation():
        page.get_by_role("button", name="Read the file").click()
    sound(page, "file-under-load")
    assert readings(site) == []
    asks = page.locator("#doubts")
    if kept == "rest":
        expect(asks).to_contain_text("22.5 A is too much for a pack at rest.")
        page.get_by_role("button", name="It is right, save this reading").click()
    else:
        expect(asks).to_have_count(0)
        page.get_by_role("button", name="Save this reading", exact=True).click()
    expect(page.get_by_role("status").first).to_contain_text("1 reading is recorded.")
    assert [(one["state"], one["current_a"]) for one in readings(site)] == [(kept, 22.5)]
    unfold(page)
    name = "Reading at rest" if kept == "rest" else "Reading under load"
    expect(page.get_by_role("link", name=name)).to_have_count(1)


COMMAS = [str(volts).replace(".", ",") for volts in VOLTS]
WITH_MOMENT = {
    "26.11.2026\t08:15\t" + "\t".join(map(str, VOLTS)): "13.02",
    "26.11.2026 08:15;" + ";".join(COMMAS): "13,02",
    "08:15:30,5 " + " ".join(COMMAS): "13,02",
    "2026-11-26T08:15:00+01:00, " + ", ".join(map(str, VOLTS)): "13.02",
    "11/26/2026 8:15 AM;-;" + ";".join(COMMAS[1:]): "-",
}
"""Rows as tables hold them, with what the first block then reads; in the last it was not read."""


def test_a_pasted_row_that_begins_with_its_time_fills_only_voltages(site, cab, either_page):
    page = either_page
    for row, first in WITH_MOMENT.items():
        page.goto(f"{cab}/reading/new")
        # What was typed before is kept on the device, and opens its fold by itself.
        if page.locator("#pasted").is_hidden():
            page.get_by_text("Paste a row or a column of numbers").click()
        page.get_by_label("Row or column").fill(row)
        with page.expect_event("load"):
            page.get_by_role("button", name="Put the numbers into the fields").click()
        expect(page.locator("#block_v-0")).to_have_value(first)
        expect(page.locator("#block_v-13")).to_have_value(re.compile("^13[.,]0$"))


def test_a_row_with_its_time_pasted_over_the_blocks_fills_only_voltages(site, cab, open_context):
    """Where scripts run the page spreads a row by itself."""
    page = open_context("phone").new_page()
    page.goto(f"{cab}/reading/new")
    for row, first in WITH_MOMENT.items():
        page.locator("#block_v-0").evaluate(
            """(box, text) => {
                const data = new DataTransfer();
                data.setData("text", text);
                box.dispatchEvent(new ClipboardEvent("paste", {clipboardData: data, bubbles: true, cancelable: true}));
            }""",
            row,
        )
        expect(page.locator("#block_v-0")).to_have_value(first)
        expect(page.locator("#block_v-13")).to_have_value(re.compile("^13[.,]0$"))


def test_an_order_of_a_year_back_or_entered_twice_is_asked_about(site, cab, record, either_page, sound):
    record("/v1/suppliers", {"id": "north-quay"})
    record(
        "/v1/offers",
        {"supplier_id": "north-quay", "family": "gravel-14", "currency": "EUR", "price": 1450, "usual_days": 9,
         "quoted_at": "2026-02-27T10:00:00Z"},
    )  # fmt: skip
    page = either_page

    def order(day: str) -> None:
        page.goto(f"{site.url}/parts/delivery/new?family=gravel-14&supplier_id=north-quay")
        page.get_by_label("For the pack").fill("MB-CAB-03")
        page.get_by_label("Ordered", exact=True).fill(f"{day}T09:00")
        page.get_by_role("button", name="Save", exact=True).click()

    order("2025-03-10")
    expect(page.get_by_role("alert")).to_contain_text("It would be open for 369 days already")
    sound(page, "order-asked-back")
    page.get_by_label("Ordered", exact=True).fill("2026-03-10T09:00")
    page.get_by_role("button", name="Save", exact=True).click()
    expect(page.get_by_role("status")).to_contain_text("The order is recorded.")
    order("2026-03-12")
    expect(page.get_by_role("alert")).to_contain_text("is for this pack too. Are two wanted?")
    page.get_by_role("button", name="It is right, save it").click()
    expect(page.get_by_role("status")).to_contain_text("The order is recorded.")
    assert len(httpx.get(f"{site.url}/v1/deliveries").json()["items"]) == 2


def test_a_mark_that_may_part_thousands_is_asked_about(site, cab, van, phone_page):
    """ "180.000" kilometres were taken as 180, a price of "1.450" as 1.45."""
    page = phone_page
    page.goto(f"{site.url}/bench/units/{van}/outcome/new")
    page.get_by_label("What became of it").select_option("running")
    page.get_by_label("Odometer").fill("180.000")
    page.get_by_role("button", name="Save", exact=True).click()
    expect(page.get_by_role("alert")).to_contain_text("180.000 may mean 180 or 180000.")
    page.get_by_label("Odometer").fill("180000")
    page.get_by_role("button", name="Save", exact=True).click()
    expect(page.get_by_role("status")).to_contain_text("The outcome is recorded.")
    (outcome,) = httpx.get(f"{site.url}/v1/outcomes").json()["items"]
    assert outcome["odometer_km"] == 180000


@pytest.mark.parametrize(
    ("name", "text", "read"),
    [
        ("odometer_km", "180.000", "180 or 180000"),
        ("price", "1,450", "1.45 or 1450"),
        ("km_per_day", "12.500", "12.5 or 12500"),
        ("odometer_km", "180000.5", "180000.5"),
        ("km_per_day", "12,5", "12.5"),
        ("charge_ah", "1.125", "1.125"),
        ("end_v", "13,125", "13.125"),
        ("km_per_day", "0.125", "0.125"),
    ],
)
def test_what_a_mark_may_mean(name, text, read):
    if " or " in read:
        with pytest.raises(BadInput, match=re.escape(read)):
            plain_numbers({name: text})
    else:
        assert plain_numbers({name: text}) == {name: read}


def begin_a_car(page, site) -> None:
    page.goto(f"{site.url}/bench/add")
    if page.get_by_label("Access key").is_visible():
        return
    page.get_by_label("Number of the vehicle").fill("MB-CAB-09")
    page.get_by_label("Kind of pack").select_option("gravel-14")
    page.get_by_label("Blocks charged").fill("5")
    page.get_by_label("How long ago the charge ended").fill("1")


def test_an_answer_of_before_does_not_stand_beside_what_was_typed_since(make_site, open_tab, sound):
    """The visit ended while it was typed: the answer stayed as it was, without a word."""
    site = make_site()
    key = httpx.post(f"{site.url}/v1/keys", json={"title": "bench", "role": "admin"}).json()["key"]
    page = open_tab("phone")
    begin_a_car(page, site)
    page.get_by_label("Access key").fill(key)
    page.get_by_role("button", name="Sign in").click()
    begin_a_car(page, site)
    expect(page.locator("#answer .answer")).to_be_visible()
    site.app.state.clock = lambda: NOW + timedelta(hours=13)
    page.get_by_label("Charge put into each").fill("1.1")
    expect(page.locator("#answer")).to_contain_text("You have been signed out.")
    expect(page.locator("#answer .answer")).to_have_count(0)
    expect(page.locator("#strip")).to_contain_text("You have been signed out.")
    sound(page, "new-car-signed-out")
    page.get_by_role("link", name="Sign in and go on here").click()
    page.get_by_label("Access key").fill(key)
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_label("Charge put into each")).to_have_value("1.1")
    expect(page.locator("#answer .answer")).to_be_visible()


def test_an_answer_comes_once_the_line_is_back(site, open_context):
    page = open_context("phone").new_page()
    page.clock.install()
    begin_a_car(page, site)
    expect(page.locator("#answer .answer")).to_be_visible()
    page.route("**/bench/add/answer", lambda route: route.fulfill(status=404))
    page.get_by_label("Charge put into each").fill("1.1")
    expect(page.locator("#answer")).to_contain_text("No answer came")
    expect(page.locator("#answer .answer")).to_have_count(0)
    page.unroute("**/bench/add/answer")
    page.clock.fast_forward(RETRY_MS)
    expect(page.locator("#answer .answer")).to_be_visible()


def test_a_message_of_something_else_does_not_throw_a_draft_away(make_site, cab, open_tab):
    """A form that ended at the sign-in counted as sent for good, until the next message of any page threw it away."""
    site = make_site()
    key = httpx.post(f"{site.url}/v1/keys", json={"title": "bench", "role": "admin"}).json()["key"]

    def sign_in() -> None:
        page.get_by_label("Access key").fill(key)
        page.get_by_role("button", name="Sign in").click()

    page = open_tab("phone")
    page.goto(f"{cab}/reading/new")
    sign_in()
    fill(page, VOLTS)
    site.app.state.clock = lambda: NOW + timedelta(hours=13)
    page.get_by_role("button", name="Save", exact=True).click()
    sign_in()
    expect(page.locator("#block_v-1")).to_have_value("13.0")
    page.goto(f"{site.url}/parts/supplier/new")
    page.get_by_label("Short name").fill("north-quay")
    page.get_by_role("button", name="Save", exact=True).click()
    expect(page.get_by_role("status").first).to_contain_text("recorded")
    page.goto(f"{cab}/reading/new")
    expect(page.locator("#block_v-1")).to_have_value("13.0")
