"""Volts that speak against the load, the rest or the state of charge noted with them are named; none is grave."""

from __future__ import annotations

import numpy as np
import pytest

from models.forecasts.charge_warnings import charge_warnings
from models.forecasts.forecast import Flag
from models.forecasts.volts_against import rest_allows
from models.packs.history import BlockReading, TopUp
from models.packs.stops import stops_of
from tests.models.packs.test_ledger import FAMILIES, at, pack

CODES = {"pack-low-under-load", "block-not-sunk", "charge-state-contradicted"}


def told(name: str, *readings: BlockReading) -> dict[str, Flag]:
    family = FAMILIES[name]
    rest = family.cells_per_block * float(np.interp(0.6, family.curves.soc, family.curves.ocv_v))
    low = [rest if block != 4 else rest - 0.014 * family.cells_per_block for block in range(family.blocks)]
    facts = [read(name, -5, "rest", low), TopUp(time=at(0), blocks=(5,), charge_ah=0.5, duration_h=1)]
    history = pack(name, *facts, read(name, 17, "rest", [rest] * family.blocks), *readings)
    assert not stops_of(history, family)
    return {flag.code: flag for flag in charge_warnings(history, family) if flag.code in CODES}


def read(name: str, hours: float, state: str, volts, **more) -> BlockReading:
    return BlockReading(time=at(hours), state=state, block_v=tuple(volts), **{"temperature_c": 17, **more})


@pytest.mark.parametrize("name", ["gravel-14", "marl-28", "flint-40"])
@pytest.mark.parametrize(("cell_v", "named"), [(1.1, False), (1.01, False), (0.98, True), (0.93, True)])
def test_a_whole_pack_below_its_floor_under_load_is_named(name, cell_v, named):
    """1.0 V a cell is the least in use: NREL ADVISOR data file ESS_NIMH6. All blocks of 12 cells at 11.4 V under 30 A
    passed without a word: each by itself may fall there by what the load takes."""
    family = FAMILIES[name]
    volts = [cell_v * family.cells_per_block] * family.blocks
    flags = told(name, read(name, 18, "discharge", volts, current_a=30.0))
    assert ("pack-low-under-load" in flags) is named
    assert not any(flag.grave for flag in flags.values())
    once = told(
        name, read(name, 18, "discharge", volts, current_a=30.0), read(name, 19, "discharge", [13.0] * family.blocks)
    )
    assert not once, "it goes by the newest"


@pytest.mark.parametrize(("more_v", "named"), [(-0.4, False), (0.02, False), (0.1, True)])
def test_a_block_that_rises_while_current_flows_out_is_named(more_v, named):
    """No source of voltage stands above its open-circuit voltage while it gives current."""
    load = [12.2] * 14
    load[8] = 12.88 + more_v
    flags = told("gravel-14", read("gravel-14", 18, "discharge", load, current_a=30.0))
    assert ("block-not-sunk" in flags) is named
    if named:
        assert "block 9 read 12.98 V" in flags["block-not-sunk"].text
    assert not told("gravel-14", read("gravel-14", 18, "discharge", load)), "without a current nothing is due"
    assert not told("gravel-14", read("gravel-14", 17 + 24 * 5, "discharge", load, current_a=30.0)), "another visit"


@pytest.mark.parametrize(("told_pct", "named"), [(3.0, True), (55.0, False), (70.0, False), (98.0, True)])
def test_a_state_of_charge_at_which_no_block_rests_so_is_named(told_pct, named):
    """Level blocks at mid-charge and 3 % told of them passed without a word."""
    flags = told("gravel-14", read("gravel-14", 18, "rest", [12.88] * 14, soc_pct=told_pct))
    assert ("charge-state-contradicted" in flags) is named


@pytest.mark.parametrize("name", ["gravel-14", "marl-28"])
def test_what_a_rest_voltage_allows_holds_the_charge_on_either_branch(name):
    family = FAMILIES[name]
    for soc in (0.2, 0.4, 0.6, 0.8):
        cell_v = float(np.interp(soc, family.curves.soc, family.curves.ocv_v))
        for branch_v in (family.hysteresis_charge_v, -family.hysteresis_discharge_v, 0.0):
            low, high = rest_allows(family, family.cells_per_block * (cell_v + branch_v))
            assert low - 1e-9 <= soc <= high + 1e-9
