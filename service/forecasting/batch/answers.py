"""From the lines of a batch to those of its answer, some hundred at a time."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import Final

from pydantic import ValidationError

from models.base.errors import BadInput, TideoverError, problems_from
from models.forecaster import Forecaster
from models.packs.family import PackFamily
from models.packs.stops import Stopped
from service.core.cautions import all_cautions
from service.core.stops import ToldStops
from service.core.translation import _, translated_problems
from service.forecasting.batch.schemas import BatchAbout, BatchLine, BatchProblem, BatchRefusal
from service.forecasting.forecasts.last_seen import age_of
from service.forecasting.forecasts.schemas import DEFAULT_CONFIDENCES
from service.forecasting.forecasts.together import Asked, told_together

AT_ONCE: Final = 500
"""Lines that are forecast together: others get their turn to be answered in between. Our choice."""


def answered_lines(
    lines: Sequence[bytes],
    forecaster: Forecaster,
    families: Mapping[str, PackFamily],
    *,
    threads: int,
    now: datetime,
) -> Iterator[bytes]:
    """Yield an answer in parts: what holds for all of it first, then a line for each line.

    Parameters
    ----------
    lines : sequence of bytes
        A `BatchLine` each, as JSON.
    threads : int
        Of the numerical libraries.
    """
    about = BatchAbout(model_id=forecaster.model_id, lines=len(lines), cautions=all_cautions(None))
    yield about.model_dump_json().encode() + b"\n"
    for first in range(0, len(lines), AT_ONCE):
        some = lines[first : first + AT_ONCE]
        yield b"".join(_answered(some, first + 1, forecaster, families, threads=threads, now=now))


def _answered(
    lines: Sequence[bytes],
    first: int,
    forecaster: Forecaster,
    families: Mapping[str, PackFamily],
    *,
    threads: int,
    now: datetime,
) -> Iterator[bytes]:
    read = [_read(line) for line in lines]
    asked = [
        Asked(one.history, one.at, age_of(one, now, of_today_too=True), one.replacement_in_days)
        for one in read
        if isinstance(one, BatchLine)
    ]
    told = iter(told_together(asked, forecaster, families, DEFAULT_CONFIDENCES, threads=threads))
    for number, one in enumerate(read, start=first):
        found = one if isinstance(one, BadInput) else next(told)
        if isinstance(found, TideoverError):
            pack_id = one.history.pack_id if isinstance(one, BatchLine) else None
            yield _refused(number, pack_id, found).model_dump_json().encode() + b"\n"
        else:
            yield json.dumps({"kind": "forecast", "line": number, "forecast": found}).encode() + b"\n"


def _read(line: bytes) -> BatchLine | BadInput:
    try:
        return BatchLine.model_validate_json(line)
    except ValidationError as error:
        return BadInput(problems_from(error))


def _refused(number: int, pack_id: str | None, error: TideoverError) -> BatchRefusal:
    problems = translated_problems(error.problems) if isinstance(error, BadInput) else ()
    stops = ToldStops.of(error).stops if isinstance(error, Stopped) else []
    said = [str(problem) for problem in problems] or [_("STOP: %(what)s") % {"what": stop.text} for stop in stops]
    return BatchRefusal(
        line=number,
        pack_id=pack_id,
        reason=" ".join(said) or _(str(error)),
        stop_codes=[stop.code for stop in stops],
        instead=list(dict.fromkeys(stop.instead for stop in stops)),
        problems=[BatchProblem(where=p.where, what=p.what, mend=p.mend) for p in problems],
    )
