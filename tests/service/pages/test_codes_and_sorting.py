"""Signing in at the bench by a code from the office, tables that are sorted, and what is ordered, told at the bench."""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta

import httpx2 as httpx
import pytest
from playwright.sync_api import expect

from service.access.codes import LASTS, make_code, use_code
from service.pages.counter.queue import PAGE as QUEUED
from service.pages.fleet.ranking import PAGE as RANKED
from service.records.subjects.all_subjects import COSTS, OFFERS, SUPPLIERS
from service.store.schema import AuditEntry, SignInCode
from tests.service.invented_fleet import FAMILIES, fill

NOW = datetime(2026, 3, 14, 9, 0, tzinfo=UTC)


def token_of(text: str) -> str:
    return re.search(r'name="form_token" value="([^"]+)"', text)[1]


@pytest.fixture
def house(make_site):
    """A service with keys of an administrator, a bench and a parts counter; returns it and the keys."""
    site = make_site(address="https://tideover.example")
    keys = {"admin": httpx.post(f"{site.url}/v1/keys", json={"title": "office", "role": "admin"}).json()}
    bearer = {"Authorization": f"Bearer {keys['admin']['key']}"}
    for role in ("bench", "parts"):
        made = httpx.post(f"{site.url}/v1/keys", json={"title": f"{role} tablet", "role": role}, headers=bearer)
        keys[role] = made.raise_for_status().json()
    return site, keys


@contextmanager
def signed_in(site, key: str) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=site.url, follow_redirects=True) as client:
        page = client.get("/sign-in").text
        client.post("/sign-in", data={"form_token": token_of(page), "key": key, "next": "/bench"}).raise_for_status()
        yield client


def secret_for(site, key_id: str, at: datetime = NOW) -> str:
    with site.store.writing() as session:
        return make_code(session, key_id, at)[1]


def used(site, secret: str) -> httpx.Response:
    """Open the page of a code on a device that nobody has signed in on, and sign in by it."""
    with httpx.Client(base_url=site.url) as device:
        page = device.get(f"/sign-in/code/{secret}")
        if page.status_code != 200:
            return page
        answer = device.post(f"/sign-in/code/{secret}", data={"form_token": token_of(page.text)})
        if answer.status_code != 303:
            return answer
        return device.get("/bench/units/nobody", follow_redirects=True)


def test_a_telephone_signs_in_by_the_code_in_the_office(house, open_tab, sound):
    site, keys = house
    office = open_tab("office")
    office.goto(f"{site.url}/admin/keys")
    office.get_by_label("Access key").fill(keys["admin"]["key"])
    office.get_by_role("button", name="Sign in", exact=True).click()
    office.get_by_role("button", name="Code to sign in as bench tablet").click()
    expect(office.locator(".sign-in-code")).to_contain_text("signed in as “bench tablet”, with the role bench")
    sound(office, "code")
    secret = secret_for(site, keys["bench"]["id"])
    telephone = open_tab("phone")
    telephone.goto(f"{site.url}/sign-in/code/{secret}")
    expect(telephone.locator("h1")).to_have_text("Sign in as “bench tablet”?")
    sound(telephone, "code-read")
    telephone.get_by_role("button", name="Sign in").click()
    expect(telephone.get_by_role("status")).to_contain_text("signed in on this device as “bench tablet”")
    expect(telephone.locator(".out")).to_contain_text(f"Signed in with key {keys['bench']['id']} (bench).")
    telephone.goto(f"{site.url}/admin/keys")
    expect(telephone.locator("h1")).to_have_text("This is not for your role")


def test_what_is_drawn_is_the_address_with_the_secret_and_only_its_digest_is_stored(house, monkeypatch):
    site, keys = house
    drawn = []
    monkeypatch.setattr("service.pages.device.code_of", lambda text: drawn.append(text) or "")
    with signed_in(site, keys["bench"]["key"]) as client:
        page = client.post("/device", data={"form_token": token_of(client.get("/bench").text)}).raise_for_status()
    (address,) = drawn
    assert address.startswith("https://tideover.example/sign-in/code/")
    secret = address.rpartition("/")[2]
    assert len(secret) >= 43  # 256 bits in base64url
    assert secret not in page.text
    with site.store.reading() as session:
        (row,) = session.query(SignInCode).all()
        assert secret not in (row.digest, row.key_id)
        assert [e.by for e in session.query(AuditEntry).filter_by(action="page_show_code")] == [keys["bench"]["id"]]
    assert used(site, secret).status_code == 404, "the page of no unit: signed in"
    assert "There is nothing here" in used(site, secret_for(site, keys["bench"]["id"])).text


def test_a_code_is_good_once(house):
    site, keys = house
    secret = secret_for(site, keys["bench"]["id"])
    assert "nobody" in used(site, secret).text
    again = used(site, secret)
    assert again.status_code == 404
    assert "This code opens nothing any more" in again.text


def test_looking_at_a_code_does_not_use_it_up(house):
    site, keys = house
    secret = secret_for(site, keys["bench"]["id"])
    for _time in range(3):
        assert httpx.get(f"{site.url}/sign-in/code/{secret}").status_code == 200
    assert "nobody" in used(site, secret).text


def test_a_code_ends_after_two_minutes_and_with_its_key_and_with_the_next_one(house):
    site, keys = house
    secret = secret_for(site, keys["bench"]["id"], NOW - LASTS)
    assert used(site, secret).status_code == 404
    first, second = (secret_for(site, keys["parts"]["id"]) for _time in range(2))
    assert "This code opens nothing any more" in used(site, first).text
    bearer = {"Authorization": f"Bearer {keys['admin']['key']}"}
    httpx.delete(f"{site.url}/v1/keys/{keys['parts']['id']}", headers=bearer).raise_for_status()
    assert "This code opens nothing any more" in used(site, second).text


def test_of_two_devices_at_the_same_moment_one_is_signed_in(house):
    site, keys = house
    for _round in range(5):
        secret = secret_for(site, keys["bench"]["id"])
        found, start = [], threading.Barrier(4)

        def take(secret=secret, found=found, start=start) -> None:
            start.wait()
            with site.store.writing() as session:
                found.append(use_code(session, secret, NOW))

        threads = [threading.Thread(target=take) for _device in range(4)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert sum(row is not None for row in found) == 1


def test_who_may_have_a_code_shown(house):
    site, keys = house
    with signed_in(site, keys["parts"]["key"]) as client:
        token = token_of(client.get("/parts").text)
        assert client.post("/device", data={"form_token": token, "key": keys["admin"]["id"]}).status_code == 403
        assert client.post("/device", data={"form_token": token}).status_code == 200
        assert client.post("/device", data={"form_token": "x"}).status_code == 403, "a form of another site"
    assert httpx.post(f"{site.url}/device").status_code == 303, "to the page to sign in"
    with signed_in(site, keys["admin"]["key"]) as client:
        token = token_of(client.get("/admin/keys").text)
        assert client.post("/device", data={"form_token": token, "key": "feed-0123456789"}).status_code == 404
    # A form without the token of a page that was opened here does not sign anybody in.
    secret = secret_for(site, keys["admin"]["id"])
    assert httpx.post(f"{site.url}/sign-in/code/{secret}", data={"form_token": "x"}).status_code == 403
    # And it is no access key.
    assert httpx.get(f"{site.url}/v1/packs", headers={"Authorization": f"Bearer {secret}"}).status_code == 401


def test_codes_cannot_be_tried_out(house):
    site, _keys = house
    tried = [httpx.get(f"{site.url}/sign-in/code/{number}").status_code for number in range(40)]
    assert tried[0] == 404
    assert 429 in tried


@pytest.fixture
def fleet(site, record):
    fill(site.store, 60, NOW, seed=8)
    record("/v1/suppliers", SUPPLIERS.example)
    record("/v1/costs", COSTS.example)
    for family in FAMILIES:
        record("/v1/offers", {**OFFERS.example, "family": family})
    return site


def test_the_ranking_is_sorted_by_its_headings(fleet, either_page, sound):
    page = either_page
    page.goto(f"{fleet.url}/fleet")
    heading = page.get_by_role("columnheader")
    expect(heading.nth(2)).to_have_attribute("aria-sort", "descending")
    page.get_by_role("link", name="Good until").click()
    expect(heading.nth(1)).to_have_attribute("aria-sort", "ascending")
    items = httpx.get(f"{fleet.url}/v1/fleet/ranking", params={"order": "good_until", "limit": 60}).json()["items"]
    days = [item["good_until"] or "" for item in items]  # of one not read for long there is no day: it comes first
    assert days == sorted(days)
    assert len(days) == 60
    expect(page.locator("tbody th a")).to_have_text([item["vehicle_id"] for item in items[:RANKED]])
    sound(page, "fleet-sorted")
    page.get_by_role("link", name="Next page").click()
    expect(page.locator("tbody th a")).to_have_text([item["vehicle_id"] for item in items[RANKED : 2 * RANKED]])
    page.get_by_role("link", name="Good until").click()
    expect(page.locator("tbody th a")).to_have_text([item["vehicle_id"] for item in items[: -RANKED - 1 : -1]])


@pytest.mark.parametrize("reverse", [False, True])
@pytest.mark.parametrize(
    ("order", "down"), [("week_cost", True), ("week_return", True), ("good_until", False), ("name", False)]
)
def test_every_order_goes_on_from_page_to_page(fleet, order, down, reverse):
    asked, found = {"order": order, "reverse": reverse, "limit": 7}, []
    column = "vehicle_id" if order == "name" else order
    while True:
        page = httpx.get(f"{fleet.url}/v1/fleet/ranking", params=asked).raise_for_status().json()
        found += page["items"]
        if page["next_cursor"] is None:
            break
        asked["cursor"] = page["next_cursor"]
    values = [item[column] or "" if order == "good_until" else item[column] for item in found]
    assert values == sorted(values, reverse=down != reverse)
    assert len({item["pack_id"] for item in found}) == 60
    other = {**asked, "order": "name" if order != "name" else "good_until"}
    assert httpx.get(f"{fleet.url}/v1/fleet/ranking", params=other).status_code == 422, "a cursor of another order"


def test_queue_and_bench_are_sorted(fleet, either_page, sound):
    page = either_page
    page.goto(f"{fleet.url}/parts")
    with page.expect_navigation():
        page.get_by_role("navigation", name="Sorted by").get_by_role("link", name="Number").click()
    names = page.locator(".queue h3 a").all_inner_texts()
    assert names == sorted(names)
    assert len(names) == QUEUED
    with page.expect_navigation():
        page.get_by_role("link", name="Next page").click()
    assert page.locator(".queue h3 a").first.inner_text() > names[-1]
    page.goto(f"{fleet.url}/bench")
    with page.expect_navigation():
        page.get_by_role("navigation", name="Sorted by").get_by_role("link", name="Good until").click()
    with httpx.Client(base_url=fleet.url) as client:
        until = {item["vehicle_id"]: item["good_until"] for item in
                 client.get("/v1/fleet/ranking", params={"limit": 60}).json()["items"]}  # fmt: skip
    shown = [until[name] or "" for name in page.locator(".units strong").all_inner_texts()]
    assert shown == sorted(shown)
    sound(page, "bench-sorted")
    page.goto(f"{fleet.url}/parts/suppliers?order=to_pay&reverse=true")
    expect(page.get_by_role("columnheader", name="To pay")).to_have_attribute("aria-sort", "descending")


def test_what_is_ordered_stands_at_the_bench(site, van, record, phone_page, sound):
    page = phone_page
    page.goto(f"{site.url}/bench/units/{van}")
    expect(page.locator("#ordered")).to_have_count(0)
    record("/v1/suppliers", SUPPLIERS.example)
    record("/v1/offers", {**OFFERS.example, "family": "gravel-14"})
    ordered = NOW - timedelta(days=3)
    supplier = SUPPLIERS.example["id"]
    record("/v1/deliveries", {"supplier_id": supplier, "family": "gravel-14", "pack_id": van,
                              "ordered_at": ordered.isoformat()})  # fmt: skip
    page.goto(f"{site.url}/bench/units/{van}")
    expect(page.locator("#ordered")).to_contain_text(f"A pack is ordered: from {supplier}, on Wed 11 Mar 2026.")
    expect(page.locator("#ordered")).to_contain_text("It should be here by about")
    sound(page, "unit-ordered")
    page.goto(f"{site.url}/bench")
    expect(page.locator(".units")).to_contain_text("a pack is ordered")
