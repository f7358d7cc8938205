"""The priors of the simulated packs: one law each, with its unit, its meaning and how it is known."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from models.physics.pack_state import FloatArray

Law = Literal["lognormal", "uniform", "normal", "exponential", "gamma"]
Mark = Literal["invented", "from memory, unverified", "common practice, no source", "derived"]

_WORDS: Final[Mapping[Law, str]] = {
    "lognormal": "lognormal, median {a:g}, standard deviation of the logarithm {b:g}",
    "uniform": "uniform from {a:g} to {b:g}",
    "normal": "normal, mean {a:g}, standard deviation {b:g}",
    "exponential": "exponential, mean {a:g}",
    "gamma": "gamma, shape {a:g}, scale {b:g}",
}


@dataclass(frozen=True)
class Prior:
    """How one quantity varies from pack to pack, or from block to block.

    Attributes
    ----------
    a, b : float
        Parameters of the law: median and standard deviation of the logarithm; ends; mean and standard deviation;
        mean (and nothing); shape and scale.
    unit : str
        "1" for none.
    mark : str
        How it is known.
    because : str
        Why these numbers, or their source.
    low, high : float
        Draws beyond these are set to them.
    """

    law: Law
    a: float
    b: float
    unit: str
    meaning: str
    mark: Mark = "invented"
    because: str = ""
    low: float = -np.inf
    high: float = np.inf

    def draw(self, rng: np.random.Generator, *shape: int) -> FloatArray:
        """Draw an array of this shape, single precision."""
        if self.law == "lognormal":
            values = self.a * np.exp(self.b * rng.standard_normal(shape))
        elif self.law == "uniform":
            values = rng.uniform(self.a, self.b, shape)
        elif self.law == "normal":
            values = self.a + self.b * rng.standard_normal(shape)
        elif self.law == "exponential":
            values = rng.exponential(self.a, shape)
        else:
            values = rng.gamma(self.a, self.b, shape)
        return np.clip(values, self.low, self.high).astype(np.float32)

    def in_words(self) -> str:
        """Write the law out."""
        words = _WORDS[self.law].format(a=self.a, b=self.b)
        if np.isfinite(self.low) or np.isfinite(self.high):
            words += f", cut to {self.low:g} to {self.high:g}"
        return words


_TUNED: Final = (
    "so that leak and fade, topped up level and on the right block, are mostly back within one to four weeks "
    "(trade rule of thumb: common practice, no source)"
)

PRIORS: Final[Mapping[str, Prior]] = {
    # The pack and its vehicle
    "age_years": Prior("gamma", 6.0, 1.5, "years", "age of a pack that comes in", low=1.5, high=20.0),
    "km_per_year": Prior("lognormal", 15_000.0, 0.35, "km/year", "kilometres behind the pack for each year of age"),
    "km_per_day": Prior("lognormal", 38.0, 0.5, "km/day", "kilometres of a working day, before the place's own factor"),
    "style": Prior("lognormal", 1.0, 0.14, "1", "driving style: multiplies swing and peak current"),
    "weekend_share": Prior("uniform", 0.3, 1.2, "1", "weekend kilometres, of those that drive then (65 in 100)"),
    "parking_days": Prior("uniform", 5.0, 25.0, "days", "length of a parking spell (12 in 100 have one)"),
    "parking_start": Prior("uniform", 2.0, 60.0, "days", "day on which that spell begins"),
    "warmth_c": Prior("uniform", 0.0, 4.0, "K", "how much warmer than outside it is parked"),
    # Sound blocks
    "block_capacity": Prior("lognormal", 1.0, 0.02, "1", "capacity of a sound block relative to its pack"),
    "block_charge": Prior(
        "normal", 0.0, 0.018, "share", "charge of a sound block relative to level, of rated capacity"
    ),
    "block_resistance": Prior("lognormal", 1.0, 0.05, "1", "resistance of a sound block relative to its pack"),
    "block_leak": Prior("lognormal", 1.0, 0.12, "1", "self-discharge of a sound block relative to the family's"),
    "block_joint": Prior("lognormal", 0.02, 0.5, "mΩ", "joint resistance of a sound block, per cell"),
    "pack_health": Prior("normal", 0.0, 0.03, "share", "capacity of a pack beyond a loss of 1.3% a year"),
    "centre_error": Prior("normal", 0.0, 0.02, "share", "error of the controller's state of charge"),
    "limit_factor": Prior("lognormal", 1.0, 0.04, "1", "a controller's spread limits relative to its family's"),
    "wander": Prior("lognormal", 0.004, 0.4, "share/√day", "unexplained daily change of a block, of rated capacity"),
    "clogged": Prior("uniform", 0.3, 0.95, "share", "cooling lost to a clogged filter (25 in 100 have one)"),
    "clean": Prior("uniform", 0.0, 0.2, "share", "cooling lost to a clean filter"),
    # The weakness
    "leak": Prior(
        "lognormal", 0.065, 0.42, "share/day", "leak of a weak block at 25 °C", because=_TUNED, low=0.012, high=0.25
    ),
    "leak_growth": Prior("exponential", 0.004, 0.0, "1/day", "relative growth of that leak"),
    "second_leak": Prior("uniform", 0.3, 0.9, "1", "leak of a second weak block relative to the first"),
    "fade": Prior("uniform", 0.6, 0.74, "1", "capacity left in a faded block", because=_TUNED),
    "fade_resistance": Prior("uniform", 1.0, 1.1, "1", "resistance of a faded block relative to a sound one"),
    "fade_loss": Prior("lognormal", 0.009, 0.2, "Ah/Ah", "charge a faded block loses per Ah cycled", because=_TUNED),
    "fade_leak": Prior("lognormal", 0.006, 0.3, "share/day", "extra leak of a faded block at 25 °C"),
    "neglect_leak": Prior(
        "lognormal",
        0.001,
        0.6,
        "share/day",
        "extra leak behind an imbalance without a defect",
        because="so that it is rarely back within two months (common practice, no source)",
    ),
    "joint_excess": Prior("uniform", 1.03, 1.8, "1", "resistance of a bad joint relative to the one that trips"),
    "overshoot": Prior("uniform", 1.0, 1.2, "1", "spread at the first fault relative to the limit"),
}
"""All of them, by name."""

FIXED: Final[tuple[tuple[str, str, Mark | str], ...]] = (
    ("resistance", "7% a year", "from memory, unverified: 1.5 to 2.5 times new at the end of life"),
    ("capacity when new", "5.995 of 6.5 Ah", "NREL ADVISOR ESS_NIMH6, five discharges"),
    ("capacity", "1.3% lost a year", "invented"),
    (
        "sound self-discharge",
        "4% more a year",
        "invented; older packs are said to lose faster (an instrument maker's manual)",
    ),
    ("a faded block", "loses 0.08% of its capacity a day", "invented"),
    ("a bad joint", "grows by 0.2% a day", "invented"),
)
"""What does not vary: quantity, value, how it is known."""
