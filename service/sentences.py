"""A forecast in plain sentences: the one generator behind REST, the command line and the pages."""

from __future__ import annotations

import math
from typing import Final

from service.forecasts.schemas import ForecastFigures, GoodFor, ReturnDay, UntilReplacement

IN_WORDS: Final = {0.8: "Eight in ten", 0.9: "Nine in ten", 0.95: "Nineteen in twenty"}
USUAL_CONFIDENCE: Final = 0.9
KIND_WORDS: Final = {
    "leak": "a block that loses charge by itself (leak)",
    "fade": "a block that has lost capacity (fade)",
    "neglect": "a block that only fell behind, with no defect (neglect)",
    "joint": "a bad joint or sense lead, which a top-up does not cure (joint)",
}
LIKELY_KIND: Final = 0.5
"""Below this probability no kind is called likely: the odds are against it."""


def sentences_of(figures: ForecastFigures) -> list[str]:
    """Say a forecast in plain words.

    Days are whole in speech, and a promise is rounded down so that no sentence says more than its figure.
    """
    sentences = []
    if figures.days_held >= 1:
        sentences.append(f"The top-up has already held {count_days(figures.days_held)}; all days here count from now.")
    sentences.append(_good_for(main_promise(figures)))
    sentences += [_half_back(point, figures.horizon_days) for point in figures.return_days if point.returned == 0.5]
    if figures.until_replacement is not None:
        sentences.append(_until(figures.until_replacement))
    if figures.kinds:
        sentences.append(_kind(figures.kinds))
    return sentences


def main_promise(figures: ForecastFigures) -> GoodFor:
    """Return the good-for figure to say first: the one at 90 %, or else the first that was asked for."""
    usual = [promise for promise in figures.good_for if promise.confidence == USUAL_CONFIDENCE]
    return (usual or figures.good_for)[0]


def count_days(days: float) -> str:
    """Write whole days, rounded down: ``6.9`` as ``6 days``."""
    whole = math.floor(days)
    return f"{whole} day" if whole == 1 else f"{whole} days"


def promised(days: float) -> str:
    """Write the days of a promise to one decimal, rounded down: it must not grow in print."""
    # A whole number of tenths must survive its binary form: 2.3 is not 2.2.
    return f"{math.floor(round(10 * days, 9)) / 10:.1f}"


def _good_for(promise: GoodFor) -> str:
    share = IN_WORDS.get(promise.confidence, f"{100 * promise.confidence:.3g} in 100")
    if promise.days < 1:
        return f"{share} such packs cannot be promised to hold even one day."
    ending = "; nothing is claimed beyond that day" if promise.beyond_horizon else ""
    return f"{share} such packs hold at least {count_days(promise.days)}{ending}."


def _half_back(point: ReturnDay, horizon_days: float) -> str:
    if point.day is None:
        return f"More than half still hold on day {horizon_days:g}; nothing is claimed beyond that day."
    return f"Half are back by about day {round(point.day)}."


def _until(wait: UntilReplacement) -> str:
    of_100 = [round(100 * p) for p in (wait.hold_probability, wait.band_low, wait.band_high)]
    return (
        f"Until the replacement pack arrives on day {wait.days:g}, {of_100[0]} of 100 such packs hold "
        f"(the model is unsure between {of_100[1]} and {of_100[2]})."
    )


def _kind(kinds: dict[str, float]) -> str:
    kind, probability = max(kinds.items(), key=lambda item: item[1])
    words = KIND_WORDS[kind]
    if probability < LIKELY_KIND:
        return f"The kind of weakness is not clear; the likeliest is {words}, {round(100 * probability)} in 100."
    return f"The likely weakness is {words}, {round(100 * probability)} in 100."
