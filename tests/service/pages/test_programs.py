"""The room for programs, in a browser: every route by the library's packaged files, nothing from another host."""

from __future__ import annotations

import httpx2 as httpx
from playwright.sync_api import expect


def test_the_first_page_leads_there_and_every_group_of_routes_stands_there_and_opens(site, phone_page):
    page = phone_page
    asked: list[str] = []

    def note(request) -> None:
        asked.append(request.url)

    page.on("request", note)
    page.goto(site.url)
    expect(page.get_by_text("Packs of other cells are not served.")).to_be_visible()
    page.get_by_role("link", name="For programs").click()
    expect(page.locator("h1")).to_have_text("For programs")
    document = httpx.get(f"{site.url}/openapi.json").json()
    expect(page.locator("#routes .opblock-tag")).to_have_count(
        len({tag for path in document["paths"].values() for operation in path.values() for tag in operation["tags"]})
    )
    page.locator("#routes .opblock-tag", has_text="forecasts").first.click()
    expect(page.locator("#routes .opblock-summary-path").first).to_be_visible()
    assert all(url.startswith((site.url, "data:")) for url in asked), asked
    page.remove_listener("request", note)


def test_its_files_are_its_own_and_no_others(site):
    answer = httpx.get(f"{site.url}/docs")
    assert "script-src 'self';" in answer.headers["Content-Security-Policy"]
    assert httpx.get(f"{site.url}/docs/swagger-ui.css").headers["Content-Type"].startswith("text/css")
    assert httpx.get(f"{site.url}/docs/favicon.png").status_code == 404
