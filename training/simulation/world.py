"""Worlds: the laws behind a cohort, drawn themselves, since nobody knows which of them a workshop lives in.

A world is a set of numbers (medians, spreads, shares) and of switches (how things work at all). The usual world is
one of them: the one that `training.simulation.priors` describes.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from models.base.errors import BadInput
from models.physics.pack_state import CENTRE_MEMORY, CENTRE_SD, MONITOR_RUNS, SEVERITY_SD, FloatArray
from models.physics.self_discharge import FRESH_FACTOR
from training.simulation.priors import PRIORS, Mark, Prior

COMMON: Final[Mark] = "common practice, no source"
MEMORY: Final[Mark] = "from memory, unverified"


@dataclass(frozen=True)
class Number:
    """A number that worlds differ in.

    Attributes
    ----------
    usual : float
        What it is in the usual world.
    prior : Prior
        How it varies from world to world; its unit, its meaning and how it is known.
    """

    usual: float
    prior: Prior


@dataclass(frozen=True)
class Switch:
    """A way of working that worlds differ in.

    Attributes
    ----------
    usual : str
        The way of the usual world.
    shares : mapping of str to float
        Each way with its share among worlds.
    """

    usual: str
    shares: Mapping[str, float]
    meaning: str
    mark: Mark = "invented"


def _spread(a: float, sd: float, unit: str, meaning: str, mark: Mark = "invented", because: str = "") -> Number:
    return Number(a, Prior("lognormal", a, sd, unit, meaning, mark, because))


def _between(usual: float, a: float, b: float, unit: str, meaning: str, mark: Mark = "invented") -> Number:
    return Number(usual, Prior("uniform", a, b, unit, meaning, mark))


def _around(usual: float, sd: float, unit: str, meaning: str) -> Number:
    return Number(usual, Prior("normal", usual, sd, unit, meaning))


CONDITION_WEIGHTS: Final[Mapping[str, float]] = {
    "leak": 0.42,
    "fade": 0.20,
    "neglect": 0.16,
    "joint": 0.10,
    "leak and fade": 0.05,
    "two leaks": 0.04,
    "shorted cell": 0.015,
    "healthy": 0.015,
    "dry-out": 0.0,
}
"""What is really the matter, and how often among packs that come in, in the usual world. Invented."""

NUMBERS: Final[Mapping[str, Number]] = {
    # What is the matter, as weights: in a drawn world each is multiplied by its own factor.
    **{
        f"weight of {name}": _spread(max(weight, 0.001), 0.9, "1", f"weight of {name} among packs that come in")
        for name, weight in CONDITION_WEIGHTS.items()
        if name != "dry-out"
    },
    "weight of dry-out": Number(0.0, Prior("lognormal", 0.08, 0.8, "1", "weight of dry-out among packs that come in")),
    # How fast
    "pace": Number(
        1.0,
        Prior(
            "lognormal",
            0.2,
            1.1,
            "1",
            "multiplies everything that takes charge from a weak block",
            because="with what sick cells, short charges and other monitors take off it, medians of the "
            "return day from a few days to a couple of months; the trade's rule of thumb of one to two weeks is "
            "the middle (common practice, no source)",
            low=0.01,
            high=5.0,
        ),
    ),
    "leak": _spread(PRIORS["leak"].a, 0.35, "share/day", "median leak of a weak block at 25 °C"),
    "leak sd": _between(PRIORS["leak"].b, 0.25, 1.0, "1", "standard deviation of the logarithm of that leak"),
    "leak growth": _spread(PRIORS["leak_growth"].a, 1.0, "1/day", "mean relative growth of a growing leak"),
    "fade low": _between(PRIORS["fade"].a, 0.35, 0.65, "1", "least capacity left in a faded block"),
    "fade width": _between(PRIORS["fade"].b - PRIORS["fade"].a, 0.08, 0.3, "1", "range of that capacity above it"),
    "fade loss": _spread(PRIORS["fade_loss"].a, 0.6, "Ah/Ah", "charge a faded block loses per Ah cycled"),
    "fade leak": _spread(PRIORS["fade_leak"].a, 0.6, "share/day", "extra leak of a faded block at 25 °C"),
    "fade resistance": _between(PRIORS["fade_resistance"].b, 1.0, 1.4, "1", "most resistance of a faded block"),
    "neglect leak": _spread(PRIORS["neglect_leak"].a, 0.8, "share/day", "extra leak behind neglect"),
    "joint growth": _spread(0.002, 1.0, "1/day", "growth of a bad joint"),
    "dry-out growth": _spread(0.003, 1.0, "1/day", "growth of the resistance of a dried-out block"),
    "age with leak": Number(0.0, Prior("normal", 0.0, 0.5, "1", "how a leak goes with the pack's age, on logarithms")),
    "leak with resistance": Number(
        0.0, Prior("uniform", 0.0, 0.15, "1", "how a block's resistance rises with its leak, on logarithms")
    ),
    "sick share": _between(1.0, 0.1, 0.6, "1", "share of a block's cells that are sick, where some are"),
    "more weak": _between(0.0, 0.2, 1.2, "1", "mean number of further weak blocks, where there are several"),
    "jump rate": _spread(0.02, 1.0, "1/day", "chance of a day that an unsteady leak changes"),
    "leak change": _between(
        0.0, 0.0, 1.0, "1", "how a topping charge changes the block's leak, standard deviation of its logarithm"
    ),
    "other cause": Number(
        0.0,
        Prior(
            "lognormal",
            0.001,
            1.0,
            "1/day",
            "rate of codes that no weak block brings: a corroded sense lead, a connector",
            MEMORY,
            high=0.02,
        ),
    ),
    "mended joints": _between(0.0, 0.3, 0.9, "share", "joints mended by opening the pack, where that mends"),
    # Physics
    "leak energy": _between(
        0.0, -0.07, 0.1, "eV", "activation energy of self-discharge beyond the family's", "derived"
    ),
    "short energy": _between(0.0, 0.0, 0.1, "eV", "activation energy of a soft short: hardly any", MEMORY),
    "charge order": _between(0.0, 0.5, 3.5, "1", "how self-discharge rises with charge, where it does", MEMORY),
    "sound leak": _spread(1.0, 0.4, "1", "self-discharge of sound blocks relative to the family's"),
    "fresh": _between(FRESH_FACTOR, 1.0, 4.0, "1", "self-discharge just after charge, relative to later"),
    "hysteresis": _spread(1.0, 0.4, "1", "offset left by a topping charge relative to the family's"),
    "hysteresis use": _spread(1.0, 0.6, "1", "charge cycled over which it fades relative to the usual"),
    "hysteresis relaxation": _between(0.0, 0.1, 1.0, "1/day", "rate at which it dies away at rest, where it does"),
    "curve slope": _spread(1.0, 0.25, "1", "slope of the open-circuit curve relative to the family's"),
    "resistance per year": _between(0.07, 0.02, 0.15, "1/year", "growth of resistance with age", MEMORY),
    "block capacity sd": _spread(0.02, 0.5, "1", "spread of capacity among sound blocks, on logarithms"),
    "block charge sd": _spread(0.018, 0.5, "share", "spread of charge among sound blocks"),
    "block resistance sd": _spread(0.05, 0.5, "1", "spread of resistance among sound blocks, on logarithms"),
    "wander": _spread(PRIORS["wander"].a, 1.0, "share/√day", "unexplained daily change of a block"),
    # Controller and monitor
    "limit": _spread(1.0, 0.15, "1", "spread limits relative to the family's"),
    "limit sd": _between(PRIORS["limit_factor"].b, 0.01, 0.15, "1", "spread of limits among packs, on logarithms"),
    "sound spread": _between(100.0, 0.1, 0.45, "1", "most spread of a sound pack on a hard trip relative to the limit"),
    "centre shift": Number(0.0, Prior("normal", 0.0, 0.04, "share", "how far controllers' centre lies off")),
    "centre sd": _spread(CENTRE_SD, 0.5, "share", "wander of that centre"),
    "centre memory": _between(CENTRE_MEMORY, 0.5, 0.97, "1", "its day-to-day correlation"),
    "monitor runs": _between(MONITOR_RUNS, 0.1, 1.0, "share", "driving cycles in which the monitor runs"),
    "severity sd": _between(SEVERITY_SD, 0.08, 0.35, "1", "spread of the severity of trips, on logarithms"),
    "overshoot": _between(
        PRIORS["overshoot"].b, 1.02, 1.5, "1", "most spread at the first fault relative to the limit"
    ),
    # Meters
    "meter noise": _spread(1.0, 0.7, "1", "noise of readings relative to the usual"),
    "meter rounding": _spread(1.0, 0.5, "1", "rounding of readings relative to the usual"),
    "channel sd": _spread(0.012, 0.6, "V", "fixed error of a channel of a 12-cell block, where channels differ"),
    "lead drop": _between(0.0, 0.0, 0.15, "V", "drop over the charger's leads noted with the end voltage"),
    "charge noted sd": _spread(0.05, 0.8, "1", "error of the charge noted, on logarithms"),
    "charge noted bias": _spread(1.0, 0.15, "1", "charge noted relative to that put in"),
    "notes missing": _spread(1.0, 0.6, "1", "share of figures left out relative to the usual"),
    # Habits
    "dose": _spread(1.0, 0.35, "1", "charge put in relative to the usual"),
    "fullest": _between(0.0, 0.0, 0.06, "share", "how far above the controller's window blocks are charged", COMMON),
    "recheck": _between(0.5, 0.0, 0.9, "share", "packs that are looked at again"),
    "thin": _between(0.12, 0.0, 0.5, "share", "records kept to the minimum"),
    "wrong block": Number(0.015, Prior("lognormal", 0.03, 1.0, "share", "top-ups to a neighbour", high=0.3)),
    "orders": _between(0.65, 0.2, 0.9, "share", "cases for which a pack is ordered"),
    "lead time": _spread(14.0, 0.6, "days", "median delivery time"),
    "lost": _spread(0.0012, 1.0, "1/day", "rate at which contact is lost"),
    "repeat": _between(0.6, 0.2, 0.95, "share", "returned packs topped up once more"),
    "telematics": _between(0.15, 0.0, 0.4, "share", "packs that report under load"),
    "settle": _between(0.0, 0.05, 0.35, "V", "how much a 12-cell block reads high when read soon after its charge"),
    # Drive and climate
    "km": _spread(1.0, 0.4, "1", "kilometres relative to the place's"),
    "km sd": _between(PRIORS["km_per_day"].b, 0.25, 0.8, "1", "spread of kilometres among vehicles, on logarithms"),
    "style": _spread(1.0, 0.1, "1", "driving style"),
    "warmer": Number(0.0, Prior("normal", 0.0, 5.0, "K", "how much warmer the places are", low=-8, high=9)),
    "season": _spread(1.0, 0.35, "1", "swing of the year relative to the places'"),
    "age": _spread(1.0, 0.25, "1", "age of packs relative to the usual"),
}
"""Every number of a world."""

SWITCHES: Final[Mapping[str, Switch]] = {
    "cells": Switch(
        "all",
        {"all": 0.3, "some": 0.2, "one": 0.3, "mixed": 0.2},
        "which cells of a weak block are sick: one alone hardly shows at rest and collapses under load",
        "derived",
    ),
    "onset": Switch(
        "set", {"set": 0.5, "grown": 0.5}, "set to the fault, or grown until the monitor confirmed it", "invented"
    ),
    "leak": Switch(
        "side reaction",
        {"side reaction": 0.35, "soft short": 0.35, "mixed": 0.3},
        "share of what is left, faster when warm; or ampere-hours a day, hardly faster",
        MEMORY,
    ),
    "course": Switch(
        "growing",
        {"steady": 0.25, "growing": 0.25, "jumping": 0.15, "healing": 0.1, "stalling": 0.1, "mixed": 0.15},
        "how a leak goes on",
    ),
    "charge": Switch(
        "alike", {"alike": 0.5, "rising": 0.5}, "whether self-discharge rises with charge, beyond its share", MEMORY
    ),
    "hysteresis": Switch(
        "use", {"use": 0.5, "rest": 0.5}, "what makes a topping charge's offset fade: use, or time too"
    ),
    "spread": Switch(
        "mean", {"mean": 0.45, "median": 0.3, "extremes": 0.25}, "what the monitor holds the lowest block against"
    ),
    "detections": Switch("two", {"one": 0.2, "two": 0.6, "three": 0.2}, "trips with a detection that confirm a code"),
    "pending": Switch("erased", {"erased": 0.7, "kept": 0.3}, "what a clean trip does to a pending code"),
    "enable": Switch("always", {"always": 0.6, "warm": 0.2, "long trips": 0.2}, "when the monitor runs"),
    "weak blocks": Switch("one", {"one": 0.5, "several": 0.5}, "whether more blocks than one are weak"),
    "joints": Switch("stay", {"stay": 0.5, "mended": 0.5}, "what opening the pack does to a bad joint", COMMON),
    "replacement": Switch(
        "worst first",
        {"worst first": 0.4, "by arrival": 0.35, "never": 0.25},
        "whose turn it is when a pack has come",
    ),
    "rest reading": Switch("settled", {"settled": 0.5, "soon": 0.5}, "when the topped block is read at rest", COMMON),
    "channels": Switch("alike", {"alike": 0.5, "apart": 0.5}, "whether channels have errors of their own"),
    "charging": Switch(
        "all three",
        {"all three": 0.4, "until level": 0.2, "by dose": 0.2, "to an end voltage": 0.2},
        "how it is decided when to stop a topping charge",
        COMMON,
    ),
}
"""Every switch of a world."""

USUAL: Final = "usual"

MIXED: Final = "mixed"
"""Way of a switch under which packs of one world differ in it."""


@dataclass(frozen=True)
class World:
    """The laws behind a cohort.

    Attributes
    ----------
    numbers : mapping of str to float
        One for each of `NUMBERS`.
    switches : mapping of str to str
        One for each of `SWITCHES`.
    """

    name: str
    numbers: Mapping[str, float]
    switches: Mapping[str, str]

    def __post_init__(self) -> None:
        if set(self.numbers) != set(NUMBERS) or set(self.switches) != set(SWITCHES):
            raise BadInput.one("world", "lacks numbers or switches, or has others.", "Give each of them once.")
        for name, value in self.switches.items():
            require_way(name, value)

    def shares(self) -> dict[str, float]:
        """Share of each condition among packs that come in."""
        weights = {name: self.numbers[f"weight of {name}"] for name in CONDITION_WEIGHTS}
        total = sum(weights.values())
        return {name: weight / total for name, weight in weights.items()}


def require_way(switch: str, way: str) -> None:
    """Refuse a switch, or a way of it, that is not known."""
    if switch not in SWITCHES:
        raise BadInput.one("switch", f"'{switch}' is no switch of a world.", f"Choose one of {', '.join(SWITCHES)}.")
    if way not in SWITCHES[switch].shares:
        known = ", ".join(SWITCHES[switch].shares)
        raise BadInput.one(f"switch {switch}", f"'{way}' is none of its ways.", f"Choose one of {known}.")


USUAL_WORLD: Final = World(
    USUAL,
    {name: number.usual for name, number in NUMBERS.items()}
    | {f"weight of {k}": w for k, w in CONDITION_WEIGHTS.items()},
    {name: switch.usual for name, switch in SWITCHES.items()},
)
"""The world of `training.simulation.priors`."""

Ways = Mapping[str, Collection[str]]


def draw_world(
    rng: np.random.Generator, *, name: str = "drawn", only: Ways | None = None, without: Ways | None = None
) -> World:
    """Draw a world.

    Parameters
    ----------
    only, without : mapping of str to collection of str, optional
        Ways of a switch that alone may come up, or may not; for choices judged on switches left out.

    Returns
    -------
    World
        The same draws of everything else, whatever `only` and `without` say.

    Raises
    ------
    BadInput
        If a switch or way is not known, or no way of a switch is left.
    """
    only, without = only or {}, without or {}
    for asked in (only, without):
        for switch, ways in asked.items():
            for way in ways:
                require_way(switch, way)
    numbers = {key: float(number.prior.draw(rng, 1)[0]) for key, number in NUMBERS.items()}
    switches = {}
    for key, choice in SWITCHES.items():
        u = rng.random()
        left = {
            way: share
            for way, share in choice.shares.items()
            if (key not in only or way in only[key]) and way not in without.get(key, ())
        }
        if not left:
            raise BadInput.one(f"switch {key}", "has no way left to draw.", "Leave at least one of them.")
        bounds = np.cumsum(list(left.values()))
        switches[key] = list(left)[int(min(np.searchsorted(bounds, u * bounds[-1], side="right"), len(left) - 1))]
    return World(name, numbers, switches)


def halves_of_ways(rng: np.random.Generator) -> tuple[Ways, Ways]:
    """Part the ways of every switch in two, at random, mixtures left out; for choices judged on ways not met before."""
    one: dict[str, list[str]] = {}
    other: dict[str, list[str]] = {}
    for name, switch in SWITCHES.items():
        ways = [way for way in switch.shares if way != MIXED]
        rng.shuffle(ways)
        half = min((len(ways) + int(rng.integers(0, 2))) // 2, len(ways) - 1)
        one[name], other[name] = ways[:half], ways[half:]
    return one, other


def draw_worlds(count: int, seed: int, *, only: Ways | None = None, without: Ways | None = None) -> tuple[World, ...]:
    """Draw some worlds; each has its own seed, so that more of them leave the first ones as they are."""
    return _drawn(count, seed, _fixed(only), _fixed(without))


_Fixed = tuple[tuple[str, tuple[str, ...]], ...]


def _fixed(ways: Ways | None) -> _Fixed:
    return tuple(sorted((switch, tuple(sorted(some))) for switch, some in (ways or {}).items()))


@lru_cache(maxsize=16)
def _drawn(count: int, seed: int, only: _Fixed, without: _Fixed) -> tuple[World, ...]:
    """Draw worlds once for all cells of a plan."""
    return tuple(
        draw_world(
            np.random.Generator(np.random.SFC64(np.random.SeedSequence([seed, index, 77]))),
            name=f"world {index}",
            only=dict(only),
            without=dict(without),
        )
        for index in range(count)
    )


def worlds_table(worlds: Sequence[World]) -> pd.DataFrame:
    """Lay worlds out as a table, one row each: ``world`` (from 0), ``name``, switches, numbers, conditions' shares."""
    return pd.DataFrame(
        [
            {"world": index, "name": world.name}
            | {f"switch {key}": way for key, way in world.switches.items()}
            | dict(world.numbers)
            | {f"share of {key}": share for key, share in world.shares().items()}
            for index, world in enumerate(worlds)
        ]
    )


class PackLaws:
    """The laws of n packs, each of its own world.

    Parameters
    ----------
    world : int array, shape (n,)
        Which of them each pack belongs to.
    """

    def __init__(self, worlds: Sequence[World], world: NDArray[np.intp]) -> None:
        self.worlds, self.world = worlds, world

    @classmethod
    def usual(cls, packs: int) -> PackLaws:
        """Put packs into the usual world."""
        return cls((USUAL_WORLD,), np.zeros(packs, dtype=np.intp))

    def take(self, rows: NDArray[np.intp]) -> PackLaws:
        """Return the laws of some packs."""
        return PackLaws(self.worlds, self.world[rows])

    def number(self, name: str) -> FloatArray:
        """Return a number of each pack's world, shape (n,)."""
        return np.array([w.numbers[name] for w in self.worlds], dtype=np.float32)[self.world]

    def way(self, switch: str) -> NDArray[np.object_]:
        """Return the way of a switch in each pack's world, shape (n,)."""
        return np.array([w.switches[switch] for w in self.worlds], dtype=object)[self.world]

    def conditions(self, rng: np.random.Generator) -> NDArray[np.object_]:
        """Draw what is the matter with each pack, shape (n,)."""
        names = np.array(list(CONDITION_WEIGHTS), dtype=object)
        bounds = np.cumsum([list(w.shares().values()) for w in self.worlds], axis=1)[self.world]
        place = (bounds < rng.random(len(self.world))[:, None]).sum(axis=1)
        return np.asarray(names[np.minimum(place, len(names) - 1)])
