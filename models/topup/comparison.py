"""After the charge: what went in against what was expected, and what that reveals."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from models.base.errors import BadInput
from models.base.messages import say, say_together
from models.base.percents import percent
from models.forecasts.not_risen import NO_RISE_SHARE
from models.packs.cautions import cautions_for
from models.packs.contradictions import without_contradictions
from models.packs.family import PackFamily
from models.packs.history import PackHistory, require_fit
from models.packs.stops import require_no_stop
from models.topup.charge_rise import after_charge, charged, stored_share
from models.topup.concerns import LIKELY
from models.topup.evidence import BenchEvidence, bench_evidence
from models.topup.missing_charge import Range, missing_charge, weighted_range
from models.topup.possible_packs import Cause
from models.topup.reckoning import before_charge, missing_when_last_read, reckon, rise_over


@dataclass(frozen=True)
class Finding:
    """What a charge reveals.

    Attributes
    ----------
    code : str
        Short and stable, for machines.
    text : str
        A sentence.
    """

    code: str
    text: str


@dataclass(frozen=True)
class TopUpComparison:
    """A charge that was made, against what was expected before it. Read the cautions first.

    Attributes
    ----------
    block : int
        From 1.
    topped_at : datetime
        End of the charge.
    put_in_ah : float or None
        As noted.
    expected_ah : Range
        What the readings before it would have had put in, from the supply.
    rise_v : float or None
        By how much the block's rest deviation rose over the charge; None where it was not read on both sides of it.
    expected_rise_v : Range or None
        The same, expected for what was put in.
    missing_before_ah : Range
        Charge missing before it, with the rise taken into account.
    still_missing_ah : Range or None
        Charge missing after it: as a plan would have it, where the block was read at rest since
        (`models.topup.reckoning`); else from the readings before it and what went in, None where that was not noted.
    causes : mapping of cause to float
        What may be the matter, with the rise taken into account.
    causes_before : mapping of cause to float
        The same before the charge.
    """

    cautions: tuple[str, ...]
    block: int
    topped_at: datetime
    put_in_ah: float | None
    expected_ah: Range
    rise_v: float | None
    expected_rise_v: Range | None
    missing_before_ah: Range
    still_missing_ah: Range | None
    causes: Mapping[Cause, float]
    causes_before: Mapping[Cause, float]
    findings: tuple[Finding, ...]


def compare_topup(
    history: PackHistory, family: PackFamily, *, at: datetime | None = None, ambient_c: float | None = None
) -> TopUpComparison:
    """Compare the newest top-up with what was expected before it.

    Parameters
    ----------
    at : datetime, optional
        Facts after it are not used; all are if left out.
    ambient_c : float, optional
        Temperature where the pack stood, °C.

    Raises
    ------
    BadInput
        If the history does not fit the family, or there is no top-up, or no reading of its block before it.
    Stopped
        If a fact ends the job until something else is done.
    """
    require_fit(history, family)
    require_no_stop(history, family, at=at)
    history, _ = without_contradictions(history, family, at)
    known = [t for t in history.topups if at is None or t.time <= at]
    if not known:
        raise BadInput.one(
            "topups", "No top-up is known by that moment: there is nothing to compare.", "Record the top-up first."
        )  # fmt: skip
    topup = known[-1]
    block = topup.blocks[0]
    start = before_charge(topup)
    before = bench_evidence(history, family, block, start, ambient_c)
    if before.rest is None and before.discharge is None:
        raise BadInput.one(
            "readings",
            f"No reading shows block {block} within four days before its top-up: nothing was known to compare it with.",
            "Add the readings that were taken before the charge, if they were kept.",
        )
    now = at or history.last_fact_time
    made = bench_evidence(history, family, block, now, ambient_c).earlier[-1]
    reckoned = reckon(history, family, block, start, ambient_c)
    packs, missing = reckoned.packs, reckoned.missing
    told = after_charge(family, packs, made)
    kept = stored_share(family)
    missing_told = missing_charge(told, block)
    rise, expected_rise = rise_over(family, packs, made)
    read = missing_when_last_read(history, family, block, at)
    still = None if read is None else read.missing_ah
    if still is None and topup.charge_ah is not None:
        still = weighted_range(charged(family, told, topup.charge_ah).missing_ah, told.weight)
    expected = missing.missing_ah.times(1 / kept)
    return TopUpComparison(
        cautions=tuple(caution.text for caution in cautions_for(family.chemistry)),
        block=block,
        topped_at=topup.time,
        put_in_ah=topup.charge_ah,
        expected_ah=expected,
        rise_v=rise,
        expected_rise_v=expected_rise,
        missing_before_ah=missing_told.missing_ah,
        still_missing_ah=still,
        causes=missing_told.causes,
        causes_before=missing.causes,
        findings=_findings(
            before, topup.charge_ah, expected, rise, expected_rise, still, missing.causes, missing_told.causes
        ),
    )


def _findings(
    before: BenchEvidence,
    put_in: float | None,
    expected: Range,
    rise: float | None,
    expected_rise: Range | None,
    still: Range | None,
    causes_before: Mapping[Cause, float],
    causes: Mapping[Cause, float],
) -> tuple[Finding, ...]:
    found = []
    if put_in is None:
        found.append(
            Finding(
                "charge-not-noted",
                say(
                    "The charge put in was not noted: a block that reads level may only read high for a while after a "
                    "charge, and still lack some. Note the ampere-hours next time."
                ),
            )
        )
    elif put_in > expected.high:
        found.append(
            Finding(
                "took-more",
                say(
                    "It took %(put_in)s Ah where at most %(most)s Ah was expected to be missing: the block now stands "
                    "above its peers, or part of the charge was lost on the way, as in a leaking block. Watch its "
                    "temperature.",
                    put_in=f"{put_in:.1f}",
                    most=f"{expected.high:.1f}",
                ),
            )
        )
    elif put_in < expected.low:
        found.append(
            Finding(
                "took-less",
                say(
                    "Only %(put_in)s Ah went in where at least %(least)s Ah was expected to be missing: the block is "
                    "likely still short, even if it reads level at rest.",
                    put_in=f"{put_in:.1f}",
                    least=f"{expected.low:.1f}",
                ),
            )
        )
    else:
        found.append(
            Finding(
                "as-expected",
                say(
                    "It took %(put_in)s Ah, within the %(low)s to %(high)s Ah expected.",
                    put_in=f"{put_in:.1f}",
                    low=f"{max(expected.low, 0.0):.1f}",
                    high=f"{expected.high:.1f}",
                ),
            )
        )
    if rise is not None and expected_rise is not None:
        found += _rise_findings(rise, expected_rise)
    elif rise is None:
        found.append(
            Finding(
                "rise-not-read",
                say(
                    "There are no rest readings from both before and after the charge, taken before it drove: next "
                    "time read all blocks at rest an hour after the charge too."
                ),
            )
        )
    found += _cause_findings(causes_before, causes)
    if still is not None and still.low > 0:
        found.append(
            Finding(
                "still-short",
                say(
                    "About %(best)s Ah is still missing (%(low)s to %(high)s Ah).",
                    best=f"{still.best:.1f}",
                    low=f"{still.low:.1f}",
                    high=f"{still.high:.1f}",
                ),
            )
        )
    elif still is not None and still.high < 0:
        above = say("The block now stands about %(charge)s Ah above level.", charge=f"{-still.best:.1f}")
        found.append(Finding("above-peers", above))
    if before.rest is None:
        found.append(
            Finding("no-rest-before", say("There was no rest reading before the charge, so little was expected."))
        )
    return tuple(found)


def _rise_findings(rise: float, expected: Range) -> list[Finding]:
    rose = say(
        "The rest voltage rose by %(rise)s V against the others, where %(low)s to %(high)s V was expected",
        rise=f"{rise:.2f}",
        low=f"{expected.low:.2f}",
        high=f"{expected.high:.2f}",
    )
    if rise < NO_RISE_SHARE * expected.low:
        text = say(
            "%(rose)s: hardly any of the charge shows. Was it the right block? A shorted cell, a bad lead or a strong "
            "leak looks like this.",
            rose=rose,
        )
        return [Finding("no-rise", text)]
    if rise < expected.low:
        return [Finding("rose-less", say("%(rose)s: charge is being lost, or less went in than was noted.", rose=rose))]
    if rise > expected.high:
        text = say(
            "%(rose)s: the block fills faster than one of full capacity, as it does after losing some.", rose=rose
        )
        return [Finding("rose-more", text)]
    return [Finding("rise-as-expected", say("%(rose)s.", rose=rose))]


def _cause_findings(before: Mapping[Cause, float], after: Mapping[Cause, float]) -> list[Finding]:
    words = {
        "low charge": say("a block that had only lost charge"),
        "lost capacity": say("a block that has lost capacity, which no charge restores"),
        "joint": say("a bad joint, which a top-up does not cure"),
        "shorted cell": say("a shorted cell"),
        "sound": say("a block that was sound all along"),
    }
    likely = max(after, key=lambda cause: after[cause])
    if after[likely] < LIKELY:
        return [Finding("cause-open", say("What is wrong with the block is still open."))]
    text = say(
        "With the charge taken into account it looks like %(cause)s (%(chance)s).",
        cause=words[likely],
        chance=percent(after[likely]),
    )
    if before[likely] < LIKELY:
        text = say_together(text, say("That is a change: before the charge it looked otherwise."))
    return [Finding("cause", text)]
