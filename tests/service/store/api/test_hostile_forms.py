"""Every form of the pages, each of its fields in turn with what it should not hold: no fault of ours, and soon."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from html.parser import HTMLParser
from urllib.parse import urljoin, urlsplit

from fastapi.testclient import TestClient

from tests.service.hostile_corpus import HOSTILE_FIELDS, tried
from tests.service.store.backends import ON_SQLITE

pytestmark = ON_SQLITE

EACH = 8
"""Hostile values of the list for each field, going on where the field before ended."""

MOST_PAGES = 150


class Page(HTMLParser):
    """The links of a page, and of its forms where they go to and what they hold."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.links: list[str] = []
        self.forms: list[tuple[str, str, dict[str, str]]] = []
        self._inside = False
        self._select = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        told = {name: value or "" for name, value in attributes}
        if tag == "a" and "href" in told:
            self.links.append(told["href"])
        elif tag == "form":
            self._inside = True
            self.forms.append((told.get("method", "get").lower(), told.get("action", ""), {}))
        elif self._inside and tag in ("input", "textarea", "select") and "name" in told:
            self._select = told["name"] if tag == "select" else ""
            if told.get("type") not in ("radio", "checkbox", "file") or "checked" in told:
                self.forms[-1][2][told["name"]] = told.get("value", "")
        elif self._inside and tag == "option" and self._select and "selected" in told:
            self.forms[-1][2][self._select] = told.get("value", "")

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._inside = False


def forms_of(site: TestClient) -> Iterator[tuple[str, str, dict[str, str]]]:
    """Follow every link from the first page on, and yield each form once by its address and fields."""
    seen: set[tuple[str, ...]] = set()
    known, waiting = {"/"}, deque(["/"])
    while waiting and len(known) < MOST_PAGES:
        at = waiting.popleft()
        answer = site.get(at)
        if not answer.headers.get("content-type", "").startswith("text/html"):
            continue
        page = Page(answer.text)
        for method, action, fields in page.forms:
            to = urljoin(at, action or at)
            if (which := (method, urlsplit(to).path, *sorted(fields))) not in seen:
                seen.add(which)
                yield method, to, fields
        for link in page.links:
            to = urljoin(at, link).partition("#")[0]
            if to.startswith("/") and not to.startswith("/static") and to not in known:
                known.add(to)
                waiting.append(to)


def test_forms_with_one_hostile_field(filled):
    site = TestClient(filled.app, base_url="http://127.0.0.1:8765", raise_server_exceptions=False)
    site.portal = filled.portal
    site.post("/v1/packs/MB-VAN-07/forecasts", json={})
    corpus, turn = [], 0
    for method, address, fields in list(forms_of(site)):
        for name in fields:
            if name != "form_token":
                for _ in range(EACH):
                    value = HOSTILE_FIELDS[turn % len(HOSTILE_FIELDS)]
                    corpus.append((f"{method} {address} {name} {turn}", (method, address, fields | {name: value})))
                    turn += 1

    def send(case) -> str | None:
        method, address, fields = case
        sent = {name: value.encode("utf-8", "surrogatepass") for name, value in fields.items()}
        answer = site.post(address, data=sent) if method == "post" else site.get(address, params=fields)
        if answer.status_code >= 500 and answer.status_code != 503:
            return str(answer.status_code)
        return None if len(answer.content) < 3_000_000 else f"{len(answer.content)} bytes"

    count, wrong = tried(send, corpus)
    assert count > 400, count
    assert not wrong, wrong[:40]
