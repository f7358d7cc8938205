"""The tests that are said to hold a point of the hardening are there."""

from __future__ import annotations

import pytest

from tests.benchmarks.bench_hardening import ITEMS, TESTS


@pytest.mark.parametrize("item", ITEMS, ids=lambda item: item.name)
def test_what_is_named_is_there(item):
    for test in item.tests:
        path, _, name = test.partition("::")
        assert f"def {name or 'test_'}" in (TESTS / path).read_text(encoding="utf-8"), test


def test_the_page_has_a_line_for_each_point():
    page = (TESTS / "studies" / "hardening.md").read_text(encoding="utf-8")
    for item in ITEMS:
        assert f"| {item.name} | {item.what} | " in page, item.name
