"""What a block lacks by the readings of a moment: one reckoning behind the plan and whatever else tells ampere-hours.

After a charge the block stands on another branch of its hysteresis than its peers, and a rest reading tells little.
What it lacked before, less what went in, tells more, as long as the rise of its voltage bears that out and it was not
driven: on simulated workshops' packs it was off by 0.20 Ah on average where the reading alone was off by 0.47, and its
range held 97 of 100 instead of 58 (tests/studies/decisions.md).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from models.packs.contradictions import without_contradictions
from models.packs.family import PackFamily
from models.packs.history import PackHistory, TopUp
from models.topup.charge_plan import LEAST_SHARE
from models.topup.charge_rise import BEFORE_DRIVING_H, after_charge, charged, rise_v, stored_share
from models.topup.evidence import FRESH_DAYS, BenchEvidence, EarlierCharge, bench_evidence
from models.topup.missing_charge import MissingCharge, Range, missing_charge, weighted_range
from models.topup.possible_packs import PossiblePacks
from models.topup.posterior import possible_packs


@dataclass(frozen=True)
class Reckoned:
    """What bears on a block, the packs that may be behind it, and what it lacks by them."""

    evidence: BenchEvidence
    packs: PossiblePacks
    missing: MissingCharge


def reckon(
    history: PackHistory, family: PackFamily, block: int, at: datetime, ambient_c: float | None = None
) -> Reckoned:
    """Reckon what a block (from 1) lacks; parameters as for `models.topup.evidence.bench_evidence`."""
    return _reckon(history, family, block, at, ambient_c, at - timedelta(days=FRESH_DAYS))


def _reckon(
    history: PackHistory, family: PackFamily, block: int, at: datetime, ambient_c: float | None, earliest: datetime
) -> Reckoned:
    """Reckon on from charge to charge, as far as readings are still of now."""
    evidence = bench_evidence(history, family, block, at, ambient_c)
    packs = _charged_since(history, family, evidence, ambient_c, earliest)
    if packs is None:
        packs = possible_packs(family, evidence)
        return Reckoned(evidence, packs, missing_charge(packs, block))
    # About level the figure nearest to most of them relatively means little: the middle one does.
    middle = weighted_range(packs.missing_ah, packs.weight)
    return Reckoned(evidence, packs, replace(missing_charge(packs, block), missing_ah=middle))


def before_charge(topup: TopUp) -> datetime:
    """Return a moment just before a charge began."""
    return topup.time - timedelta(hours=topup.duration_h or 0.0, seconds=1)


def rise_over(family: PackFamily, packs: PossiblePacks, made: EarlierCharge) -> tuple[float | None, Range | None]:
    """Return the rise measured over a charge, and the one expected; None where they cannot be told.

    Parameters
    ----------
    packs : PossiblePacks
        As they stood before it.
    """
    if made.before is None or made.after is None or made.wait_h > BEFORE_DRIVING_H:
        return None, None
    rise = made.after.deviation_v - made.before.deviation_v
    if made.topup.charge_ah is None:
        return rise, None
    expected = rise_v(family, packs, packs.block_soc, made.topup.charge_ah, made.wait_h)
    meter = 1.645 * float(np.hypot(made.before.sd_v, made.after.sd_v))
    middle = weighted_range(expected, packs.weight)
    return rise, Range(middle.best, middle.low - meter, middle.high + meter)


def _charged_since(
    history: PackHistory, family: PackFamily, now: BenchEvidence, ambient_c: float | None, earliest: datetime
) -> PossiblePacks | None:
    """Reckon on from before the newest charge; None where that does not tell, or the rise over it says otherwise."""
    if not now.earlier or now.rest is None:
        return None
    made = now.earlier[-1]
    put_in_ah = made.topup.charge_ah
    wait_h = (now.rest.time - made.topup.time) / timedelta(hours=1)
    newest = max(topup.time for topup in history.topups if topup.time <= now.at)
    if put_in_ah is None or made.topup.time != newest or newest < earliest or not 0 <= wait_h <= BEFORE_DRIVING_H:
        return None
    before = _reckon(history, family, now.block, before_charge(made.topup), ambient_c, earliest)
    if before.evidence.rest is None:
        return None
    made = replace(made, before=before.evidence.rest, after=now.rest, wait_h=wait_h)
    rise, expected = rise_over(family, before.packs, made)
    if rise is None or expected is None or rise < expected.low:
        return None
    return charged(family, after_charge(family, before.packs, made), put_in_ah)


def missing_when_last_read(
    history: PackHistory, family: PackFamily, block: int, at: datetime | None = None
) -> MissingCharge | None:
    """Reckon what a topped block lacks, as a plan made without a moment would say.

    Parameters
    ----------
    history : PackHistory
        Fits the family, and nothing stops it.
    block : int
        From 1.
    at : datetime, optional
        Facts after it are not used; all are if left out.

    Returns
    -------
    MissingCharge or None
        None where the block was not read at rest since the newest charge, or is of lithium-ion cells, into which
        nothing is put by hand.
    """
    read = max((reading.time for reading in history.readings if at is None or reading.time <= at), default=None)
    if read is None or family.chemistry == "lithium-ion":
        return None
    history, _unused = without_contradictions(history, family, read)
    ends = [topup.time for topup in history.topups if at is None or topup.time <= at]
    if any(time > read for time in ends) or bench_evidence(history, family, block, read).rest is None:
        return None
    return reckon(history, family, block, read).missing


def worth_putting_in(family: PackFamily, missing: MissingCharge) -> bool:
    """Whether enough is missing to be put in, if it may safely go in."""
    return missing.missing_ah.best / stored_share(family) >= LEAST_SHARE * family.rated_ah
