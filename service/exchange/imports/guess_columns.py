"""What each column of a file is taken for, by its heading and by what it holds."""

from __future__ import annotations

import re
from typing import Final

import numpy as np

from models.base.errors import BadInput
from service.exchange.imports.columns import (
    NOTHING,
    meanings_of,
    names_a_block,
    numbered_groups,
    unit_of,
    unused_kind,
)
from service.exchange.imports.long_form import block_name
from service.exchange.imports.questions import Questions
from service.exchange.imports.sample import Sample
from service.exchange.imports.times import TIME_OF_DAY, formats_of

SHOWN_VALUES: Final = 3
MOST_WORDS: Final = 12
"""A column of states holds few different words."""

SURE: Final = 3.0
"""Standard errors by which volts must fall or rise with current before its sign is told by them."""

_DATE: Final = re.compile(r"\d{1,4}[./-]\d{1,2}[./-]\d{1,4}( 00:00:00(\.000)?)?|\d{8}")
"""A date, at midnight if at all."""


class ColumnGuess:
    """What the columns are taken for.

    Attributes
    ----------
    use : dict of str to str
        Meaning of each column: one of `columns.MEANINGS`, or ``block 3``.
    why_unused : dict of str to str
        What a column of no use to a record holds.
    blocks : list of str
        Columns of the blocks, in the pack's order; their names where each has rows of its own.
    long : tuple of str or None
        The columns of block names and of volts, where each block has rows of its own.
    """

    def __init__(self, name: str, sample: Sample, questions: Questions, blocks_of_pack: int | None) -> None:
        self.name, self.sample, self.questions, self.blocks_of_pack = name, sample, questions, blocks_of_pack
        self.use: dict[str, str] = {}
        self.why_unused: dict[str, str] = {}
        self._blocks()
        self._columns()

    def heading(self, meaning: str) -> str | None:
        """Return the column of a meaning, None if there is none."""
        return next((heading for heading, use in self.use.items() if use == meaning), None)

    def _blocks(self) -> None:
        self.long: tuple[str, str] | None = None
        self.blocks: list[str] = []
        numeric = [h for h in self.sample.headings if self.sample.is_numeric(h) or not self.sample.filled(h)]
        groups = numbered_groups([h for h in numeric if f"column: {h}" not in self.questions.answers])
        self.numbered = {heading for _, group in groups for _, heading in group}
        groups = [(likeness, group) for likeness, group in groups if self._are_volts([h for _, h in group])]
        likeliest = [group for likeness, group in groups if likeness == groups[0][0]]
        if not likeliest:
            if not self._long_form():
                raise BadInput.one(
                    self.name,
                    "Nothing in it looks like block voltages: neither numbered columns nor a column of block numbers.",
                    "Give the columns numbered headings, as block 1 to block 14, or write the mapping by hand.",
                )
            return
        group = likeliest[0]
        if len(likeliest) > 1:
            names = {f"{group[0][1]} to {group[-1][1]}": group for group in likeliest}
            fits = [name for name, one in names.items() if len(one) == self.blocks_of_pack]
            told = "Which columns are the block voltages?"
            group = names[
                self.questions.ask("which: blocks", told, "".join(fits[:1]), tuple(names)) or next(iter(names))
            ]
        self.blocks = [heading for _, heading in group]
        self.use |= {heading: f"block {place}" for place, heading in enumerate(self.blocks, start=1)}
        numbers = [number for number, _ in group]
        if numbers != list(range(numbers[0], numbers[0] + len(numbers))) or numbers[0] not in (0, 1):
            told = f"The columns {self.blocks[0]} to {self.blocks[-1]} are not numbered one by one from 0 or 1."
            self.questions.ask("blocks", f"{told} Are they all blocks of the pack, in its own order?", "", ("yes",))

    def _are_volts(self, headings: list[str]) -> bool:
        """Tell whether columns can be block voltages: some value in each, none that no block has."""
        values = np.concatenate([self.sample.numbers(heading) for heading in headings])
        return bool(np.isfinite(values).any()) and float(np.nanmedian(values)) > 0

    def _long_form(self) -> bool:
        for heading in self.sample.headings:
            names = [block_name(text) for text in self.sample.texts[heading] if text]
            distinct = sorted(set(names), key=lambda name: (len(name), name))
            if not names_a_block(heading) or len(distinct) < 2 or unit_of(heading):
                continue
            volts = [
                h
                for h in self.sample.headings
                if h != heading
                and self.sample.is_numeric(h)
                and (unit_of(h) in ("V", "mV") or re.search(r"volt|\bv\b|\bu\b|spannung", h, re.I))
                and not re.search(r"pack|total|sum", h, re.I)
            ]
            if volts:
                self.long = (heading, volts[0])
                self.blocks = distinct
                self.use |= {heading: "block", volts[0]: "block_v"}
                return True
        return False

    def _columns(self) -> None:
        """Give each other column a meaning, its own first, then by what it looks like."""
        taken: dict[str, str] = {}
        rest = [heading for heading in self.sample.headings if heading not in self.use]
        for heading in rest:
            if (given := self.questions.answers.get(f"column: {heading}")) is not None:
                self.use[heading] = given
                if given != NOTHING:
                    taken[given] = heading
        for meaning in ("current_a", "temperature_c", "time", "state", "pack_id"):
            fitting = [h for h in rest if h not in self.use and meaning in meanings_of(h) and self._can_be(meaning, h)]
            if meaning in taken or not fitting:
                continue
            if meaning == "time":
                self._times(fitting)
            else:
                self._one_of(meaning, fitting)
        self._others([heading for heading in rest if heading not in self.use])

    def _can_be(self, meaning: str, heading: str) -> bool:
        filled = [text for text in self.sample.texts[heading] if text and text not in self.sample.missing]
        if meaning in ("current_a", "temperature_c"):
            return self.sample.is_numeric(heading) and not unused_kind(heading)
        if meaning == "state":
            return 0 < len(set(filled)) <= MOST_WORDS and not self.sample.is_numeric(heading)
        if meaning == "pack_id":
            # A name, or a whole number that stays the same for long; never something that is measured.
            measured = any(re.search(r"\d[.,]\d", text) for text in filled)
            return bool(filled) and not measured and not unit_of(heading) and not unused_kind(heading)
        return bool(filled)

    def _one_of(self, meaning: str, fitting: list[str]) -> None:
        plain = [h for h in fitting if len(meanings_of(h)) == 1] or fitting
        best = next((h for h in plain if re.search(r"pack|batt|hv", h, re.I)), plain[0])
        if len(fitting) == 1 or meaning == "pack_id":
            self.use[best] = meaning
            return
        # Several could be it: which one is asked.
        names = {"current_a": "current", "temperature_c": "temperature", "state": "state"}
        given = self.questions.ask(
            f"which: {meaning}",
            f"Which column is the {names[meaning]} of the pack: {', '.join(fitting)}?",
            best,
            (*fitting, NOTHING),
        )
        for heading in fitting:
            chosen = heading == (given or best)
            self.use[heading] = meaning if chosen else NOTHING
            if not chosen:
                self.why_unused[heading] = f"another {names[meaning]}"

    def _times(self, fitting: list[str]) -> None:
        clocks = [h for h in fitting if all(TIME_OF_DAY.fullmatch(t) for t in self.sample.texts[h] if t)]
        dates = [h for h in fitting if h not in clocks and formats_of(self.sample.filled(h)).formats]
        days = [h for h in fitting if h not in clocks and self.is_date_alone(h)]
        if days and clocks:
            self.use[days[0]], self.use[clocks[0]] = "time", "clock"
        elif len(dates) > 1 and any(formats_of(self.sample.filled(h)).formats[0] == "elapsed-s" for h in dates):
            # A clock that tells the date is better than seconds counted from somewhere.
            better = [h for h in dates if formats_of(self.sample.filled(h)).formats[0] != "elapsed-s"]
            self.use[(better or dates)[0]] = "time"
        elif dates or days:
            self.use[(dates or days)[0]] = "time"
        elif not clocks:
            self.use[fitting[0]] = "time"
        for heading in fitting:
            if heading not in self.use:
                self.use[heading], self.why_unused[heading] = NOTHING, "another time"

    def is_date_alone(self, heading: str) -> bool:
        """Tell whether a column holds dates without a time of day."""
        return all(
            re.fullmatch(r"\d{1,4}[./-]\d{1,2}[./-]\d{1,4}( 00:00:00(\.000)?)?|\d{8}", t)
            for t in self.sample.filled(heading)
        )

    def _others(self, headings: list[str]) -> None:
        for heading in headings:
            self.use[heading] = NOTHING
            kind = unused_kind(heading) or ("one of several numbered columns" if heading in self.numbered else "")
            if kind or not self.sample.filled(heading):
                self.why_unused[heading] = kind or "nothing in it"
                continue
            # Its name says nothing. Whether it is the current its values may say.
            has_current = "current_a" in self.use.values()
            suggested = "current_a" if not has_current and self._moves_volts(heading) else NOTHING
            likely = meanings_of(heading)
            if (
                not likely
                and suggested == NOTHING
                and not self.sample.is_numeric(heading)
                and not self._lacks_something()
            ):
                self.why_unused[heading] = "words that no record takes"
                continue
            self.questions.ask(
                f"column: {heading}",
                f"What is the column {heading!r} ({', '.join(self.sample.filled(heading)[:SHOWN_VALUES])})?",
                suggested,
                ("time", "clock", "pack_id", "state", "current_a", "temperature_c", NOTHING),
            )

    def _lacks_something(self) -> bool:
        return "time" not in self.use.values() or not {"state", "current_a"} & set(self.use.values())

    def _moves_volts(self, heading: str) -> bool:
        return (
            self.sample.is_numeric(heading)
            and abs(self.pull(heading)) > SURE
            and bool((self.sample.numbers(heading) < 0).any())
        )

    def pull(self, heading: str) -> float:
        """Return by how many standard errors the mean voltage rises with a column."""
        x = self.sample.numbers(heading)
        if self.long is not None:
            y = self.sample.numbers(self.long[1])
        else:
            y = np.mean([self.sample.numbers(block) for block in self.blocks], axis=0)
        there = np.isfinite(x) & np.isfinite(y)
        x, y = x[there], y[there]
        if len(x) < 3 or np.ptp(x) == 0 or np.ptp(y) == 0:
            return 0.0
        x, y = x - x.mean(), y - y.mean()
        slope = float(x @ y / (x @ x))
        left = y - slope * x
        error = float(np.sqrt(left @ left / (len(x) - 2) / (x @ x)))
        return slope / error if error > 0 else float(np.copysign(np.inf, slope))
