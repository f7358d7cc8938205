"""Units of a file's volts, amperes and degrees, the sign of its current, and modules that make up a block."""

from __future__ import annotations

import re
from statistics import median
from typing import Any, Final

import numpy as np

from service.exchange.imports.columns import unit_of
from service.exchange.imports.guess_columns import SURE, ColumnGuess
from service.exchange.imports.questions import Questions
from service.exchange.imports.sample import Sample

REST_A: Final = 0.5
"""Below this current a pack rests. Derived: a block of 20 mΩ moves by 10 mV, which is what its meters resolve."""

MILLIVOLTS_FROM: Final = 250.0
"""No block reads above 250 V (`models.packs.history.MAX_BLOCK_V`); no block that is alive reads below 0.25 V."""


class UnitGuess:
    """Units of the columns; what the mapping says of them goes into `content`."""

    def __init__(self, sample: Sample, columns: ColumnGuess, questions: Questions, content: dict[str, Any]) -> None:
        self.sample, self.columns, self.questions, self.content = sample, columns, questions, content
        self._volts()
        self._other_units()

    def of(self, heading: str) -> str:
        """Return the unit of a column; empty if it has none, or it is not known."""
        named = unit_of(heading)
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
            if unit and not 0.25 <= self._usual(heading) / scale[unit] <= MILLIVOLTS_FROM
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

    def sign(self, amps: str) -> None:
        """Tell whether current that leaves the pack is positive."""
        given = self.questions.answers.get("discharge")
        if given is None:
            pull = self.columns.pull(amps)
            if abs(pull) > SURE:
                given = "positive" if pull < 0 else "negative"
            elif (np.abs(self.sample.numbers(amps)) >= REST_A).any():
                told = f"Is current that leaves the pack positive or negative in {amps!r}?"
                given = self.questions.ask("discharge", told, "positive", ("positive", "negative"))
        self.content["discharge"] = given or "positive"
