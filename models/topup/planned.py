"""The most that a plan, made from what was read before a charge, would have let into a block."""

from __future__ import annotations

from typing import Final

from models.packs.contradictions import without_contradictions
from models.packs.family import PackFamily
from models.packs.history import PackHistory, TopUp
from models.topup.charge_plan import LEAST_SHARE, charge_plan
from models.topup.evidence import bench_evidence
from models.topup.reckoning import before_charge, reckon

SAID_TO_AH: Final = 0.05
"""A plan says its most to a tenth of an ampere-hour: what it rounds off is no excess."""


def most_planned_ah(history: PackHistory, family: PackFamily, topup: TopUp) -> dict[int, float]:
    """Return what a plan made just before a charge would have let into its blocks at most.

    Parameters
    ----------
    history : PackHistory
        Fits the family. What is on record from the beginning of the charge on is not used.
    topup : TopUp
        The charge, whether or not it is on record.

    Returns
    -------
    dict of int to float
        Ah from the supply by block, from 1: without those that nobody read at rest within the days before, and without
        any of lithium-ion cells, into which nothing is put by hand. Where too little is missing to put anything in, the
        least that a plan bothers about.
    """
    if family.chemistry == "lithium-ion" or not history.readings:
        return {}
    start = before_charge(topup)
    known, _ = without_contradictions(history, family, start)
    found = {}
    for block in topup.blocks:
        if block > family.blocks or (rest := bench_evidence(known, family, block, start).rest) is None:
            continue
        reckoned = reckon(known, family, block, start)
        plan = charge_plan(family, reckoned.packs, reckoned.missing, rest.median_v, reckoned.evidence.ambient_c)
        found[block] = LEAST_SHARE * family.rated_ah if plan is None else plan.most_ah
    return found


def past_plan(history: PackHistory, family: PackFamily, topup: TopUp) -> tuple[int, float] | None:
    """Return the first of its blocks into which a charge put more than a plan would have, and that plan's most, Ah.

    Parameters and units are those of `most_planned_ah`; None where there is no such block.
    """
    charge_ah = topup.charge_ah
    if charge_ah is None or charge_ah <= LEAST_SHARE * family.rated_ah + SAID_TO_AH:
        return None
    most = most_planned_ah(history, family, topup)
    return next(((block, ah) for block, ah in most.items() if charge_ah > ah + SAID_TO_AH), None)
