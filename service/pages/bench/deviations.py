"""How far each block lies from the pack's median, reading by reading: lines with their names at the end."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal, get_args
from zoneinfo import ZoneInfo

import numpy as np

from models.base.arrays import Floats
from models.packs.history import BlockReading, PackHistory, State
from models.packs.stops.known import any_volts
from models.physics.imbalance import deviation_v
from service.core.dates import day_in_words
from service.core.translation import _
from service.pages.drawing import STRIP, Spot, in_round_volts, moved_apart, reaches, round_ticks, scale, signed

WIDTH: Final = 400
HEIGHT: Final = 240 + STRIP
LEFT, RIGHT, TOP, BOTTOM = 54, 82, STRIP + 14, 44
MOST_READINGS: Final = 10
"""Newest readings drawn: more would not be told apart on a telephone."""

LEAST_REACH_V: Final = 0.1
"""Half the scale of a pack that is all but level. Our choice."""

NAMED: Final = 3
"""Blocks named besides those topped up: the ones that lie furthest off in the newest reading."""


Kind = Literal["other", "named", "topped"]
"""How a block's line is drawn, in the order in which they lie over one another."""


@dataclass(frozen=True)
class BlockName:
    """The name of one block at the end of its line."""

    block: int
    y: float
    last_v: float


@dataclass(frozen=True)
class Deviations:
    """One drawing: readings in one state.

    Attributes
    ----------
    paths : tuple of (kind, path)
        All lines of a kind as one path, with a dot at each reading; broken where a block was not read.
    names : tuple of BlockName
        From the highest to the lowest.
    """

    state: State
    times: tuple[tuple[float, datetime], ...]
    paths: tuple[tuple[Kind, str], ...]
    names: tuple[BlockName, ...]
    names_x: float
    volts: tuple[tuple[float, str], ...]
    zero: float
    topups: tuple[float, ...]
    left_out: int
    spots: tuple[tuple[Spot, float], ...]
    width: int = WIDTH
    height: int = HEIGHT
    left: int = LEFT
    right: int = WIDTH - RIGHT
    top: int = TOP
    bottom: int = HEIGHT - BOTTOM


def deviations_of(history: PackHistory, zone: ZoneInfo) -> list[Deviations]:
    """Lay out a drawing for each state of which there is a reading."""
    found = []
    states: tuple[State, ...] = ("rest", "discharge", "charge")
    for state in states:
        readings = [reading for reading in history.readings if reading.state == state and any_volts(reading)]
        if readings:
            found.append(_drawing(history, state, readings, zone))
    return found


def _drawing(history: PackHistory, state: State, readings: list[BlockReading], zone: ZoneInfo) -> Deviations:
    shown = readings[-MOST_READINGS:]
    off = deviation_v(np.array([[np.nan if v is None else v for v in r.block_v] for r in shown]))
    topped = {block for topup in history.topups for block in topup.blocks}
    least = LEAST_REACH_V if np.nanmax(np.abs(off)) < LEAST_REACH_V else 0.0
    ticks = round_ticks(min(-least, float(np.nanmin(off))), max(least, float(np.nanmax(off))), 7)
    last = len(shown) - 1
    # A single reading stands in the middle.
    x = scale(0, last, LEFT, WIDTH - RIGHT, 0) if last else scale(-1, 1, LEFT, WIDTH - RIGHT, 0)
    y = scale(ticks[0], ticks[-1], HEIGHT - BOTTOM, TOP, 0)
    at = [x(place) for place in range(len(shown))]

    newest = np.array([_last(column) for column in off.T])
    furthest = set((np.argsort(-np.abs(newest))[:NAMED] + 1).tolist())
    wanted = sorted(furthest | {b for b in topped if b <= off.shape[1]}, key=lambda b: -newest[b - 1])
    name_y = moved_apart([y(newest[b - 1]) for b in wanted], HEIGHT - BOTTOM)
    paths: dict[Kind, str] = dict.fromkeys(get_args(Kind), "")
    for block, column in enumerate(off.T, start=1):
        kind: Kind = "topped" if block in topped else "named" if block in wanted else "other"
        paths[kind] += _path(at, [None if np.isnan(volts) else y(volts) for volts in column])
    between = []
    for topup in history.topups:
        place = sum(reading.time <= topup.time for reading in shown) - 0.5
        if 0 < place < len(shown) - 0.5:
            between.append(x(place))
    return Deviations(
        state=state,
        times=tuple((x(place), reading.time) for place, reading in enumerate(shown)),
        paths=tuple((kind, path) for kind, path in paths.items() if path),
        names=tuple(
            BlockName(block, place + 4, float(newest[block - 1])) for block, place in zip(wanted, name_y, strict=True)
        ),
        names_x=at[-1] + 8,
        volts=tuple((y(volts), in_round_volts(volts)) for volts in ticks),
        zero=y(0.0),
        topups=tuple(between),
        left_out=len(readings) - len(shown),
        spots=tuple(
            (
                Spot(begin, TOP, width, HEIGHT - TOP - BOTTOM, (day_in_words(reading.time, zone), _said(row, wanted))),
                x_at,
            )
            for x_at, (begin, width), reading, row in zip(at, reaches(at, LEFT, WIDTH - RIGHT), shown, off, strict=True)
        ),
    )


def _path(x: Sequence[float], y: Sequence[float | None]) -> str:
    """Join the places of one line, each told from the one before it, which takes the fewest signs."""
    steps: list[str] = []
    here: tuple[float, float] | None = None
    for across, up in zip(x, y, strict=True):
        if up is None:
            here = None
            continue
        # A line of no length, so that a reading with none beside it has its dot as well.
        steps.append(f"M{across} {up}h0" if here is None else f"l{across - here[0]} {up - here[1]}")
        here = across, up
    return "".join(steps)


def _said(off: Floats, wanted: Sequence[int]) -> str:
    """Tell how far the named blocks lay off in one reading."""
    told = [
        _("block %(block)s %(volts)s V") % {"block": block, "volts": signed(off[block - 1], 2)}
        for block in sorted(wanted)[:NAMED]
        if not np.isnan(off[block - 1])
    ]
    return ", ".join(told)


def _last(column: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> float:
    known = column[~np.isnan(column)]
    return float(known[-1]) if len(known) else 0.0
