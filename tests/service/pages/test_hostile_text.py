"""Whatever somebody writes into a field is shown as text, and does nothing."""

from __future__ import annotations

import csv
import io
from urllib.parse import quote

import httpx2 as httpx
import pytest
from playwright.sync_api import expect

HOSTILE = {
    "markup": "<img src=x onerror=alert(1)>'\"</title><script>alert(2)</script>"[:64],
    "formula and template": "=SUM({{ 7 * 7 }}) {% raw %} %(x)s %s \\u003cb\\u003e",
    "at, right-to-left and emoji": "@A1:A9 \u202eخطر\u202c 🔋👩🏽‍🔧",  # whole in a short field too
    "long": "Wü" * 32,
}


@pytest.fixture
def quiet(open_tab):
    """A page on which no dialog may open."""
    page = open_tab("phone")
    opened = []

    def refuse(dialog) -> None:
        opened.append(dialog.message)
        dialog.dismiss()

    page.on("dialog", refuse)
    yield page
    page.remove_listener("dialog", refuse)
    assert opened == []


@pytest.mark.parametrize("hostile", HOSTILE.values(), ids=list(HOSTILE))
def test_in_every_field_of_the_bench(site, quiet, sound, hostile):
    page = quiet
    refused_on_adding(page, site, sound, hostile)
    kept_where_free_text_may_stand(page, site, hostile)
    in_a_search_an_address_and_a_sign_in(page, site, sound, hostile)
    in_a_reading_a_file_and_a_code(page, site, sound, hostile)


def refused_on_adding(page, site, sound, hostile) -> None:
    page.goto(f"{site.url}/bench/add")
    page.get_by_label("Kind of pack").select_option("gravel-14")
    page.get_by_text("More about the car").click()
    fields = ("Number of the vehicle", "Number of the pack", "Age of the pack", "Odometer")
    for field in fields:
        page.get_by_label(field).fill(hostile)
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_role("alert")).to_contain_text("4 entries need another look")
    for field in fields:
        short = field in fields[2:]
        expect(page.get_by_label(field)).to_have_value(hostile[:24] if short else hostile)
    sound(page, "hostile-add")
    assert httpx.get(f"{site.url}/v1/vehicles").json()["items"] == []


def kept_where_free_text_may_stand(page, site, hostile) -> None:
    """Duty and site of a vehicle are the free lines of the record."""
    page.goto(f"{site.url}/bench/add")
    with page.expect_navigation():
        page.get_by_role("button", name="Throw it away").click()  # what was refused is still on the device
    page.get_by_label("Number of the vehicle").fill("MB-CAB-09")
    page.get_by_label("Kind of pack").select_option("gravel-14")
    page.get_by_text("More about the car").click()
    page.get_by_label("What it is used for").fill(hostile)
    page.get_by_label("Where it stands").fill(hostile)
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_role("status")).to_contain_text("Unit MB-CAB-09 is added.")
    (vehicle,) = httpx.get(f"{site.url}/v1/vehicles").json()["items"]
    assert vehicle["duty"] == hostile
    (row,) = csv.DictReader(io.StringIO(httpx.get(f"{site.url}/v1/exports/vehicles").text))
    assert row["duty"].lstrip("'") == hostile
    assert not row["duty"].startswith(("=", "+", "-", "@", "\t", "\r"))


def in_a_search_an_address_and_a_sign_in(page, site, sound, hostile) -> None:
    page.goto(f"{site.url}/bench")
    page.get_by_label("Number of the vehicle or the pack").fill(hostile)
    page.get_by_role("button", name="Find").click()
    expect(page.get_by_role("heading", name="Units with")).to_contain_text(hostile)
    sound(page, "hostile-search")
    answer = httpx.get(f"{site.url}/bench/units/{quote(hostile, safe='')}")
    assert answer.status_code in (404, 422)
    assert "<img src=x" not in answer.text
    page.goto(f"{site.url}/sign-in")
    page.get_by_label("Access key").fill(hostile)
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("alert")).to_contain_text("not known")


def in_a_reading_a_file_and_a_code(page, site, sound, hostile) -> None:
    address = f"{site.url}/bench/units/MB-CAB-09"
    page.goto(f"{address}/reading/new")
    page.locator("#block_v-2").fill(hostile)
    page.get_by_role("button", name="Save").click()
    expect(page.locator("#block_v-2-wrong")).to_contain_text("is not a number.")
    page.get_by_text("Paste a row or a column of numbers").click()
    page.get_by_label("Row or column").fill(hostile)
    page.get_by_role("button", name="Save").click()
    expect(page.locator("#pasted-wrong")).to_contain_text("but the pack has 14 blocks.")
    named = {
        "name": f"{hostile.replace('/', '')[:40]}.csv",
        "mimeType": "text/csv",
        "buffer": f"{hostile}\n1\n".encode(),
    }
    page.get_by_label("CSV file").set_input_files(named)
    page.get_by_role("button", name="Read the file").click()
    expect(page.locator("h1")).to_contain_text("Nothing was stored from this file")
    sound(page, "hostile-file")
    page.goto(f"{address}/outcome/new")
    page.get_by_label("Trouble code").fill(hostile)
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_role("alert")).to_contain_text("another look")
    sound(page, "hostile-code")


def test_bytes_that_are_no_text_do_no_harm(site, van):
    """Broken UTF-8, a NUL and a lone surrogate come back as a page that asks to mend, not as an error."""
    with httpx.Client(base_url=site.url) as client:
        token = client.get("/bench/add").text.split('name="form_token" value="')[1].split('"')[0]
        for sent in (b"%ff%fe", b"%00", b"%ed%a0%80"):
            body = b"form_token=" + token.encode() + b"&vehicle_id=" + sent + b"&family=gravel-14&duty=" + sent
            headers = {"Content-Type": "application/x-www-form-urlencoded"}
            answer = client.post("/bench/add", content=body, headers=headers)
            assert answer.status_code == 422, answer.text
        assert client.get("/bench", params={"unit": "\x00"}).status_code == 422
        assert client.get("/bench/units/%00").status_code == 404
