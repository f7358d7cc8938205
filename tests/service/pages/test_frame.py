"""The frame of all pages: sign-in, tokens, errors, headers, weight, light and dark, and the catalogue of sentences."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta

import httpx2 as httpx
import pytest
from playwright.sync_api import expect

from service.access.roles import MAY
from service.http.page_addresses import is_open_page, is_page, own_address
from service.http.turns import Turns
from service.pages.assets import assets


@pytest.fixture
def admin_key(record) -> str:
    return record("/v1/keys", {"title": "front office", "role": "admin"}).json()["key"]


def token_of(text: str) -> str:
    return re.search(r'name="form_token" value="([^"]+)"', text)[1]


def test_the_first_page_asks_and_leads_on(site, either_page, sound):
    either_page.goto(site.url)
    expect(either_page.locator("h1")).to_have_text("Today, Sat 14 Mar 2026")
    sound(either_page, "home")


def test_first_view_is_light(site):
    """Everything that the first page needs, as it is transferred."""
    with httpx.Client(base_url=site.url) as client:
        page = client.get("/")
        names = set(re.findall(r'(?:src|href)="(/static/[^"]+)"', page.text))
        assert names
        answers = [page, *(client.get(name) for name in names)]
    sizes = [int(answer.headers["content-length"]) for answer in answers if answer.raise_for_status()]
    assert sum(sizes) < 100_000


def test_headers_forbid_other_hosts_and_anything_written_into_the_page(site):
    answer = httpx.get(site.url)
    policy = answer.headers["content-security-policy"]
    assert policy.startswith("default-src 'none'")
    assert "unsafe" not in policy
    assert "http" not in policy
    assert answer.headers["cache-control"] == "no-store"
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert not re.search(r"<script(?![^>]*src=)|style=|\son\w+=|javascript:", answer.text)
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie


def test_files_are_kept_for_good_under_the_address_of_their_content(site):
    answer = httpx.get(f"{site.url}{assets().address('frame.css')}")
    assert answer.headers["cache-control"] == "public, max-age=31536000, immutable"
    assert answer.headers["content-encoding"] == "gzip"
    assert httpx.get(f"{site.url}/static/{'0' * 16}/frame.css").status_code == 404


def test_signing_in_and_out(site, admin_key, either_page, sound):
    either_page.goto(f"{site.url}/")
    assert either_page.url.endswith("/sign-in")
    either_page.get_by_label("Access key").fill("tide_wrong")
    either_page.get_by_role("button", name="Sign in").click()
    expect(either_page.get_by_role("alert")).to_contain_text("not known")
    sound(either_page, "sign-in-refused")
    either_page.get_by_label("Access key").fill(admin_key)
    either_page.get_by_role("button", name="Sign in").click()
    expect(either_page.locator("h1")).to_have_text("Today, Sat 14 Mar 2026")
    either_page.get_by_role("button", name="Sign out").click()
    expect(either_page.get_by_role("status")).to_contain_text("signed out")
    either_page.goto(f"{site.url}/")
    assert either_page.url.endswith("/sign-in")


@contextmanager
def signed_in(site, key: str) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=site.url, follow_redirects=True) as client:
        page = client.get("/sign-in")
        assert client.post("/sign-in", data={"form_token": token_of(page.text), "key": key}).url.path == "/"
        yield client


def test_a_page_that_is_open_to_all_calls_nobody_by_another_name(site, admin_key):
    """It said "Signed in with key anyone (read-only)" to an administrator."""
    with signed_in(site, admin_key) as client:
        for address in ("/sign-in", "/sign-in/code/x"):
            assert "anyone" not in client.get(address).text


def test_a_revoked_key_ends_the_visit(site, admin_key):
    auth = {"Authorization": f"Bearer {admin_key}"}
    made = httpx.post(f"{site.url}/v1/keys", json={"title": "tablet", "role": "bench"}, headers=auth).json()
    with signed_in(site, made["key"]) as client:
        assert client.get("/").url.path == "/"
        httpx.delete(f"{site.url}/v1/keys/{made['id']}", headers=auth).raise_for_status()
        assert client.get("/").url.path == "/sign-in"


def test_a_cookie_that_somebody_made_up_opens_nothing(site, admin_key):
    with signed_in(site, admin_key) as client:
        good = client.cookies["tideover_visit"]
    for cookie in ("x", good[:-2] + "AA", good.split(".")[0]):
        answer = httpx.get(site.url, cookies={"tideover_visit": cookie})
        assert answer.status_code == 303
        assert answer.headers["location"] == "/sign-in"


def test_a_form_without_the_token_of_its_visit_is_refused(site):
    with httpx.Client(base_url=site.url) as client, httpx.Client(base_url=site.url) as other:
        token = token_of(client.get("/").text)
        foreign = token_of(other.get("/").text)
        for sent in ({}, {"form_token": ""}, {"form_token": foreign}):
            answer = client.post("/look", data={"look": "dark", **sent})
            assert answer.status_code == 403
            assert "text/html" in answer.headers["content-type"]
        assert client.post("/look", data={"look": "dark", "form_token": token}).status_code == 303


def test_errors_at_pages_are_pages_and_elsewhere_problem_documents(site, page, sound):
    page.goto(f"{site.url}/bench/nowhere/at/all")
    expect(page.locator("h1")).to_have_text("There is nothing here")
    sound(page, "nothing-here")
    large = httpx.post(f"{site.url}/look", data={"look": "x" * 2_000_001})
    assert large.status_code == 413
    assert "<h1>That is too large</h1>" in large.text


BROWSER = {"Accept": "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8"}
"""What a browser asks for when somebody goes to an address (RFC 9110, 12.5.1)."""


def test_an_address_that_nobody_has_is_a_page_to_a_browser_and_a_problem_document_to_a_program(site, page, sound):
    page.goto(f"{site.url}/nowhere")
    expect(page.locator("h1")).to_have_text("There is nothing here")
    expect(page.locator("main")).to_contain_text("There is nothing at /nowhere.")
    sound(page, "nowhere")
    page.get_by_role("link", name="To the first page").click()
    expect(page.locator("h1")).to_contain_text("Today")
    for address, headers in (("/nowhere", {}), ("/v1/nowhere", {}), ("/v1/nowhere", BROWSER)):
        answer = httpx.get(f"{site.url}{address}", headers=headers)
        assert answer.headers["content-type"] == "application/problem+json"
        assert answer.status_code == 404


def test_whoever_signed_in_is_told_that_there_is_nothing_and_others_are_asked_to_sign_in(site, admin_key):
    with signed_in(site, admin_key) as client:
        answer = client.get("/nowhere", headers=BROWSER)
        assert (answer.status_code, "There is nothing at /nowhere." in answer.text) == (404, True)
    assert httpx.get(f"{site.url}/nowhere", headers=BROWSER).headers["location"].startswith("/sign-in")
    assert httpx.get(f"{site.url}/nowhere").status_code == 401


@pytest.mark.parametrize(
    ("address", "status", "heading", "way"),
    [
        ("/bench/units/NOBODY", 404, "There is nothing here", ("/bench", "To the bench")),
        ("/bench/units/NOBODY/what-if", 404, "There is nothing here", ("/bench", "To the bench")),
        ("/bench/units/NOBODY/nonsense/new", 404, "There is nothing here", ("/bench", "To the bench")),
        ("/bench/forecasts/seven", 404, "There is nothing here", ("/bench", "To the bench")),
        ("/admin/jobs/seven", 404, "There is nothing here", ("/admin", "To the admin&#39;s room")),
        ("/admin/jobs/99999", 404, "There is nothing here", ("/admin", "To the admin&#39;s room")),
        ("/parts/nonsense/new", 404, "There is nothing here", ("/parts", "To the parts counter")),
        ("/undo", 405, "There is no page here", ("/", "To the first page")),
    ],
)
def test_a_wrong_address_says_so_in_a_sentence_and_leads_on(site, address, status, heading, way):
    answer = httpx.get(f"{site.url}{address}", headers=BROWSER)
    assert answer.status_code == status
    assert f"<h1>{heading}</h1>" in answer.text
    to, words = way
    assert f'<a class="button" href="{to}">{words}</a>' in answer.text
    assert "path." not in answer.text


def test_a_form_that_is_too_large_leads_back_to_where_it_was_typed(site, van, either_page, sound):
    either_page.goto(f"{site.url}/bench/units/{van}/reading/new")
    either_page.locator("input[type=file]").set_input_files(
        {"name": "long.csv", "mimeType": "text/csv", "buffer": b"1,2,3\n" * 400_000}
    )
    either_page.locator("form:has(input[type=file]) button").last.click()
    expect(either_page.locator("h1")).to_have_text("That is too large")
    sound(either_page, "too-large")
    either_page.get_by_role("link", name="Back to the form").click()
    expect(either_page).to_have_url(re.compile("/reading/new$"))


def test_a_fault_of_ours_and_too_much_work_are_pages_that_offer_another_try(site, van, monkeypatch):
    plan = f"/bench/units/{van}/topup-plan"
    for name, broken, address, status, heading, said in (
        (
            "families",
            None,
            f"/bench/units/{van}?day=1",
            500,
            "Something went wrong here",
            "When you ask about it, quote ",
        ),
        ("turns", Turns(0), plan, 503, "Too busy just now", "Try again in a second."),  # every turn is taken
    ):
        with monkeypatch.context() as patch:
            patch.setitem(site.app.state._state, name, broken)
            answer = httpx.get(f"{site.url}{address}", headers=BROWSER)
        assert answer.status_code == status
        assert f"<h1>{heading}</h1>" in answer.text
        assert said in answer.text
        assert f'<a class="button" href="{address}">Try again</a>' in answer.text
        assert httpx.get(f"{site.url}{address}").status_code == 200


def test_what_is_wrong_with_an_address_is_said_once_and_without_its_inner_names(site):
    text = httpx.get(f"{site.url}/bench?after=%00", headers=BROWSER).text
    assert "<h1>Something needs another look</h1>" in text
    assert text.count("holds the sign NUL") == 1


def test_dark_is_remembered(site, either_page, sound):
    either_page.goto(site.url)
    either_page.get_by_role("button", name="Dark").click()
    either_page.wait_for_function("document.documentElement.dataset.look === 'dark'")
    either_page.wait_for_load_state("networkidle")
    either_page.goto(site.url)
    expect(either_page.locator("html")).to_have_attribute("data-look", "dark")
    sound(either_page, "home-dark")


def test_the_secret_is_for_its_owner_only(site, tmp_path):
    httpx.get(site.url)
    assert (tmp_path / "pages.secret").stat().st_mode & 0o777 == 0o600


@pytest.mark.parametrize(
    "hostile", ["https://x.example", "//x.example", "/\\x.example", "/v1/keys", "bench", "/bench\n"]
)
def test_nobody_is_led_elsewhere_after_signing_in(hostile):
    assert own_address(hostile) == "/"
    assert own_address("/bench/units/MB-VAN-07?day=3") == "/bench/units/MB-VAN-07?day=3"


def page_routes(app) -> list:
    """Every route of a page that is not open to all; nested routers are walked through."""
    found, routers = [], [app.router]
    while routers:
        for route in routers.pop().routes:
            if (inner := getattr(route, "original_router", None)) is not None:
                routers.append(inner)
            elif is_page(getattr(route, "path", "")) and not is_open_page(route.path):
                found.append(route)
    return found


def sample(path: str) -> str:
    """An address of a route, with something in place of its parameters."""
    for name, value in (("{pack_id}", "MB-VAN-07"), ("{word}", "topup")):
        path = path.replace(name, value)
    return re.sub(r"\{[^}]*\}", "1", path)


def test_nobody_sees_or_sends_anything_without_signing_in(site, admin_key):
    routes = page_routes(site.app)
    assert len(routes) > 15
    with httpx.Client(base_url=site.url) as client:
        for route in routes:
            for method in route.methods:
                client.cookies.clear()
                answer = client.request(method, sample(route.path))
                assert answer.status_code == 303, (method, route.path)
                assert answer.headers["location"].startswith("/sign-in"), (method, route.path)


def test_a_role_that_may_not_is_told_which_one_may(site, admin_key):
    auth = {"Authorization": f"Bearer {admin_key}"}
    made = httpx.post(f"{site.url}/v1/keys", json={"title": "visitor", "role": "read-only"}, headers=auth).json()
    with signed_in(site, made["key"]) as client:
        token = token_of(client.get("/").text)
        tried = 0
        for route in page_routes(site.app):
            if "read-only" in MAY[route.operation_id]:
                continue
            for method in route.methods:
                data = {"data": {"form_token": token}} if method == "POST" else {}
                answer = client.request(method, sample(route.path), **data)
                assert answer.status_code == 403, (method, route.path)
                needed = ", ".join(sorted(MAY[route.operation_id]))
                assert f"This needs the role {needed}." in answer.text
                tried += 1
        assert tried > 8


def test_no_form_gets_past_without_its_token(site):
    """Whatever the page: the check hangs on the router, so that none can forget it."""
    with httpx.Client(base_url=site.url) as client:
        for route in page_routes(site.app):
            if "POST" in route.methods:
                client.cookies.clear()
                answer = client.post(sample(route.path), data={"anything": "x"})
                assert answer.status_code == 403, route.path
                assert "This form is not from a page" in answer.text, route.path


def test_pages_stay_out_of_the_description_for_programs(site):
    paths = httpx.get(f"{site.url}/openapi.json").json()["paths"]
    assert paths
    assert not any(is_page(path) for path in paths)


def test_a_visit_ends_after_a_working_day(site, admin_key):
    with signed_in(site, admin_key) as client:
        began = site.app.state.clock()
        site.app.state.clock = lambda: began + timedelta(hours=11)
        assert client.get("/").url.path == "/"
        site.app.state.clock = lambda: began + timedelta(hours=13)
        assert client.get("/").url.path == "/sign-in"
