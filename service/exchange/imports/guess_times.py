"""How a file tells its times, and whether its rows follow one another as in a log."""

from __future__ import annotations

from contextlib import suppress
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any, Final

from models.packs.drive_log import LEAST_ROWS, LONGEST_GAP
from service.exchange.imports.guess_columns import ColumnGuess
from service.exchange.imports.mapping import TimeReading
from service.exchange.imports.questions import Questions
from service.exchange.imports.sample import Sample
from service.exchange.imports.times import formats_of

_DOUBTS: Final = {
    "elapsed-s": "Seconds since the log began?",
    "days-1900": "Days as a spreadsheet counts them, or seconds since the log began?",
}


class TimeGuess:
    """How times are told; what the mapping says of them goes into `content`."""

    def __init__(self, sample: Sample, columns: ColumnGuess, questions: Questions, content: dict[str, Any]) -> None:
        self.sample, self.columns, self.questions, self.content = sample, columns, questions, content
        self._time()

    def _time(self) -> None:
        heading, clock = self.columns.heading("time"), self.columns.heading("clock")
        if heading is None:
            others = tuple(h for h in self.sample.headings if not self.columns.use[h].startswith("block"))
            heading = self.questions.ask("which: time", "Which column holds the time?", "", others)
            if heading is None:
                return
            self.columns.use[heading] = "time"
            self.columns.why_unused.pop(heading, None)
        texts = self.sample.filled(heading)
        if clock is not None:
            texts = [
                f"{day.removesuffix(' 00:00:00.000')} {text}".strip()
                for day, text in zip(self.sample.texts[heading], self.sample.texts[clock], strict=True)
                if day
            ]
        found = formats_of(texts)
        time: dict[str, str] = {"format": found.formats[0] if found.formats else ""}
        if clock is not None:
            time["clock"] = clock
        shown = f"{heading!r} ({', '.join(texts[:2])})"
        if "time.format" in self.questions.answers:
            told = f"How are the times in {shown} written? As %d.%m.%Y %H:%M."
            time["format"] = self.questions.ask("time.format", told) or ""
        elif not found.formats:
            self.questions.ask("time.format", f"How are the times in {shown} written? As %d.%m.%Y %H:%M.")
        elif not found.sure:
            told = _DOUBTS.get(time["format"], "Is the day or the month first?")
            self.questions.ask(
                "time.format", f"How are the times in {shown} written? {told}", time["format"], found.formats
            )
        elif clock is None and self.columns.is_date_alone(heading):
            self.questions.ask(
                "time.format",
                f"{shown} is a date without a time of day. Are all readings of a day one, at midnight?",
                "",
                (time["format"],),
            )
        if time["format"] == "elapsed-s":
            time["start"] = self.questions.ask("time.start", "When did the log begin? As 2026-03-02T08:30:00.") or ""
        elif time["format"] == "clock":
            told = f"{shown} is a time of day without a date. On which day did the log begin? As 2026-03-02."
            time["start"] = self.questions.ask("time.start", told) or ""
        if found.zone_needed:
            told = "Which time zone is the logger's clock set to? As Atlantic/Azores, or UTC."
            time["zone"] = self.questions.ask("time.zone", told) or ""
        if "time.twice" in self.questions.answers:
            time["twice"] = self.questions.answers["time.twice"]
        self.content["time"] = time

    def _backwards(self, moments: list[datetime]) -> bool:
        """Tell whether rows run backwards; a clock that was set back goes forward once among them."""
        steps = [later - earlier for earlier, later in pairwise(moments)]
        back, forward = (sum(sign * step > timedelta() for step in steps) for sign in (-1, 1))
        return back >= 2 and forward <= 1 and back >= 3 * forward

    def visits(self) -> None:
        """Ask how a log that runs on is kept."""
        heading = self.columns.heading("time")
        time = {"zone": "UTC", "start": "2000-01-01", **{k: v for k, v in self.content.get("time", {}).items() if v}}
        if heading is None or not time.get("format"):
            return
        reader = TimeReading.model_validate({**time, "zone": "UTC"})
        clock = self.sample.texts.get(time.get("clock", ""), [""] * len(self.sample.rows))
        moments = []
        for day, text in zip(self.sample.texts[heading], clock, strict=True):
            with suppress(ValueError):
                moments.append(reader.moment(f"{day} {text}".strip()))
        if self._backwards(moments):
            self.content["newest_first"] = True
            moments.reverse()
        run = longest = 0
        for earlier, later in pairwise(moments):
            run = run + (later > earlier) if timedelta() <= later - earlier <= LONGEST_GAP else 0
            longest = max(longest, run)
        if longest < LEAST_ROWS:
            return
        told = "Rows follow one another as in a log. Is it told by one reading for each state, or is every row kept?"
        self.content["visits"] = self.questions.ask("visits", told, "summary", ("summary", "all")) or "summary"
