"""Units of a file's volts, amperes and degrees, the sign of its current, and modules that make up a block."""

from __future__ import annotations

import re
from statistics import median
from typing import Any, Final

import numpy as np

from service.exchange.imports.columns import unit_of
from service.exchange.imports.guess_columns import LEAST_BLOCK_V, SURE, ColumnGuess
from service.exchange.imports.questions import Questions
from service.exchange.imports.sample import Sample

REST_A: Final = 0.5
"""Below this current a pack rests. Derived: a block of 20 mΩ moves by 10 mV, which is what its meters resolve."""

MILLIVOLTS_FROM: Final = 250.0
"""No block reads above 250 V (`models.packs.history.MAX_BLOCK_V`)."""


LEAST_MOHM: Final = 0.5
"""No block has less: two cells in series of the largest hybrid packs have about 1 mΩ. From memory, unverified."""

MOST_SPREAD_V: Final = 20.0
"""A spread above this is surely in millivolts: a block of twelve cells reads at most 18 V (derived: 1.5 V a cell)."""

WHOLE_SOC: Final = 1.0
"""A column of which nothing is above it tells the state of charge as a share."""


class UnitGuess:
    """Units of the columns; what the mapping says of them goes into `content`."""

    def __init__(self, sample: Sample, columns: ColumnGuess, questions: Questions, content: dict[str, Any]) -> None:
        self.sample, self.columns, self.questions, self.content = sample, columns, questions, content
        self._volts()
        self._ohms()
        self._other_units()

    def of(self, heading: str) -> str:
        """Return the unit of a column; empty if it has none, or it is not known."""
        named = unit_of(heading)
        if self.columns.use[heading].startswith("resistance"):
            return self.ohm_unit
        if self.columns.use[heading].startswith("block") and self.columns.use[heading] != "block":
            return named or self.volt_unit
        return named

    def _volts(self) -> None:
        headings = [self.columns.long[1]] if self.columns.long is not None else self.columns.blocks
        named = [unit_of(heading) for heading in headings]
        volts = np.concatenate([self.sample.numbers(heading) for heading in headings])
        middle = float(np.nanmedian(np.abs(volts)))
        self.volt_unit = "mV" if middle > MILLIVOLTS_FROM else "V"
        scale = {"V": 1.0, "mV": 1000.0, "": 1.0}
        # A heading that says V above values of thousands, or mV above values of thirteen, says nothing.
        contrary = [
            heading
            for heading, unit in zip(headings, named, strict=True)
            if unit and not LEAST_BLOCK_V <= self._usual(heading) / scale[unit] <= MILLIVOLTS_FROM
        ]
        if contrary:
            values = ", ".join(self.sample.filled(contrary[0])[:2])
            said = f"The heading {contrary[0]!r} and its values ({values}) disagree."
            given = self.questions.ask("units.block_v", f"{said} Are they volts or millivolts?", "", ("V", "mV"))
            self.volt_unit = given or self.volt_unit
            named = [""] * len(named)
        units = [unit or self.volt_unit for unit in named]
        if len(set(units)) > 1:
            self.content["block_units"] = units
        elif units[0] != "V":
            self.content.setdefault("units", {})["block_v"] = units[0]
        self._modules(len(self.columns.blocks))

    def _ohms(self) -> None:
        """Tell the unit of resistances; one for all of them."""
        self.ohm_unit = ""
        headings = self.columns.resistances or [h for h in (self.columns.long or ())[2:] if h]
        if not headings:
            return
        values = np.concatenate([self.sample.numbers(heading) for heading in headings])
        middle = float(np.nanmedian(values)) if np.isfinite(values).any() else np.nan
        named = {unit_of(heading) for heading in headings}
        self.ohm_unit = "Ohm" if middle < LEAST_MOHM else "mOhm"
        if named != {self.ohm_unit} and not np.isnan(middle):
            told = f"Is {headings[0]!r} ({', '.join(self.sample.filled(headings[0])[:2])}) in ohms or milliohms?"
            suggested = self.ohm_unit if named == {""} else ""
            self.ohm_unit = (
                self.questions.ask("units.resistance_mohm", told, suggested, ("mOhm", "Ohm")) or self.ohm_unit
            )
        if self.ohm_unit == "Ohm":
            self.content.setdefault("units", {})["resistance_mohm"] = "Ohm"

    def _usual(self, heading: str) -> float:
        """Return the median of a column's numbers without their sign; 1 where it holds nothing."""
        return float(np.nanmedian(np.abs(self.sample.numbers(heading)))) if self.sample.filled(heading) else 1.0

    def _modules(self, count: int) -> None:
        heading = self.columns.long[0] if self.columns.long is not None else self.columns.blocks[0]
        of_pack = self.columns.blocks_of_pack
        if of_pack is not None and count != of_pack and count % of_pack == 0:
            parts = count // of_pack
            told = f"The file has {count} voltages, the pack {of_pack} blocks."
            given = self.questions.ask(
                "modules_per_block", f"{told} How many in a row make one block, so that they are added?", str(parts)
            )
        elif of_pack is None and re.search(r"modul|cell|zelle", heading, re.I):
            told = f"The columns are called {heading!r} and so on."
            given = self.questions.ask(
                "modules_per_block", f"{told} How many of them in a row make one block of the pack? Often 1 or 2."
            )
        else:
            given = self.questions.answers.get("modules_per_block")
        if given is not None and given.isdecimal() and int(given) > 1:
            self.content["modules_per_block"] = int(given)

    def _other_units(self) -> None:
        units = self.content.setdefault("units", {})
        amps, warm = self.columns.heading("current_a"), self.columns.heading("temperature_c")
        if amps is not None:
            largest = float(np.nanmax(np.abs(self.sample.numbers(amps)), initial=0.0))
            unit = unit_of(amps)
            if not unit and largest > 1_000:
                unit = (
                    self.questions.ask("units.current_a", f"Is {amps!r} in amperes or milliamperes?", "mA", ("A", "mA"))
                    or "mA"
                )
            if unit == "mA":
                units["current_a"] = "mA"
        if warm is not None:
            unit = unit_of(warm)
            known = [n for n in self.sample.numbers(warm) if np.isfinite(n)]
            if not unit and known and median(known) > 45:
                suggested = "K" if median(known) > 200 else "F"
                told = (
                    f"Is {warm!r} ({', '.join(self.sample.filled(warm)[:2])}) in degrees Celsius, Fahrenheit or kelvin?"
                )
                unit = self.questions.ask("units.temperature_c", told, suggested, ("C", "F", "K")) or suggested
            if unit in ("F", "K"):
                units["temperature_c"] = unit

        charge, spread = self.columns.heading("soc_pct"), self.columns.heading("spread_v")
        if charge is not None and 0 < float(np.nanmax(self.sample.numbers(charge), initial=0.0)) <= WHOLE_SOC:
            told = f"Is {charge!r} ({', '.join(self.sample.filled(charge)[:2])}) a share of 1 or in per cent?"
            if self.questions.ask("units.soc_pct", told, "1", ("1", "%")) != "%":
                units["soc_pct"] = "1"
        if spread is not None:
            unit = unit_of(spread)
            if not unit and float(np.nanmax(self.sample.numbers(spread), initial=0.0)) > MOST_SPREAD_V:
                told = f"Is {spread!r} ({', '.join(self.sample.filled(spread)[:2])}) in volts or millivolts?"
                unit = self.questions.ask("units.spread_v", told, "mV", ("V", "mV")) or "mV"
            if unit == "mV":
                units["spread_v"] = "mV"

    def sign(self, amps: str) -> None:
        """Tell whether current that leaves the pack is positive."""
        given, pull = None, self.columns.pull(amps)
        doubtful = abs(pull) <= SURE and bool((np.abs(self.sample.numbers(amps)) >= REST_A).any())
        if doubtful or "discharge" in self.questions.answers:
            told = f"Is current that leaves the pack positive or negative in {amps!r}?"
            given = self.questions.ask("discharge", told, "positive", ("positive", "negative"))
        elif abs(pull) > SURE:
            given = "positive" if pull < 0 else "negative"
        self.content["discharge"] = given or "positive"
