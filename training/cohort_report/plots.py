"""Drawings of the evidence page."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from models.base.day_grid import DAYS
from training.cohort_report.content import Example, Trap
from training.plotting.drawing import BAND, INK, MARK, OTHER, SOFT, canvas, svg

_STYLES: Final[Mapping[str, tuple[str, Any, str]]] = {
    "leak": (MARK, "-", "o"),
    "fade": (OTHER, "--", "s"),
    "neglect": (INK, "-.", "^"),
    "joint": (SOFT, ":", "D"),
}


def trap_plot(trap: Trap) -> str:
    """Draw the rest deviation of a topped block, driven and parked, and what its missing charge alone would show."""
    figure, axes = canvas(6.4, 3.4)
    axes.axhline(0, color=SOFT, lw=0.8)
    axes.fill_between(trap.days, trap.parked_mv[:, 0], trap.parked_mv[:, 2], color=BAND, lw=0)
    axes.fill_between(trap.days, trap.driven_mv[:, 0], trap.driven_mv[:, 2], color=BAND, lw=0)
    axes.plot(
        trap.days, trap.parked_mv[:, 1], color=OTHER, ls="--", marker="s", ms=4, label="read at rest, parked since"
    )
    axes.plot(trap.days, trap.driven_mv[:, 1], color=MARK, marker="o", ms=4, label="read at rest, driven since")
    axes.plot(trap.days, trap.missing_mv, color=INK, ls=":", label="what the missing charge alone would show")
    axes.set(xlabel="days after the charge (first point: before it)", ylabel="deviation of the block, mV")
    axes.legend(frameon=False, fontsize=8, labelcolor=INK)
    return svg(figure, "trap", "Rest deviation of a topped block over ten days, driven and parked")


def curves_plot(curves: Mapping[str, NDArray[np.float64]]) -> str:
    """Draw the share still holding, one line a kind, told apart by dashes and marks as well as by colour."""
    figure, axes = canvas(6.4, 3.4)
    for kind, curve in curves.items():
        colour, dash, mark = _STYLES[kind]
        axes.plot(DAYS, 100 * curve, color=colour, ls=dash, marker=mark, ms=3.5, lw=1.6, label=kind)
    axes.set(xlabel="days after the first top-up", ylabel="still holding, of 100", xlim=(0, 90), ylim=(0, 101))
    axes.legend(frameon=False, fontsize=8, labelcolor=INK)
    return svg(figure, "kinds", "Share of packs still holding by day, by kind of weakness")


def example_plot(example: Example) -> str:
    """Draw what was read of every block before and after the charge."""
    figure, axes = canvas(6.4, 3.2)
    block = np.arange(1, len(example.before_mv) + 1)
    axes.axhline(0, color=SOFT, lw=0.8)
    axes.vlines(block, example.before_mv, example.after_mv, color=BAND, lw=3)
    axes.plot(block, example.before_mv, ls="", marker="v", ms=6, color=OTHER, label="read on arrival")
    axes.plot(block, example.after_mv, ls="", marker="o", ms=5, color=MARK, label="read at the release")
    axes.axvline(example.topped_block, color=SOFT, lw=0.8, ls=":")
    axes.set(xlabel="block", ylabel="deviation at rest, mV", xticks=block)
    axes.legend(frameon=False, fontsize=8, labelcolor=INK)
    return svg(figure, "example", "Rest deviation of every block before and after the charge")


def truth_plot(example: Example) -> str:
    """Draw the charge that each block was really short of at the release."""
    figure, axes = canvas(6.4, 2.6)
    block = np.arange(1, len(example.true_missing) + 1)
    axes.bar(block, example.true_missing, color=BAND, edgecolor=MARK, width=0.7)
    axes.axhline(0, color=SOFT, lw=0.8)
    axes.set(xlabel="block", ylabel="missing, % of full", xticks=block)
    return svg(figure, "truth", "Charge really missing in every block at the release")
