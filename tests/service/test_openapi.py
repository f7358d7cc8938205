"""The description of the REST service: what people read, and generators of clients need."""

from __future__ import annotations

import json
import re
from collections import Counter

import pytest

from service.app import first_sentence


@pytest.fixture(scope="module")
def described(client):
    return client.get("/openapi.json").json()


def operations(described):
    for address, methods in described["paths"].items():
        for operation in methods.values():
            yield address, operation


def test_every_schema_has_a_title_of_its_own(described):
    """Generators make names of types from titles: of two alike one is lost, and with it the type of an answer."""
    titles = Counter(schema["title"] for schema in described["components"]["schemas"].values())
    assert [title for title, times in titles.items() if times > 1] == []
    assert all(title.isidentifier() for title in titles)
    assert not [title for title in titles if "__" in title], "no path of a module is part of a name"


def test_every_operation_says_in_a_sentence_what_it_does(described):
    said = [operation["summary"] for _, operation in operations(described)]
    assert all(" " in summary and summary[0].isupper() and not summary.endswith(".") for summary in said)
    assert "Record a reading" in said
    assert not [summary for summary in said if "Record" in summary.split()[1:2]], "no name of a function"
    assert max(Counter(said).values()) == 1


def test_no_operation_takes_the_wrong_article(described):
    """It said "Record a assignment"."""
    said = json.dumps(described)
    assert re.findall(r"\b[Aa] (?:assignment|offer|outcome|import|issued)[^.]{0,20}", said) == []


def test_it_says_how_to_send_a_key_and_what_needs_none(described):
    assert described["components"]["securitySchemes"]["accessKey"]["scheme"] == "bearer"
    assert described["security"] == [{"accessKey": []}]
    free = {address for address, operation in operations(described) if operation.get("security") == []}
    assert free == {"/healthz", "/readyz"}


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("Record a reading.", "Record a reading"),
        ("Correct a pack: send what changes. More.", "Correct a pack"),
        ("Read it as\n    CSV, e.g.", "Read it as CSV, e.g"),
    ],
)
def test_first_sentence(text, sentence):
    assert first_sentence(text) == sentence
