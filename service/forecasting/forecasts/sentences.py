"""A forecast in plain sentences: the one generator behind REST, the command line and the pages."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from models.base.day_grid import survival_at
from models.features.definitions import Evidence
from models.forecasts.similar_packs import SimilarPack
from models.forecasts.withheld import NOT_OF_TODAY, UNREAD_AFTER
from service.core.translation import N_, _, ngettext
from service.forecasting.forecasts.schemas import (
    EvidenceEffect,
    EvidenceFlag,
    ForecastFigures,
    GoodFor,
    ReturnDay,
    UntilReplacement,
)
from service.forecasting.recheck.days import day_reached, is_last_day, is_over, to_the_minute

IN_WORDS: Final = {0.8: N_("Eight in ten"), 0.9: N_("Nine in ten"), 0.95: N_("Nineteen in twenty")}
USUAL_CONFIDENCE: Final = 0.9
KIND_WORDS: Final = {
    "leak": N_("a block that loses charge by itself (leak)"),
    "fade": N_("a block that has lost capacity (fade)"),
    "neglect": N_("a block that only fell behind, with no defect (neglect)"),
    "joint": N_("a bad joint or sense lead, which a top-up does not cure (joint)"),
}
MOVER_WORDS: Final[Mapping[Evidence, str]] = {
    "top-up": N_("What the top-up took"),
    "readings before": N_("What the readings before the charge say"),
    "readings after": N_("What the readings after the charge say"),
    "while holding": N_("What the readings since it drove again say"),
    "earlier top-ups": N_("How earlier top-ups held"),
    "planned use": N_("The planned use"),
    "weather": N_("The temperature"),
    "the pack": N_("What the pack's age and odometer say"),
}
MISSING_WORDS: Final[Mapping[Evidence, str]] = {
    "top-up": N_(
        "What the top-up took is not known: note the charge in Ah, how long it took and the voltage at its end."
    ),
    "readings before": N_(
        "There is no usable reading from before the charge: enter one if it was kept; next time read all blocks first."
    ),
    "readings after": N_(
        "There is no usable reading from after the charge: read all blocks at rest, and under load, before the car "
        "leaves."
    ),
    "while holding": N_(
        "There is no usable reading since it drove again: read all blocks at rest, and under load, when it next comes "
        "by."
    ),
    "earlier top-ups": N_(
        "No earlier top-up is recorded: if there were any, enter when, on which block, and when the fault came back."
    ),
    "planned use": N_(
        "The planned use is not known: ask for kilometres and trips a day, and days on which it will stand."
    ),
    "weather": N_("The temperature is not known: give the mean expected outside, or that of the pack at rest."),
    "the pack": N_("Neither age nor odometer of the pack is known: note both."),
}
UNREAD_FOR_LONG: Final = frozenset({"stale", NOT_OF_TODAY})
"""Flags of a forecast that is read ahead from a reading of long ago: no charge of a block is told by it."""

NOTHING_PROMISED: Final = N_("none")
LEAST_SAID_DAYS: Final = 0.5
"""Effects below this round to no day at all."""
AS_GOOD_AS_DAYS: Final = 1 / 24
"""What is left of a promise is said in whole days if it is within an hour of them: beside "at least 5 days", made a
minute ago, "less than 5 days" reads as a contradiction. Our choice; the day that is told with it is to the minute."""
LIKELY_KIND: Final = 0.5
"""Below this probability no kind is called likely: the odds are against it."""


NEXT_TO_MEASURE: Final[Mapping[str, str]] = {
    "reading-not-used": N_("Measure next: all blocks again, at rest and under load."),
    "overcharge": N_("Measure next: all blocks at rest, a day after the charge, with a look for swelling and heat."),
    "fast-charge": N_("Measure next: all blocks at rest, a day after the charge, with a look for swelling and heat."),
    "read-too-soon": N_("Measure next: all blocks at rest again, some hours after the charge."),
    UNREAD_AFTER: N_("Measure next: all blocks at rest, and under load with the current noted."),
    "no-load-reading": N_("Measure next: all blocks under load, with the current noted."),
}
"""What a flag asks for, the most pressing first."""


def lead_of(figures: ForecastFigures, now: datetime | None = None) -> list[str]:
    """Say in three lines whether it may go by these figures, until which date, and what to measure next.

    Parameters
    ----------
    now : datetime, optional
        Where the question was of today: a promise that has ended is none to count on, and of one that is on its last
        day the hour is told.
    """
    days = promised_days(figures)
    codes = {flag.code for flag in figures.flags}
    grave = look_first(figures.flags)
    unread = read_first(figures.flags)
    last = to_the_minute(day_reached(figures.origin, days))
    asked = next((words for code, words in NEXT_TO_MEASURE.items() if code in codes), None)
    past = now is not None and is_over(figures.origin, days, now)
    against = [*grave, *unread, *no_day_left(figures.origin, days, now)]
    holds = not against
    if against:
        may_go = against[0]
    elif now is not None and is_last_day(figures.origin, days, now):
        said = _("By these figures it may go until %(day)s and no longer; a licensed technician decides.")
        may_go = said % {"day": last}
    else:
        whole = math.floor(days)
        left = whole if now is None else min(whole, (day_reached(figures.origin, days) - now) / timedelta(days=1))
        if abs(left - round(left)) < AS_GOOD_AS_DAYS:
            said = _("By these figures it may go for %(days)s at most; a licensed technician decides.")
            left = round(left)
        else:
            said = _("By these figures it may go for less than %(days)s; a licensed technician decides.")
        may_go = said % {"days": count_days(math.ceil(left))}
    if grave or unread:
        until = _("Until then do not let it go: there is no day that you can count on.")
    elif holds:
        until = _("Count on it until %(day)s, not after.") % {"day": last}
    else:
        until = _("There is no day that you can count on.")
    if asked is not None:
        measure = _(asked)
    elif grave:
        measure = _("Measure next: all blocks again, at rest and under load.")
    elif holds:
        measure = _("Measure next: all blocks at rest, before it is driven on past %(day)s.") % {"day": last}
    elif past or _used_up(figures):
        measure = _("Measure next: all blocks at rest again, before it is driven.")
    else:
        measure = _("Measure next: nothing. Keep it off the road until its pack is replaced.")
    return [may_go, until, measure]


def no_day_left(origin: datetime, promised_days: float, now: datetime | None) -> list[str]:
    """Say why a promise lets nobody go: it is of less than a day, or used up; nothing where a day is left to count on.

    Parameters
    ----------
    now : datetime, optional
        None where the question was not of today: nothing is used up then.
    """
    if promised_days < 1:
        return [_("By these figures do not let it go: not even one day can be promised.")]
    if now is None or not is_over(origin, promised_days, now):
        return []
    said = _(
        "Do not let it go: what was promised is used up. It counted from %(from)s, until %(day)s. Read all blocks at "
        "rest first."
    )
    last = day_reached(origin, promised_days)
    return [said % {"from": to_the_minute(origin), "day": to_the_minute(last)}]


def look_first(flags: Iterable[EvidenceFlag]) -> list[str]:
    """Say of each grave flag that nobody is to go by the figures before it is looked at."""
    said = _("Do not go by these figures until this has been looked at: %(what)s")
    return [said % {"what": flag.text} for flag in flags if flag.grave]


def read_first(flags: Iterable[EvidenceFlag]) -> list[str]:
    """Say, where nothing was read at rest after the charge, that the pack is read before it is let go."""
    return [read_first_said()] if UNREAD_AFTER in {flag.code for flag in flags} else []


def read_first_said() -> str:
    """Say that a pack is read before it is let go."""
    return _(
        "Do not let it go yet: nothing tells how each charged block stands now. Read all blocks at rest, some hours "
        "after the charge, and ask again."
    )


def _block(figures: ForecastFigures) -> str | None:
    """Name the block that was topped up, and say where nothing tells how far it is from its peers."""
    if figures.block is None:
        return None
    words = {"block": figures.block}
    codes = {flag.code for flag in figures.flags}
    if codes & UNREAD_FOR_LONG:
        said = _("Nobody knows how far block %(block)s, topped up, is from its peers by now: read all blocks at rest.")
        return said % words
    if UNREAD_AFTER in codes:
        return _("No newer reading tells whether block %(block)s, topped up, is level with its peers.") % words
    return topped_up(figures.block)


def topped_up(block: int) -> str:
    """Name the block that was topped up."""
    return _("Topped up: block %(block)s.") % {"block": block}


def sentences_of(figures: ForecastFigures) -> list[str]:
    """Say a forecast in plain words.

    What is grave comes first. Days are whole in speech, and a promise is rounded down so that no sentence says more
    than its figure.
    """
    sentences = look_first(figures.flags)
    if figures.days_held >= 1:
        said = _("The top-up has already held %(days)s; all days here count from %(from)s.")
        sentences.append(said % {"days": count_days(figures.days_held), "from": to_the_minute(figures.origin)})
    if not look_first(figures.flags) and not figures.withheld_by:
        sentences += _told_days(figures)
    if (block := _block(figures)) is not None:
        sentences.append(block)
    if figures.kinds:
        sentences.append(_kind(figures.kinds, told="no-load-reading" not in {flag.code for flag in figures.flags}))
    if figures.own_outcomes is not None:
        sentences.append(_rests_on(figures.own_outcomes, figures.sister_outcomes))
    return sentences


def _told_days(figures: ForecastFigures) -> list[str]:
    """Say the days that are promised and the chances."""
    sentences = [_good_for(main_promise(figures))]
    if figures.surplus_left_out:
        sentences.append(
            _(
                "Days are promised as if no more than was missing had gone in, so they can be fewer than the curve "
                "shows."
            )
        )
    elif _used_up(figures):
        sentences.append(
            _(
                "Nothing is left of the promise, because nobody has seen since when it was last read whether it still "
                "holds; the curve and the days of return are of a pack that does."
            )
        )
    sentences += [_half_back(point, figures.horizon_days) for point in figures.return_days if point.returned == 0.5]
    if figures.until_replacement is not None:
        shown = survival_at(np.array([figures.survival]), figures.until_replacement.days)[0]
        sentences.append(_until(figures.until_replacement, float(shown)))
    return sentences


def _used_up(figures: ForecastFigures) -> bool:
    """Whether nothing is promised though few are back for days: promises count from when the pack was last seen."""
    early = min(figures.return_days, key=lambda point: point.returned, default=None)
    if early is None or promised(promised_days(figures)) != NOTHING_PROMISED:
        return False
    return early.day is None or early.day >= 1


def _rests_on(outcomes: int, sisters: int) -> str:
    if sisters:
        return _(
            "This rests on simulated packs; outcomes of yours: %(own)s, of your sister workshops: %(sisters)s."
        ) % {"own": outcomes, "sisters": sisters}
    if outcomes == 0:
        return _("This rests on simulated packs alone: no return of yours has been learned from yet.")
    said = ngettext(
        "This rests on simulated packs and %(count)s outcome of yours.",
        "This rests on simulated packs and %(count)s outcomes of yours.",
        outcomes,
    )
    return said % {"count": outcomes}


def kind_words() -> dict[str, str]:
    """Return the kinds of weakness in words."""
    return {kind: _(words) for kind, words in KIND_WORDS.items()}


def main_promise(figures: ForecastFigures) -> GoodFor:
    """Return the good-for figure to say first: the one at 90 %, or else the first that was asked for."""
    usual = [promise for promise in figures.good_for if promise.confidence == USUAL_CONFIDENCE]
    return (usual or figures.good_for)[0]


def releases(figures: ForecastFigures) -> bool:
    """Whether there is a day to count on: at least one is promised, and nothing has to be looked at or read first."""
    return promised_days(figures) >= 1 and not look_first(figures.flags) and not read_first(figures.flags)


def promised_days(figures: ForecastFigures) -> float:
    """Return the days to count on; 0 where they are withheld."""
    return main_promise(figures).days or 0.0


def count_days(days: float) -> str:
    """Write whole days, rounded down: ``6.9`` as ``6 days``."""
    whole = math.floor(days)
    return ngettext("%(days)s day", "%(days)s days", whole) % {"days": f"{whole:,}"}


def about_days(days: float) -> str:
    """Write a mean or a difference in days, which has no tenths to tell: ``9.7`` as ``about 10 days``.

    Parameters
    ----------
    days : float
        Of either sign; the sentence around it says which.
    """
    whole = round(abs(days))
    if whole < 1:
        return _("less than a day")
    return ngettext("about %(days)s day", "about %(days)s days", whole) % {"days": whole}


def promised(days: float) -> str:
    """Write the days of a promise to one decimal, rounded down: it must not grow in print; ``none`` under a tenth."""
    # A whole number of tenths must survive its binary form: 2.3 is not 2.2.
    tenths = math.floor(round(10 * days, 9))
    return f"{tenths / 10:.1f}" if tenths else NOTHING_PROMISED


def movers(
    effects: Sequence[EvidenceEffect], reference_days: float, mean_days: float, horizon_days: float
) -> list[str]:
    """Say what moves a forecast: where it starts from, then each known kind of evidence, in the order given."""
    start = _(
        "If only the family and the days held were known, such a pack would hold %(days)s on "
        "average (days past day %(horizon)s not counted); with all that is known it is "
        "%(mean)s."
    ) % {"days": about_days(reference_days), "horizon": f"{horizon_days:g}", "mean": about_days(mean_days)}
    return [start] + [_mover(effect) for effect in effects if effect.known]


def _mover(effect: EvidenceEffect) -> str:
    words = {"what": _(MOVER_WORDS[effect.evidence]), "days": about_days(effect.days)}
    if abs(effect.days) < LEAST_SAID_DAYS:
        return _("%(what)s hardly moves the forecast.") % words
    if effect.days > 0:
        return _("%(what)s lengthens the forecast by %(days)s.") % words
    return _("%(what)s shortens the forecast by %(days)s.") % words


def read_off(mean_days: float, lower_days: float, higher_days: float) -> str:
    """Say what one reading off by a tenth of a volt would make of a forecast."""
    return _(
        "If the newest reading of the block at rest were 0.1 V lower, it would be %(lower)s days instead of %(mean)s; "
        "if 0.1 V higher, %(higher)s."
    ) % {"lower": f"{lower_days:.1f}", "mean": f"{mean_days:.1f}", "higher": f"{higher_days:.1f}"}


def to_measure(effects: Iterable[EvidenceEffect]) -> list[str]:
    """Name the evidence that is missing, how to come by it and how far it would move the forecast; most first."""
    missing = [effect for effect in effects if not effect.known]
    return [_missing(effect) for effect in sorted(missing, key=lambda effect: -(effect.worth_days or 0.0))]


def _missing(effect: EvidenceEffect) -> str:
    words = {"what": _(MISSING_WORDS[effect.evidence]), "days": about_days(effect.worth_days or 0.0)}
    if effect.worth_days is None:
        return words["what"]
    if effect.worth_days < LEAST_SAID_DAYS:
        return _("%(what)s For packs like this one it hardly moved the forecast.") % words
    return _("%(what)s For packs like this one it moved the forecast by %(days)s, up or down.") % words


def similar_pack(pack: SimilarPack) -> str:
    """Say what became of a past pack, and never pass a simulated one off as seen."""
    about = pack.family if pack.kind is None else f"{pack.family}, {pack.kind}"
    if not pack.same_situation:
        about = _("%(about)s, of another chemistry or with other evidence") % {"about": about}
    held, later = (count_days(d) if d >= 1 else _("less than a day") for d in (pack.days_held, pack.further_days))
    name = _("The invented pack %(name)s") if pack.invented else _("Pack %(name)s")
    said = {
        "returned": _("%(pack)s (%(about)s) had held %(held)s and came back %(later)s later."),
        "replaced": _(
            "%(pack)s (%(about)s) had held %(held)s and was replaced %(later)s later, before the fault came back."
        ),
        "still holding": _(
            "%(pack)s (%(about)s) had held %(held)s and was still holding %(later)s later, when last known."
        ),
    }[pack.became]
    return said % {"pack": name % {"name": pack.pack_id}, "about": about, "held": held, "later": later}


def _good_for(promise: GoodFor) -> str:
    share = (
        _(IN_WORDS[promise.confidence])
        if promise.confidence in IN_WORDS
        else _("%(count)s in 100") % {"count": f"{100 * promise.confidence:.3g}"}
    )
    days = promise.days or 0.0
    if days < 1:
        said = _("It cannot be promised that %(share)s such packs hold even one day.")
        return said % {"share": share[:1].lower() + share[1:]}
    said = (
        _("%(share)s such packs hold at least %(days)s; nothing is claimed beyond that day.")
        if promise.beyond_horizon
        else _("%(share)s such packs hold at least %(days)s.")
    )
    return said % {"share": share, "days": count_days(days)}


def _half_back(point: ReturnDay, horizon_days: float) -> str:
    if point.day is None:
        said = _("More than half still hold on day %(day)s; nothing is claimed beyond that day.")
        return said % {"day": f"{horizon_days:g}"}
    if round(point.day) < 1:
        return _("Half are back within a day.")
    return _("Half are back by about day %(day)s.") % {"day": round(point.day)}


def _until(wait: UntilReplacement, shown: float) -> str:
    """Say what share holds until the replacement comes; `shown` is what the curve has for that day."""
    if not wait.days:
        return _("The replacement pack is here today: there is no wait to bridge.")
    # Rounded down, as a release says it of the same days.
    of_100 = [_whole_of_100(p or 0.0) for p in (wait.hold_probability, wait.band_low, wait.band_high)]
    day = {"day": f"{wait.days:g}"}
    less = less_promised(of_100[0] / 100, shown)
    if less and not of_100[0]:
        none = _("That such a pack holds until the replacement arrives on day %(day)s cannot be promised of 1 in 100.")
        return " ".join([none % day, *less])
    if of_100[1] == of_100[2] == 0:
        return _("Until the replacement pack arrives on day %(day)s, fewer than 1 of 100 such packs holds.") % day
    said = _(
        "Until the replacement pack arrives on day %(day)s, %(hold)s of 100 such packs hold (the model is unsure "
        "between %(low)s and %(high)s)."
    )
    if less:
        said = _(
            "It can be promised of %(hold)s of 100 such packs that they hold until the replacement arrives on day "
            "%(day)s (the model is unsure between %(low)s and %(high)s)."
        )
    return " ".join([said % {**day, "hold": of_100[0], "low": of_100[1], "high": of_100[2]}, *less])


def less_promised(promised: float, shown: float) -> list[str]:
    """Say where less is promised than the curve beside it shows, and which of the two to go by.

    Parameters
    ----------
    promised, shown : float
        Shares that hold until the same day. By one in a hundred rounding alone sets them apart.
    """
    if _whole_of_100(shown) - _whole_of_100(promised) <= 1:
        return []
    said = _("The curve shows %(shown)s of 100 by then; the promise is made safer than the curve: go by the promise.")
    return [said % {"shown": _whole_of_100(shown)}]


def _whole_of_100(share: float) -> int:
    return math.floor(100 * share + 1e-9)


def _kind(kinds: dict[str, float], *, told: bool) -> str:
    kind, probability = max(kinds.items(), key=lambda item: item[1])
    if not told:
        said = _(
            "Without a usable reading under load the kind of weakness cannot be told; it looks most like %(kind)s."
        )
        return said % {"kind": kind_words()[kind]}
    said = (
        _("The kind of weakness is not clear; the likeliest is %(kind)s, %(chance)s in 100.")
        if probability < LIKELY_KIND
        else _("The likely weakness is %(kind)s, %(chance)s in 100.")
    )
    return said % {"kind": kind_words()[kind], "chance": round(100 * probability)}
