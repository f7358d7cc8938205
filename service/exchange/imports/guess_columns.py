"""What each column of a file is taken for, by its heading and by what it holds."""

from __future__ import annotations

import re
from typing import Final

import numpy as np

from models.base.errors import BadInput
from service.exchange.imports.columns import (
    ANSWERS,
    CODE,
    NOTHING,
    is_deviation,
    is_resistance,
    meanings_of,
    names_a_block,
    numbered_groups,
    plain,
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

NO_CODE: Final = re.compile(r"(no|none|ok|0|no (dtcs?|codes?|faults?)|clear|keine)", re.I)
"""What stands in a column of codes where none is stored. Common practice, no source."""

LEAST_BLOCK_V: Final = 0.25
"""No block that is alive reads less: two cells have 1 V even when they are empty. What does is a deviation, or
something else. Invented, well below that. Unit: V."""

_DATE: Final = re.compile(r"\d{1,4}[./-]\d{1,2}[./-]\d{1,4}( 00:00:00(\.000)?)?|\d{8}")
"""A date, at midnight if at all."""


_INTO: Final = re.compile(r"charg|regen|\bin\b|into|laden", re.I)
_OUT_OF: Final = re.compile(r"discharg|drive|load|\bout\b|entlad", re.I)

_NAMES: Final = {
    "current_a": "current",
    "temperature_c": "temperature",
    "state": "state",
    "soc_pct": "state of charge",
    "spread_v": "spread of the blocks",
    "code": "trouble code",
    "code_state": "state of the trouble code",
}


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
    resistances : list of str
        Columns of their resistances, in the same order; empty if there is not one for each.
    charge_current : str
        Column of the current into the pack, beside that of the current out of it; empty if one column tells both.
    long : tuple of str or None
        The columns of block names, of volts and of resistances (empty if there is none), where each block has rows of
        its own.
    """

    def __init__(self, name: str, sample: Sample, questions: Questions, blocks_of_pack: int | None) -> None:
        self.name, self.sample, self.questions, self.blocks_of_pack = name, sample, questions, blocks_of_pack
        self.use: dict[str, str] = {}
        self.why_unused: dict[str, str] = {}
        self.charge_current = ""
        self._blocks()
        self._resistances()
        self._columns()

    def heading(self, meaning: str) -> str | None:
        """Return the column of a meaning, None if there is none."""
        return next((heading for heading, use in self.use.items() if use == meaning), None)

    def _blocks(self) -> None:
        self.long: tuple[str, str, str] | None = None
        self.blocks: list[str] = []
        numeric = [h for h in self.sample.headings if self.sample.is_numeric(h) or not self.sample.filled(h)]
        groups = numbered_groups([h for h in numeric if f"column: {h}" not in self.questions.answers])
        self.numbered = {heading for _, group in groups for _, heading in group}
        self._ohms = [group for _, group in groups if is_resistance(group[0][1])]
        groups = [(likeness, group) for likeness, group in groups if group not in self._ohms]
        groups = [(likeness, group) for likeness, group in groups if self._are_volts([h for _, h in group])]
        likeliest = [group for likeness, group in groups if likeness == groups[0][0]]
        if not likeliest:
            if not self._long_form():
                raise BadInput.one(
                    self.name,
                    "Nothing in it looks like block voltages: neither numbered columns nor a column of block numbers.",
                    "Give the columns numbered headings, as block 1 to block 14, or write the mapping by hand. How far "
                    "blocks are off is not enough here: the page of a reading takes it.",
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
        elif numbers[0] == 0:
            told = f"{self.blocks[0]} to {self.blocks[-1]} are counted from 0, blocks here from 1."
            last = f"{self.blocks[-1]} becomes block {len(self.blocks)} in every sentence. Is that right?"
            self.questions.ask("blocks", f"{told} So {last}", "yes", ("yes",))

    def _are_volts(self, headings: list[str]) -> bool:
        """Tell whether columns can be block voltages: some value, no deviations, and not as small as no block's.

        Deviations lie within half their own spread of 0 in most rows; volts do so where half the blocks are dead.
        """
        values = np.array([self.sample.numbers(heading) for heading in headings])
        values = values[:, np.isfinite(values).any(axis=0)]
        if not values.size or any(map(is_deviation, headings)):
            return False
        alike = values / np.array([[1000.0 if unit_of(heading) == "mV" else 1.0] for heading in headings])
        around_0 = np.abs(np.nanmedian(alike, axis=0)) < (np.nanmax(alike, axis=0) - np.nanmin(alike, axis=0)) / 2
        return float(np.nanmedian(values)) > LEAST_BLOCK_V and around_0.mean() <= 0.5

    def _resistances(self) -> None:
        """Find resistances, one for each of the voltages."""
        self.resistances: list[str] = []
        fitting = [group for group in self._ohms if len(group) == len(self.blocks) and self.long is None]
        if not fitting:
            return
        names = {f"{group[0][1]} to {group[-1][1]}": group for group in fitting}
        group = fitting[0]
        if len(fitting) > 1:
            told = "Which columns are the resistances of the blocks?"
            said = self.questions.ask("which: resistances", told, next(iter(names)), (*names, NOTHING))
            if said == NOTHING:
                return
            group = names[said or next(iter(names))]
        self.resistances = [heading for _, heading in group]
        self.use |= {heading: f"resistance {place}" for place, heading in enumerate(self.resistances, start=1)}

    def _long_form(self) -> bool:
        for heading in self.sample.headings:
            names = [block_name(text) for text in self.sample.texts[heading] if text]
            distinct = sorted(set(names), key=lambda name: (len(name), name))
            if not names_a_block(heading) or len(distinct) < 2 or unit_of(heading) or heading in self.numbered:
                continue
            volts = [
                h
                for h in self.sample.headings
                if h != heading
                and not is_resistance(h)
                and self.sample.is_numeric(h)
                and (unit_of(h) in ("V", "mV") or re.search(r"volt|\bv\b|\bu\b|spannung", h, re.I))
                and not re.search(r"pack|total|sum", h, re.I)
            ]
            if volts:
                ohms = [h for h in self.sample.headings if is_resistance(h) and self.sample.is_numeric(h)]
                self.long = (heading, volts[0], ohms[0] if len(ohms) == 1 else "")
                self.blocks = distinct
                self.use |= {heading: "block", volts[0]: "block_v"}
                if self.long[2]:
                    self.use[self.long[2]] = "resistance_mohm"
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
        told_by_car = ("soc_pct", "spread_v", "code_state", "code")
        for meaning in (*told_by_car, "current_a", "temperature_c", "time", "state", "pack_id"):
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
        if meaning in ("soc_pct", "spread_v"):
            return self.sample.is_numeric(heading)
        if meaning == "code":
            codes = [text for text in filled if not NO_CODE.fullmatch(text)]
            return any(map(CODE.fullmatch, codes)) and all(map(CODE.fullmatch, codes))
        if meaning == "code_state":
            return 0 < len(set(filled)) <= MOST_WORDS and any("code" in meanings_of(h) for h in self.sample.headings)
        if meaning == "state":
            return 0 < len(set(filled)) <= MOST_WORDS and not self.sample.is_numeric(heading)
        if meaning == "pack_id":
            # A name, or a whole number that stays the same for long; never something that is measured.
            measured = any(re.search(r"\d[.,]\d", text) for text in filled)
            return bool(filled) and not measured and not unit_of(heading) and not unused_kind(heading)
        return bool(filled)

    def _both_currents(self, fitting: list[str]) -> bool:
        """Tell currents out of the pack and into it that stand in two columns, both without a sign."""
        into = [h for h in fitting if _INTO.search(plain(h)) and not _OUT_OF.search(plain(h))]
        out = [h for h in fitting if _OUT_OF.search(plain(h))]
        if len(fitting) != 2 or len(into) != 1 or len(out) != 1:
            return False
        numbers = np.nan_to_num([self.sample.numbers(out[0]), self.sample.numbers(into[0])])
        if (numbers < 0).any() or (numbers > 0).all(axis=0).any() or not (numbers > 0).any(axis=1).all():
            return False
        self.use |= {out[0]: "current_a", into[0]: "charge_current"}
        self.charge_current = into[0]
        return True

    def _one_of(self, meaning: str, fitting: list[str]) -> None:
        if meaning == "current_a" and self._both_currents(fitting):
            return
        clear = [h for h in fitting if len(meanings_of(h)) == 1] or fitting
        best = next((h for h in clear if re.search(r"pack|batt|hv", h, re.I)), clear[0])
        if len(fitting) == 1 or meaning == "pack_id":
            self.use[best] = meaning
            return
        # Several could be it: which one is asked.
        given = self.questions.ask(
            f"which: {meaning}",
            f"Which column is the {_NAMES[meaning]} of the pack: {', '.join(fitting)}?",
            best,
            (*fitting, NOTHING),
        )
        for heading in fitting:
            chosen = heading == (given or best)
            self.use[heading] = meaning if chosen else NOTHING
            if not chosen:
                self.why_unused[heading] = f"another {_NAMES[meaning]}"

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
        else:
            self.use[(clocks or fitting)[0]] = "time"
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
                ANSWERS,
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
