"""What can be read of a visit whatever else of its form is wrong: enough for a stop, never for a record."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from pydantic import BaseModel

from models.base.errors import BadInput
from models.packs.family import PackFamily
from models.packs.history import BlockReading, State, TopUp
from service.pages.forms import checked
from service.records.sense import fit_problems


def seen_reading(
    volts: Sequence[float | None], typed: Mapping[str, Any], time: datetime, state: State, family: PackFamily
) -> BlockReading | None:
    """Return a reading with all that can be of such a pack; None if nothing is left.

    Parameters
    ----------
    volts : sequence of float or None, length blocks
    typed : mapping
        Other fields of the reading, as they were typed.
    time, state, family
    """
    base = {"time": time, "state": state}
    kept = _kept(BlockReading, base | {"block_v": (0.0, 0.0)}, typed)
    if all(v is None for v in volts) and not (state == "rest" and kept.keys() & {"temperature_c", "inspected"}):
        return None
    fields: dict[str, Any] = dict.fromkeys(BlockReading.model_fields)
    fields |= base | kept | {"block_v": tuple(volts)}
    reading = BlockReading.model_construct(**fields)
    while wrong := fit_problems(family, reading):
        places = [int(problem.where.partition("[")[2].strip("]")) for problem in wrong]
        left = tuple(None if place in places else v for place, v in enumerate(reading.block_v))
        reading = reading.model_copy(update={"block_v": left})
    return reading


def seen_charge(blocks: Sequence[int], typed: Mapping[str, Any], time: datetime, family: PackFamily) -> TopUp | None:
    """Return a charge with all that can be of such a pack; None without a block that it has.

    Parameters
    ----------
    blocks : sequence of int
        As they were typed.
    typed : mapping
        Other fields of the charge, as they were typed.
    time, family
    """
    there = tuple(dict.fromkeys(block for block in blocks if 1 <= block <= family.blocks))
    if not there:
        return None
    base = {"time": time, "blocks": there}
    charge = checked(TopUp, base | _kept(TopUp, base, typed))
    return charge.model_copy(update={problem.where: None for problem in fit_problems(family, charge)})


def _kept(kind: type[BaseModel], base: Mapping[str, Any], typed: Mapping[str, Any]) -> dict[str, Any]:
    """Return the fields that can be, each by itself."""
    kept = {}
    for name, text in typed.items():
        try:
            value = getattr(checked(kind, {**base, name: text}), name)
        except BadInput:
            continue
        if value is not None:
            kept[name] = value
    return kept
