"""A forecast in plain sentences: the one generator behind REST, the command line and the pages."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from models.feature_table import Evidence
from models.similar import SimilarPack
from service.forecasts.schemas import EvidenceEffect, ForecastFigures, GoodFor, ReturnDay, UntilReplacement

IN_WORDS: Final = {0.8: "Eight in ten", 0.9: "Nine in ten", 0.95: "Nineteen in twenty"}
USUAL_CONFIDENCE: Final = 0.9
KIND_WORDS: Final = {
    "leak": "a block that loses charge by itself (leak)",
    "fade": "a block that has lost capacity (fade)",
    "neglect": "a block that only fell behind, with no defect (neglect)",
    "joint": "a bad joint or sense lead, which a top-up does not cure (joint)",
}
MOVER_WORDS: Final[Mapping[Evidence, str]] = {
    "top-up": "What the top-up took",
    "readings before": "What the readings before the charge say",
    "readings after": "What the readings after the charge say",
    "while holding": "What the readings since it drove again say",
    "earlier top-ups": "How earlier top-ups held",
    "planned use": "The planned use",
    "weather": "The temperature",
    "the pack": "What the pack's age and odometer say",
}
MISSING_WORDS: Final[Mapping[Evidence, str]] = {
    "top-up": "What the top-up took is not known: note the charge in Ah, how long it took and the voltage at its end.",
    "readings before": (
        "There is no reading from before the charge: enter one if it was kept; next time read all blocks first."
    ),
    "readings after": (
        "There is no reading from after the charge: read all blocks at rest, and under load, before the car leaves."
    ),
    "while holding": (
        "There is no reading since it drove again: read all blocks at rest, and under load, when it next comes by."
    ),
    "earlier top-ups": (
        "No earlier top-up is recorded: if there were any, enter when, on which block, and when the fault came back."
    ),
    "planned use": "The planned use is not known: ask for kilometres and trips a day, and days on which it will stand.",
    "weather": "The temperature is not known: give the mean expected outside, or that of the pack at rest.",
    "the pack": "Neither age nor odometer of the pack is known: note both.",
}
LEAST_SAID_DAYS: Final = 0.05
"""Effects below this print as 0.0."""
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


def movers(
    effects: Sequence[EvidenceEffect], reference_days: float, mean_days: float, horizon_days: float
) -> list[str]:
    """Say what moves a forecast: where it starts from, then each known kind of evidence, in the order given."""
    start = (
        f"If only the family and the days held were known, such a pack would hold {reference_days:.1f} days on average "
        f"(none counted beyond day {horizon_days:g}); with all that is known it is {mean_days:.1f}."
    )
    return [start] + [_mover(effect) for effect in effects if effect.known]


def _mover(effect: EvidenceEffect) -> str:
    words = MOVER_WORDS[effect.evidence]
    if abs(effect.days) < LEAST_SAID_DAYS:
        return f"{words} hardly moves the forecast."
    return f"{words} {'lengthens' if effect.days > 0 else 'shortens'} the forecast by {abs(effect.days):.1f} days."


def to_measure(effects: Iterable[EvidenceEffect]) -> list[str]:
    """Name the evidence that is missing, and how to come by it."""
    return [MISSING_WORDS[effect.evidence] for effect in effects if not effect.known]


def similar_pack(pack: SimilarPack) -> str:
    """Say what became of a past pack, and never pass a simulated one off as seen."""
    about = pack.family if pack.kind is None else f"{pack.family}, {pack.kind}"
    if not pack.same_situation:
        about += ", of another chemistry or with other evidence"
    held, later = (count_days(d) if d >= 1 else "less than a day" for d in (pack.days_held, pack.further_days))
    end = {
        "returned": f"came back {later} later",
        "replaced": f"was replaced {later} later, the fault not having returned",
        "still holding": f"was still holding {later} later, when last known",
    }[pack.became]
    whose = "The invented pack" if pack.invented else "Pack"
    return f"{whose} {pack.pack_id} ({about}) had held {held} and {end}."


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
