"""Every sentence on the pages comes through the catalogue: in an invented language nothing English is left."""

from __future__ import annotations

import re
import shutil
from datetime import UTC, datetime
from html.parser import HTMLParser

import httpx2 as httpx
import pytest
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po

import service.core.translation
from service.core.translation import LOCALES, translations
from service.records.subjects.all_subjects import COSTS, OFFERS, SUPPLIERS
from tests.service.invented_fleet import FAMILIES, fill

NOW = datetime(2026, 3, 14, 9, 0, tzinfo=UTC)

# What no catalogue says: names, numbers, codes, units of measure.
NAMES = re.compile(
    r"Tideover|MB-[A-Z]*-?\d+|(?:chert|flint|gravel|loess|marl|shale)-\d+|north-quay|North Quay Stores|"
    r"hill depot|north pier|harbour yard|parcel round|clinic run|\bcab\b|"
    r"\b(?:admin|bench|fleet|parts|read-only|anyone|nobody)\b|\b[0-9a-f]{12,64}\b|\b(?:UTC|EUR|CSV|SQLite|mV|Ah|km)\b|P0[0-9A-F]{3}|"
    r"\binvented\b|"
    r"packs, readings, topups, usage, outcomes|\b(?:nimh|lithium-ion)\b|SIM-[\d-]+|"
    r"\b(?:leak|fade|neglect|joint|numpy|scikit-learn|pandas|scipy|statsmodels)\b"
)


def invented(pattern: str) -> str:
    """Say a sentence in a language without our letters; what is put into it stays, so that English in it shows too."""
    kept = re.split(r"(%\(\w+\)s|%s|%%)", pattern)
    return f"⟦{''.join(part if part.startswith('%') else re.sub('[A-Za-z]', 'ж', part) for part in kept)}⟧"


@pytest.fixture
def another_language(tmp_path, monkeypatch):
    """The whole catalogue in an invented language."""
    with (LOCALES / "messages.pot").open("rb") as file:
        catalogue = read_po(file)
    for message in catalogue:
        if message.id:
            one = isinstance(message.id, str)
            message.string = invented(message.id) if one else tuple(invented(form) for form in message.id)
    folder = tmp_path / "locale" / service.core.translation.LANGUAGE / "LC_MESSAGES"
    folder.mkdir(parents=True)
    with (folder / "messages.mo").open("wb") as file:
        write_mo(file, catalogue)
    monkeypatch.setattr(service.core.translation, "LOCALES", tmp_path / "locale")
    translations.cache_clear()
    yield
    shutil.rmtree(tmp_path / "locale")
    translations.cache_clear()


class Said(HTMLParser):
    """What a page shows or reads out."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.texts: list[str] = []
        self.hidden = False
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.hidden = tag in ("script", "style")
        self.texts += [text for name, text in attrs if name in ("aria-label", "alt", "title", "placeholder") and text]

    def handle_endtag(self, tag):
        self.hidden = False

    def handle_data(self, data):
        if not self.hidden:
            self.texts.append(data)


def english_left(html: str, told: set[str]) -> list[str]:
    """Words that no catalogue has said, but for texts that are told as they are."""
    left = []
    for text in Said(html).texts:
        words = re.findall(r"[A-Za-z]{2,}", NAMES.sub(" ", text))
        if words and " ".join(text.split()) not in told:
            left.append(f"{' '.join(words)} in: {' '.join(text.split())[:160]}")
    return left


def texts_in(value: object) -> set[str]:
    """Every text in an answer, with the names of its figures."""
    if isinstance(value, dict):
        return set(value) | texts_in(list(value.values()))
    if isinstance(value, list):
        return set().union(*map(texts_in, value))
    return {" ".join(value.split())} if isinstance(value, str) else set()


def looked_at(url: str, addresses, status: int = 200, told: frozenset[str] | set[str] = frozenset()) -> list[str]:
    found = []
    with httpx.Client(base_url=url, timeout=60, follow_redirects=True) as client:
        for address in addresses:
            answer = client.get(address)
            assert answer.status_code == status, (address, answer.text)
            assert "⟦" in answer.text
            found += [f"{address}: {words}" for words in english_left(answer.text, set(told))]
    return found


def test_a_unit_and_all_that_is_told_of_it(site, van, another_language):
    unit = f"/bench/units/{van}"
    httpx.post(f"{site.url}/v1/packs/{van}/forecasts", json={}, timeout=60).raise_for_status()
    pages = [
        "",
        "/visit",
        "/what-if",
        "/recheck",
        "/topup-plan",
        "/reading/new",
        "/topup/new",
        "/usage/new",
        "/outcome/new",
        "/way?in_days=9",
    ]
    assert (
        looked_at(site.url, ["/", "/bench", "/bench/add", "/bench/families/new", *(unit + page for page in pages)])
        == []
    )


def test_the_release_sheet_and_what_is_not_there(site, van, another_language):
    number = httpx.post(f"{site.url}/v1/packs/{van}/forecasts", json={}, timeout=60).raise_for_status().json()["id"]
    assert looked_at(site.url, [f"/bench/forecasts/{number}"]) == []
    absent = [f"/bench/forecasts/{number + 1}", "/bench/units/nobody", "/admin/jobs/99"]
    assert looked_at(site.url, absent, status=404) == []


def test_the_record(site, van, source, another_language):
    """What training has written about a model stays as it was written; all around it is translated."""
    written = texts_in([source.current().manifest.card])
    for address in ("/v1/calibration", "/v1/model", "/v1/drift"):
        written |= texts_in(httpx.get(f"{site.url}{address}", timeout=60).raise_for_status().json())
    rooms = ["/record", "/record/told", "/record/model", "/record/drift"]
    assert looked_at(site.url, rooms, told=written) == []


def test_the_counter_and_the_fleet_office(site, record, another_language):
    fill(site.store, 30, NOW, seed=3)
    record("/v1/suppliers", SUPPLIERS.example)
    record("/v1/costs", COSTS.example)
    for family in FAMILIES:
        record("/v1/offers", {**OFFERS.example, "family": family})
    case = httpx.post(f"{site.url}/v1/orders/queue", json={}, timeout=60).json()["entries"][0]["pack_id"]
    counter = ["/parts", f"/parts/cases/{case}", "/parts/costs", "/parts/stock", "/parts/suppliers"]
    office = ["/fleet", "/fleet/plan", "/fleet/returns", "/fleet/age"]
    assert looked_at(site.url, [*counter, *office]) == []


def test_the_admin_s_room(site, van, another_language):
    rooms = ["/admin", "/admin/imports", "/admin/jobs", "/admin/keys", "/admin/models", "/admin/receivers"]
    assert looked_at(site.url, rooms) == []
