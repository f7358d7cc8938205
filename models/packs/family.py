"""Pack families: chemistry, layout, curves and the controller's limits, validated."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat, model_validator

from models.base.errors import wrong
from models.base.numbers import NO_TRUTH_VALUE

MOST_AH = 500.0
MOST_CURRENT_A = 1000.0
MOST_CELL_V = 5.0
MOST_CELL_MOHM = 1000.0
MOST_PACK_KG = 2000.0
MOST_BLOCKS = 200
"""What no traction pack exceeds, several times the largest on the road; a number beyond is a slip of the pen or written
to do harm; what is smaller than the least can be read on no meter. Units: Ah, A, V and mΩ a cell, kg. Our choice."""

MOST_HEAT_CAPACITY_J_PER_KG_K = 4200.0
"""Of water (4182 J/(kg K) at 20 °C; from memory, unverified); what a pack is made of holds less."""

MOST_CURVE_POINTS = 200
"""Our choice."""

Ah = Annotated[FiniteFloat, Field(ge=0.1, le=MOST_AH), NO_TRUTH_VALUE]
Current = Annotated[FiniteFloat, Field(ge=0.1, le=MOST_CURRENT_A), NO_TRUTH_VALUE]
CellVolts = Annotated[FiniteFloat, Field(ge=0.01, le=MOST_CELL_V), NO_TRUTH_VALUE]
BlockVolts = Annotated[FiniteFloat, Field(ge=0.001, le=60 * MOST_CELL_V), NO_TRUTH_VALUE]
Milliohms = Annotated[FiniteFloat, Field(ge=0.001, le=MOST_CELL_MOHM), NO_TRUTH_VALUE]
Curve = Field(max_length=MOST_CURVE_POINTS)
Text = Annotated[str, Field(max_length=500)]
Share = Annotated[FiniteFloat, Field(ge=0, le=1), NO_TRUTH_VALUE]


class CellCurves(BaseModel):
    """Open-circuit voltage and resistances of one cell against state of charge.

    Attributes
    ----------
    soc : tuple of float, shape (k,)
        State of charge as a share, increasing from 0 to 1.
    ocv_v : tuple of float, shape (k,)
        Open-circuit voltage per cell in V, never falling.
    discharge_mohm, charge_mohm : tuple of float, shape (k,)
        Resistance per cell in mΩ at 25 °C.
    source : str
        Where the numbers come from.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    soc: Annotated[tuple[Share, ...], Curve]
    ocv_v: Annotated[tuple[CellVolts, ...], Curve]
    discharge_mohm: Annotated[tuple[Milliohms, ...], Curve]
    charge_mohm: Annotated[tuple[Milliohms, ...], Curve]
    source: Text

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        count = len(self.soc)
        for name in ("ocv_v", "discharge_mohm", "charge_mohm"):
            if len(getattr(self, name)) != count:
                raise wrong(
                    f"{name} has {len(getattr(self, name))} values but soc has {count}.",
                    "Give one value for each state of charge.",
                )
        if count < 3 or self.soc[0] != 0 or self.soc[-1] != 1:
            raise wrong("soc must run from 0 to 1 in at least three steps.", "Tabulate the curve over the whole range.")
        if any(b <= a for a, b in zip(self.soc, self.soc[1:], strict=False)):
            raise wrong("soc must increase from value to value.", "Sort the table by state of charge.")
        if any(b < a for a, b in zip(self.ocv_v, self.ocv_v[1:], strict=False)):
            raise wrong(
                "ocv_v falls where soc rises.", "Check the table: open-circuit voltage cannot fall with charge."
            )
        return self


class PackFamily(BaseModel):
    """A kind of pack: everything that is the same for each pack of its layout.

    Attributes
    ----------
    name : str
        Short invented name, lower case.
    chemistry : {"nimh", "lithium-ion"}
    blocks : int
        Series blocks that the controller measures, 2 to 200.
    cells_per_block : int
    rated_ah : float
        Rated capacity in Ah.
    soc_low, soc_target, soc_high : float
        Window and centre on which the controller steers the pack average, as shares.
    discharge_spread_limit_v, charge_spread_limit_v, rest_spread_limit_v : float
        Deviation of a block from the mean of the others, in V, at which the monitor counts a detection, by operating
        state.
    peak_current_a : float
        Discharge current of an ordinary hard pull, in A (positive).
    min_cell_v, max_cell_v : float
        Limits in use, V per cell.
    hysteresis_charge_v, hysteresis_discharge_v : float
        Offset of the charge (up) and discharge (down) branch from the sustaining curve, V per cell, both positive.
    self_discharge_per_day : float
        Share of the charge a sound block loses per day at 25 °C.
    self_discharge_ev : float
        Activation energy of self-discharge in eV.
    coulombic_efficiency : float
        Charge that stays per charge put in by a bench supply, as a share, well below full: towards full more is lost.
    resistance_per_k : float
        Relative change of resistance per kelvin (negative: colder is higher).
    mass_kg, heat_capacity_j_per_kg_k : float
        Of the whole pack, for its temperature.
    curves : CellCurves
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]{1,30}$")]
    title: Text
    chemistry: Literal["nimh", "lithium-ion"]
    blocks: Annotated[int, Field(ge=2, le=MOST_BLOCKS), NO_TRUTH_VALUE]
    cells_per_block: Annotated[int, Field(ge=1, le=60), NO_TRUTH_VALUE]
    rated_ah: Ah
    soc_low: Share
    soc_target: Share
    soc_high: Share
    discharge_spread_limit_v: BlockVolts
    charge_spread_limit_v: BlockVolts
    rest_spread_limit_v: BlockVolts
    peak_current_a: Current
    min_cell_v: CellVolts
    max_cell_v: CellVolts
    hysteresis_charge_v: Annotated[FiniteFloat, Field(ge=0, le=MOST_CELL_V), NO_TRUTH_VALUE]
    hysteresis_discharge_v: Annotated[FiniteFloat, Field(ge=0, le=MOST_CELL_V), NO_TRUTH_VALUE]
    self_discharge_per_day: Annotated[FiniteFloat, Field(ge=0, lt=0.2), NO_TRUTH_VALUE]
    self_discharge_ev: Annotated[FiniteFloat, Field(ge=0, le=2), NO_TRUTH_VALUE]
    coulombic_efficiency: Annotated[FiniteFloat, Field(gt=0.5, le=1), NO_TRUTH_VALUE]
    resistance_per_k: Annotated[FiniteFloat, Field(gt=-0.1, lt=0.1), NO_TRUTH_VALUE]
    mass_kg: Annotated[FiniteFloat, Field(ge=0.1, le=MOST_PACK_KG), NO_TRUTH_VALUE]
    heat_capacity_j_per_kg_k: Annotated[FiniteFloat, Field(ge=1, le=MOST_HEAT_CAPACITY_J_PER_KG_K), NO_TRUTH_VALUE]
    curves: CellCurves

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if not self.soc_low < self.soc_target < self.soc_high:
            raise wrong(
                f"soc_low {self.soc_low}, soc_target {self.soc_target} and soc_high {self.soc_high} are not in order.",
                "Give a window with its centre between its ends.",
            )
        if self.min_cell_v >= self.max_cell_v:
            raise wrong(
                f"min_cell_v {self.min_cell_v} is not below max_cell_v {self.max_cell_v}.",
                "Swap or correct the limits.",
            )
        if not self.min_cell_v <= self.curves.ocv_v[len(self.curves.ocv_v) // 2] <= self.max_cell_v:
            raise wrong(
                "the middle of curves.ocv_v lies outside min_cell_v to max_cell_v.", "Give voltages per cell, in V."
            )
        most = self.cells_per_block * self.max_cell_v
        for name in ("discharge_spread_limit_v", "charge_spread_limit_v", "rest_spread_limit_v"):
            if getattr(self, name) >= most:
                raise wrong(
                    f"{name} {getattr(self, name):g} is not below {most:g}, the highest voltage of a block.",
                    "No block could ever reach it: give V per block.",
                )
        return self
