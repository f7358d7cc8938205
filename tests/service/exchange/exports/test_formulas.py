"""No text of anybody's reaches a spreadsheet as a formula (CWE-1236; OWASP, "CSV Injection")."""

from __future__ import annotations

import pytest

from service.exchange.exports.tables import csv_field


@pytest.mark.parametrize("before", ["", " ", "  \u00a0", "\ufeff", "\u200b", "\t", "\r", "\n", "\u2003\ufeff ", "\x00"])
@pytest.mark.parametrize("sign", ["=", "+", "-", "@", "＝", "＋", "－", "＠", "﹦", "﹢", "﹣", "﹫"])
def test_a_formula_is_text_again_whatever_stands_before_it(before, sign):
    assert csv_field(f"{before}{sign}cmd|' /C calc'!A0").startswith("'")


@pytest.mark.parametrize("text", ["MB-VAN-07", "a=b", "", " ", "north quay", "1+1", "'=x", "é", 5, -5.5, None, True])
def test_all_else_stays_as_it_is(text):
    assert csv_field(text) == text


@pytest.mark.parametrize("text", ["\tx", "\rx", "\nx"])
def test_a_text_that_begins_with_a_tab_or_line_break_is_marked(text):
    assert csv_field(text) == f"'{text}"
