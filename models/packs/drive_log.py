"""A drive log as evidence: thousands of readings a visit become one for each state, told by all of them.

Of a log that runs once a second, any single reading says little of a block and much of the moment: current,
polarisation and the meter's last digit. Here every block's voltage is put on a line over current and charge drawn,
charging and discharging apart, and the log is told by where the lines stand at a current that it reaches often. No
single second moves that by more than its error.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from itertools import groupby, pairwise
from typing import Any, Final

import numpy as np

from models.base.arrays import Floats
from models.packs.history import BlockReading, State

LEAST_ROWS: Final = 30
"""So many readings in a row, no further apart than `LONGEST_GAP`, are a log. Derived: from 30 on the normal law's 95 %
bounds are within 5 % of Student's."""

LONGEST_GAP: Final = timedelta(minutes=5)
"""A longer gap ends a log: a pack may have been charged in it. Invented, shorter than any charge."""

LEAST_CURRENT_A: Final = 2.0
"""Current below this, or that varies by less, moves no block by more than polarisation does, and tells nothing of its
resistance. Invented."""

REFERENCE_A: Final[dict[State, float]] = {"discharge": 50.0, "charge": 30.0}
"""Currents at which load is compared (`models.features.raw`), as far as the log reaches them. Common practice, no
source."""

REACHED: Final = 0.9
"""Quantile of current that counts as reached often. Invented."""

FAR: Final = 6.0
"""A reading this many robust standard deviations off its block's line is a slip of the meter. Invented."""

TOLD: Final = 1.96
"""A resistance less than so many standard errors above none is not told: 95 % bounds of a normal law."""

METER_DECIMALS: Final = 6
"""Volts are compared so far, to find the step in which a meter tells them: finer than any meter on a pack. Common
practice, no source."""

OFTEN: Final = 100
"""Readings that scatter over more steps of a meter than this average them out. Derived: the step's own error, a step
over √12, is then 1 % of a scatter as even as that of steps, or less."""

MAD_TO_SIGMA: Final = 1.4826
"""Median absolute deviation to standard deviation of a normal law: 1 / Φ⁻¹(3/4)."""

DECIMALS: Final = 4
ERROR_DECIMALS: Final = 6

_NOTED: Final = (("inspected",), ("soc_pct",), ("spread_v",), ("code", "code_state"))
"""Fields of a reading that only some rows of a log may tell; of those that go together the last one is always there."""


@dataclass(frozen=True)
class BlockLines:
    """Lines of block voltage over current.

    Attributes
    ----------
    resistance_ohm, resistance_error_ohm : ndarray of float, shape (blocks,)
        Fall of voltage per ampere, and its standard error; NaN where the log does not tell it.
    level_v, level_error_v : ndarray of float, shape (blocks,)
        Where the lines stand at `current_a` and the log's mean charge, never outside of what was read, and the standard
        errors; NaN for a block that was not read.
    current_a : float
        The one asked for, or the mean of a current that hardly varies.
    rows : int
        Readings they rest on.
    spread_v : ndarray of float, shape (blocks,)
        Standard deviation of readings about their line.
    """

    resistance_ohm: Floats
    resistance_error_ohm: Floats
    level_v: Floats
    level_error_v: Floats
    current_a: float
    rows: int
    spread_v: Floats


def lines_of(volts: Floats, current_a: Floats, drawn_ah: Floats, at_a: float) -> BlockLines:
    """Fit each block's voltage on current and charge drawn by least squares, slips of the meter left out.

    A meter tells volts in steps. Where readings scatter by less than half a step about their line they do not average
    out: each may be off by the same part of it.

    Parameters
    ----------
    volts : ndarray of float, shape (rows, blocks)
        NaN where a block was not read.
    current_a, drawn_ah : ndarray of float, shape (rows,)
    at_a : float
        Current at which the lines are read off.

    Returns
    -------
    BlockLines
        The charge drawn counts only where there are rows for it; the current only where it varies by
        `LEAST_CURRENT_A`.
    """
    enough = len(current_a) > 10
    varies = enough and float(np.std(current_a)) >= LEAST_CURRENT_A
    columns = [np.ones(len(current_a))]
    columns += [current_a - current_a.mean()] if varies else []
    columns += [drawn_ah - drawn_ah.mean()] if enough and np.ptp(drawn_ah) > 0 else []
    read_off_a = at_a if varies else float(current_a.mean())
    at = np.zeros(len(columns))
    at[0] = 1.0
    if varies:
        at[1] = at_a - current_a.mean()
    X = np.column_stack(columns)
    step_error = meter_step_v(volts) / np.sqrt(12)
    blocks = volts.shape[1]
    out = {name: np.full(blocks, np.nan) for name in ("slope", "slope_error", "level", "level_error", "spread")}
    for b in range(blocks):
        y = volts[:, b]
        used = np.isfinite(y)
        if not used.any():
            continue
        left = y[used] - X[used] @ _fit(X[used], y[used])
        off = np.abs(left - np.median(left))
        used[used] = off <= FAR * max(MAD_TO_SIGMA * float(np.median(off)), step_error)
        beta = _fit(X[used], y[used])
        left = y[used] - X[used] @ beta
        spread = float(np.sqrt(left @ left / max(1, int(used.sum()) - X.shape[1])))
        hidden = step_error if spread < np.sqrt(3) * step_error else 0.0  # less than half a step
        inverse = np.linalg.pinv(X[used].T @ X[used])
        out["level"][b] = np.clip(at @ beta, y[used].min(), y[used].max())
        out["level_error"][b] = max(spread * np.sqrt(at @ inverse @ at), hidden)
        out["spread"][b] = max(spread, hidden)
        if varies:
            apart = np.abs(X[used, 1] - X[used, 1].mean())
            error = max(spread * np.sqrt(inverse[1, 1]), hidden * apart.sum() / (apart @ apart))
            if -beta[1] > TOLD * error:
                out["slope"][b], out["slope_error"][b] = -beta[1], error
    return BlockLines(
        out["slope"], out["slope_error"], out["level"], out["level_error"], read_off_a, len(current_a), out["spread"]
    )


def meter_step_v(volts: Floats) -> float:
    """Return the least difference between two voltages of a log that are told often, V; if there is none, the finest.

    What fewer than one reading in `OFTEN` tells is a slip, or the meter's steps are too fine to matter.
    """
    known = volts[np.isfinite(volts)]
    told, times = np.unique(np.round(known, METER_DECIMALS), return_counts=True)
    often = told[times * OFTEN >= len(known)]
    return float(np.diff(often).min()) if len(often) > 1 else 10.0**-METER_DECIMALS


def _fit(X: Floats, y: Floats) -> Floats:
    return np.linalg.lstsq(X, y, rcond=None)[0].astype(np.float64)


def summarised(readings: Sequence[BlockReading]) -> list[tuple[int, BlockReading]]:
    """Return the readings of one pack with each log among them told by one reading for each state.

    Parameters
    ----------
    readings : sequence of BlockReading
        In order of time.

    Returns
    -------
    list of (int, BlockReading)
        In order of time: place of the last reading that one stands for, and the reading. What is no log stays as it
        is. A log's currents that are too small to tell, and passing through zero while driving, are left out.
    """
    found: list[tuple[int, BlockReading]] = []
    start = 0
    ends = [i for i, (a, b) in enumerate(pairwise(readings), start=1) if b.time - a.time > LONGEST_GAP]
    for end in [*ends, len(readings)]:
        stretch = readings[start:end]
        if len(stretch) < LEAST_ROWS:
            found += enumerate(stretch, start=start)
        else:
            found += [(start + at, reading) for at, reading in _told(stretch)]
        start = end
    return sorted(found, key=lambda pair: pair[0])


def _told(log: Sequence[BlockReading]) -> list[tuple[int, BlockReading]]:
    seconds = np.array([(r.time - log[0].time).total_seconds() for r in log])
    amps = np.array([np.nan if r.current_a is None else r.current_a for r in log])
    volts = np.array([[np.nan if v is None else v for v in r.block_v] for r in log])
    warm = np.array([np.nan if r.temperature_c is None else r.temperature_c for r in log])
    drawn = np.concatenate([[0.0], np.cumsum(np.nan_to_num(amps[:-1]) * np.diff(seconds))]) / 3600
    told = []
    for state, group in groupby(range(len(log)), lambda i: log[i].state):
        if state == "rest":
            # A pack goes on relaxing: the end of its rest tells most.
            at = np.array(list(group)[-LEAST_ROWS:])
            told.append((int(at[-1]), _reading([log[i] for i in at], _medians(volts[at]), amps[at], warm[at], None)))
    states: tuple[State, ...] = ("discharge", "charge")
    for state in states:
        mine = np.array([r.state == state for r in log])
        noted = mine & (np.abs(amps) >= LEAST_CURRENT_A)
        at = np.flatnonzero(noted if noted.any() else mine & np.isnan(amps))
        if not len(at):
            continue
        if noted.any():
            size = np.abs(amps[at])
            reference = float(np.clip(REFERENCE_A[state], size.mean(), max(size.mean(), np.quantile(size, REACHED))))
            signed = reference if state == "discharge" else -reference
            lines = lines_of(volts[at], amps[at], drawn[at], signed)
            signed = lines.current_a
        else:
            signed, lines = np.nan, None
        level = _medians(volts[at]) if lines is None else lines.level_v
        told.append((int(at[-1]), _reading([log[i] for i in at.tolist()], level, np.array([signed]), warm[at], lines)))
    if told:
        # A code, or that somebody looked, may be noted in any row: what was noted last goes with the last reading.
        place, last = max(told, key=lambda pair: pair[0])
        told[told.index((place, last))] = place, last.model_copy(update=_noted_last(log))
    return told


def lowest_block(block_v: Sequence[float | None]) -> int | None:
    """Return the place of the block that alone lies `FAR` robust standard deviations below the middle one, if any."""
    volts = np.array([np.nan if v is None else v for v in block_v])
    if np.isnan(volts).all():
        return None
    off = volts - np.nanmedian(volts)
    sigma = max(MAD_TO_SIGMA * float(np.nanmedian(np.abs(off))), 10.0**-METER_DECIMALS)
    low = np.flatnonzero(off < -FAR * sigma)
    return int(low[0]) if len(low) == 1 else None


def _reading(
    rows: Sequence[BlockReading], level: Floats, amps: Floats, warm: Floats, lines: BlockLines | None
) -> BlockReading:
    resistances = _resistances(rows, lines)
    error = np.nan if lines is None or np.isnan(lines.level_error_v).all() else np.nanmax(lines.level_error_v)
    return rows[-1].model_copy(
        update={
            **_noted_last(rows),
            "current_a": _mean(amps),
            "temperature_c": _mean(warm),
            "resistance_mohm": None if np.isnan(resistances).all() else _rounded(resistances),
            "log_rows": float(len(rows)),
            "log_error_v": None if np.isnan(error) else round(float(error), ERROR_DECIMALS),
            "block_v": _rounded(level),
        }
    )


def _noted_last(rows: Sequence[BlockReading]) -> dict[str, Any]:
    """Return what was noted last of what only some rows tell; a code goes with how it is stored."""
    found: dict[str, Any] = {}
    for names in _NOTED:
        row = next((row for row in reversed(rows) if getattr(row, names[-1]) is not None), rows[-1])
        found |= {name: getattr(row, name) for name in names}
    return found


def _resistances(rows: Sequence[BlockReading], lines: BlockLines | None) -> Floats:
    """Return the resistances that the rows tell, their medians; else those of the lines, mΩ."""
    told = [row.resistance_mohm for row in rows if row.resistance_mohm is not None]
    if told:
        return _medians(np.array([[np.nan if v is None else v for v in one] for one in told]))
    if lines is None:
        return np.full(len(rows[-1].block_v), np.nan)
    return 1000 * lines.resistance_ohm


def _rounded(values: Floats) -> tuple[float | None, ...]:
    return tuple(None if np.isnan(v) else round(float(v), DECIMALS) for v in values)


def _medians(volts: Floats) -> Floats:
    known = (column[np.isfinite(column)] for column in volts.T)
    return np.array([float(np.median(column)) if len(column) else np.nan for column in known])


def _mean(values: Floats) -> float | None:
    known = values[np.isfinite(values)]
    return round(float(known.mean()), DECIMALS) if len(known) else None
