"""A block that was charged and stands no higher for it is named, whichever of several it is; seldom without reason."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from models.forecasts.newest_topups import NewestTopUps
from models.forecasts.not_risen import not_risen
from models.packs.history import PackHistory
from models.packs.tables import known_at, tables_from_histories
from tests.cases.packs import history_of_case
from training.files.families import load_families
from training.learning.moments import single_moments
from training.simulation.cohort import CohortPlan, simulate_cohort

FAMILIES = load_families()
LEAST_PER_AH = {"gravel-14": 0.113, "marl-28": 0.055}
"""V/Ah, by hand: the flattest step of the family's curve in its window, times cells, over the rated charge."""


def charged(
    family: str, blocks: tuple[int, ...], rises: tuple[float, ...], *, each: bool = False, **last
) -> PackHistory:
    """1.2 Ah into each of some blocks, all 0.2 V low before; each rose by so much at rest."""
    history = PackHistory.model_validate(history_of_case({"family": family, "charge": {"charge_ah": 1.2}}, FAMILIES))
    (topup,) = history.topups
    level = 1.29 * FAMILIES[family].cells_per_block
    volts = np.full((2, FAMILIES[family].blocks), level)
    for block, rise in zip(blocks, rises, strict=True):
        volts[:, block - 1] = level - 0.2, level - 0.2 + rise
    rest = [r for r in history.readings if r.state == "rest"][:2]
    (before, after) = (r.model_copy(update={"block_v": tuple(v)}) for r, v in zip(rest, volts, strict=True))
    after = after.model_copy(update={"time": topup.time + pd.Timedelta(hours=12), **last})
    notes = [(b,) for b in blocks] if each else [blocks]
    topups = [
        topup.model_copy(update={"blocks": b, "time": topup.time + pd.Timedelta(minutes=10 * n)})
        for n, b in enumerate(notes)
    ]
    return history.model_copy(update={"readings": (before, after), "topups": tuple(topups)})


def found(*histories: PackHistory) -> list[list[int]]:
    named = [h.model_copy(update={"pack_id": f"MB-{n}"}) for n, h in enumerate(histories)]
    tables = tables_from_histories(named, FAMILIES)
    packs = pd.Index([h.pack_id for h in named])
    told = not_risen(NewestTopUps(tables, packs), 0.004)
    return [[one.block for one in told.get(place, [])] for place in range(len(named))]


@pytest.mark.parametrize("family", ["gravel-14", "marl-28"])
@pytest.mark.parametrize("each", [False, True], ids=["one note", "a note each"])
def test_of_two_blocks_the_one_that_did_not_rise_is_named(family, each):
    """Of two blocks charged at one visit the second stayed where it was, and no word was said."""
    cases = {(0.3, 0.0): [9], (0.0, 0.3): [5], (0.3, 0.3): [], (0.0, -0.1): [5, 9]}
    alone = {rises: found(charged(family, (5, 9), rises, each=each))[0] for rises in cases}
    assert alone == cases
    # The same among others.
    assert found(*(charged(family, (5, 9), rises, each=each) for rises in cases)) == [*cases.values()]


@pytest.mark.parametrize("family", ["gravel-14", "marl-28"])
def test_reference_what_is_due_at_least_is_the_flattest_part_of_the_curve(family):
    due = 1.2 * LEAST_PER_AH[family]
    assert found(charged(family, (5,), (0.25 * due,)), charged(family, (5,), (0.35 * due,))) == [[5], []]


def test_cells_measured_a_day_later_settle_it_no_look_does_and_a_small_charge_is_not_seen():
    assert found(charged("gravel-14", (5,), (0.0,), time=pd.Timestamp("2026-01-01", tz="UTC"))) == [[]], (
        "not read after"
    )
    history = charged("gravel-14", (5,), (0.0,))
    for seen, told in (("sound", found(history)), ("cells", [[]])):
        later = history.readings[-1].model_copy(
            update={"time": history.topups[-1].time + pd.Timedelta(hours=30), "inspected": seen}
        )
        assert found(history.model_copy(update={"readings": (*history.readings, later)})) == told
    little = history.model_copy(update={"topups": (history.topups[0].model_copy(update={"charge_ah": 0.3}),)})
    assert found(little) == [[]]


def test_property_few_simulated_packs_are_said_not_to_have_risen():
    """By far most charges show; the rest went into a strong leak or a short (invented packs, several worlds)."""
    cohort = simulate_cohort(CohortPlan(packs=700, seed=4, worlds=10))
    rows = single_moments(cohort.tables, np.random.default_rng(4))
    moments = rows.moments[["pack_id", "origin"]].drop_duplicates("pack_id")
    tables = known_at(cohort.tables, moments)
    packs = pd.Index(moments["pack_id"])
    share = len(not_risen(NewestTopUps(tables, packs), 0.004)) / len(packs)
    assert share < 0.02
