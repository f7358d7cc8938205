"""The evidence page: its figures are those of the cohort, and it needs nothing from outside."""

import html
import re
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest

from models.base.errors import BadInput
from training.cohort_report import build_cohort_page, write_cohort_page
from training.cohort_report.content import FEWEST, ReturnDays, hold_table, hysteresis_trap, worked_example
from training.files.families import load_families
from training.simulation.cohort import CohortPlan, simulate_cohort
from training.simulation.priors import PRIORS
from training.simulation.workshop import WorkshopHabits

PACKS, SEED = 700, 4
PERFORMANCE = [{"packs": 1e5, "seconds": 25.0, "parent_mb": 220.0, "workers_mb": 320.0}]


@pytest.fixture(scope="module")
def page():
    return build_cohort_page(PACKS, SEED, performance=PERFORMANCE)


@pytest.fixture(scope="module")
def cohort():
    habits = WorkshopHabits(replaces=False, repeat_share=0.0)
    return simulate_cohort(CohortPlan(PACKS, SEED, habits=habits, keep_states=True))


class _Page(HTMLParser):
    """Collects what a page asks of others, and whether its elements close in order."""

    VOID = frozenset({"meta", "br", "path", "use", "rect", "line"})

    def __init__(self):
        super().__init__()
        self.open, self.asked, self.ids = [], [], []

    def handle_starttag(self, tag, attrs):
        self.asked += [v for k, v in attrs if k in ("src", "href", "data") and v and not v.startswith("#")]
        self.ids += [v for k, v in attrs if k == "id"]
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        if tag not in self.VOID:
            self.open.pop()

    def handle_endtag(self, tag):
        if tag not in self.VOID:
            assert self.open.pop() == tag


def test_property_the_page_is_whole_and_asks_nothing_of_any_host(page):
    found = _Page()
    found.feed(page)
    assert found.open == []
    assert found.asked == []
    assert len(found.ids) == len(set(found.ids))
    assert "http" not in page
    assert "url(//" not in page
    assert page.count("<svg") == 4


def test_property_it_says_first_that_all_is_invented(page):
    text = html.unescape(re.sub(r"<[^>]+>", " ", page))
    assert text.index("All of this is invented") < text.index("When they come back")
    for prior in PRIORS.values():
        assert prior.meaning in text
    assert "unverified" in page
    assert "common practice, no source" in page
    assert "4000" in page  # packs a second of the measured run


def test_property_same_seed_same_page_written_where_asked(page, tmp_path):
    path = write_cohort_page(tmp_path / "new", PACKS, SEED, workers=2, performance=PERFORMANCE)
    assert path == tmp_path / "new" / "simulation.html"
    assert path.read_text(encoding="utf-8") == page
    assert page.startswith("<!doctype html>")


def test_parity_the_table_shows_the_figures_of_the_cohort(page, cohort):
    held = hold_table(cohort)
    leak = ReturnDays.of(held.loc[held["condition"] == "leak", "held"])
    row = re.search(r'<tr><th scope="row">leak</th>(.*?)</tr>', page, re.DOTALL).group(1)
    cells = re.findall(r"<td[^>]*>(.*?)</td>", row)
    assert cells[1] == str(leak.packs)
    assert cells[2] == f"{leak.tenth:.0f} / {leak.half:.0f} / {leak.nine_tenths:.0f}"


def test_reference_quantiles_of_return_days_counted_by_hand():
    days = [*range(1, 31), *[np.inf] * 10]
    found = ReturnDays.of(pd.Series(days))
    # 40 packs: of the positions 0 to 39, 3.9, 19.5 and 35.1 are taken from below.
    assert (found.tenth, found.half, found.nine_tenths) == (4, 20, np.inf)
    assert (found.by_7, found.from_8_to_28, found.by_60) == (7 / 40, pytest.approx(21 / 40), 30 / 40)


def test_property_too_few_packs_give_no_figure():
    assert ReturnDays.of(pd.Series(np.arange(FEWEST - 1.0))) is None


def test_property_the_trap_shows(cohort):
    trap = hysteresis_trap(load_families()["marl-28"], np.random.default_rng(0), packs=150)
    assert trap.driven_mv[0, 1] < -100
    # Right after the charge it reads high while charge is missing; driven, it tells the truth; parked, it does not.
    assert trap.driven_mv[1, 1] > 200
    assert trap.missing_mv[1] < -20
    assert trap.driven_mv[-1, 1] == pytest.approx(trap.missing_mv[-1], abs=15)
    assert trap.parked_mv[-1, 1] > 200


def test_property_the_example_is_one_of_the_cohort(cohort):
    held = hold_table(cohort)
    example = worked_example(cohort, held)
    assert held.loc[example.pack_id, "condition"] == "leak"
    assert example.topped_block == example.weak_block == held.loc[example.pack_id, "weak_block"]
    assert example.before_mv.argmin() == example.weak_block - 1
    assert example.after_mv[example.weak_block - 1] > example.before_mv[example.weak_block - 1]
    assert len(example.true_missing) == len(example.before_mv)


@pytest.mark.parametrize("packs", [10, 10**6])
def test_property_packs_out_of_reach_of_the_page_are_refused(packs):
    with pytest.raises(BadInput) as error:
        build_cohort_page(packs)
    assert error.value.problems[0].where == "packs"
