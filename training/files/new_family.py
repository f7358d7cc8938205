"""A family file for a kind of pack that nobody has described: what is said of it, the rest from a shipped one."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from secrets import token_hex
from typing import Annotated, Any, Final

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, FiniteFloat

from models.base import counts
from models.base.errors import BadInput, Problem
from models.base.messages import say, say_count
from models.base.numbers import NO_TRUTH_VALUE
from models.packs.family import MOST_AH, MOST_BLOCKS, MOST_CELL_V, PackFamily
from models.packs.stops.identity import lithium_cells
from training.files.families import SHIPPED, load_families, read_family

MOST_OWN: Final = 200
"""Families that a folder may hold before no more are written into it. Our choice."""

PER_BLOCK: Final = ("discharge_spread_limit_v", "charge_spread_limit_v", "rest_spread_limit_v")


class NewFamily(BaseModel):
    """The few words by which a kind of pack is described.

    Attributes
    ----------
    title : str or None
        As lists show it; the name, if left out.
    rated_ah : float
        Ah.
    rest_v : float or None
        One sound block as it was read at rest, in V: what was said is checked against it.
    label_read : bool
        Whether the chemistry was read on a pack's label: volts do not tell it.
    """

    model_config = ConfigDict(extra="forbid")

    name: Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]{1,30}$")]
    title: Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[^\x00-\x1f\x7f]+$")] | None = None
    chemistry: Annotated[str, Field(max_length=30)]
    blocks: Annotated[int, Field(ge=2, le=MOST_BLOCKS), NO_TRUTH_VALUE]
    cells_per_block: Annotated[int, Field(ge=1, le=60), NO_TRUTH_VALUE]
    rated_ah: Annotated[FiniteFloat, Field(ge=0.1, le=MOST_AH), NO_TRUTH_VALUE]
    rest_v: Annotated[FiniteFloat, Field(gt=0, le=60 * MOST_CELL_V), NO_TRUTH_VALUE] | None = None
    label_read: bool = False


def resting_range(family: PackFamily) -> tuple[float, float]:
    """Return the volts between which a block rests, empty and full."""
    low, high = family.curves.ocv_v[0], family.curves.ocv_v[-1]
    return float(low) * family.cells_per_block, float(high) * family.cells_per_block


def contradicted(family: PackFamily, rest_v: float) -> Problem | None:
    """Say what is wrong where a block at rest cannot read what it read; with the cells that would fit."""
    low, high = resting_range(family)
    if low <= rest_v <= high:
        return None
    usual = float(np.interp(family.soc_target, family.curves.soc, family.curves.ocv_v))
    fits = round(rest_v / usual)
    what = say(
        "A block of %(cells)s rests between %(low)s and %(high)s V, empty and full, not at %(read)s V.",
        cells=counts.cells(family.cells_per_block),
        low=f"{low:.4g}",
        high=f"{high:.4g}",
        read=f"{rest_v:g}",
    )
    if fits < 1:
        return Problem("rest_v", what, say("Give volts of one block, in V."))
    mend = say(
        "By that voltage it has about %(cells)s: correct the cells, the chemistry or the voltage.",
        cells=counts.cells(fits),
    )
    return Problem("rest_v", what, mend)


def _unread(family: PackFamily, rest_v: float) -> Problem | None:
    """Ask for the label of a pack named as nickel-metal hydride whose volts lithium-ion cells would have too."""
    cells = lithium_cells(rest_v)
    if family.chemistry != "nimh" or not cells:
        return None
    what = say_count(
        "%(own)s of nickel-metal hydride may read %(read)s V, and so may one of lithium-ion: volts do not tell them "
        "apart, and charged by hand lithium-ion catches fire.",
        "%(own)s of nickel-metal hydride may read %(read)s V, and so may %(cells)s of lithium-ion: volts do not tell "
        "them apart, and charged by hand lithium-ion catches fire.",
        cells,
        own=counts.cells(family.cells_per_block),
        read=f"{rest_v:g}",
        cells=cells,
    )
    mend = say(
        "Read on the label of a pack what cells it has, and say that you did; else choose the chemistry it names."
    )
    return Problem("label_read", what, mend)


def write_family(wanted: NewFamily, folder: Path) -> tuple[PackFamily, str]:
    """Write a family's file, whole or not at all, and return the family with the file's text.

    Parameters
    ----------
    folder : Path
        Of the user's own families; made if need be.

    Raises
    ------
    BadInput
        The name is taken, the chemistry is not served, the voltage speaks against it or does not tell it and no label
        was read, or there are too many.
    """
    known = load_families(folder)
    if wanted.name in known:
        raise BadInput.one("name", f"the family name {wanted.name} is taken.", "Choose another name.")
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    if len(list(folder.glob("*.toml"))) >= MOST_OWN:
        raise BadInput.one("name", f"There are {MOST_OWN} families of your own already.", "Remove files of old ones.")
    text = new_family_toml(
        wanted.name,
        wanted.title or wanted.name,
        wanted.chemistry,
        wanted.blocks,
        wanted.cells_per_block,
        wanted.rated_ah,
    )
    fresh = folder / f".{wanted.name}.{token_hex(4)}"
    try:
        fresh.write_text(text, encoding="utf-8")
        family = read_family(fresh)
        if wanted.rest_v is not None and (problem := contradicted(family, wanted.rest_v)) is not None:
            raise BadInput([problem])
        if (
            wanted.rest_v is not None
            and not wanted.label_read
            and (asked := _unread(family, wanted.rest_v)) is not None
        ):
            raise BadInput([asked])
        (folder / f"{wanted.name}.toml").hardlink_to(fresh)  # an error where somebody else was first
    except FileExistsError:
        raise BadInput.one("name", f"the family name {wanted.name} is taken.", "Choose another name.") from None
    finally:
        fresh.unlink(missing_ok=True)
    return family, text


def marks_in(text: str) -> Iterator[tuple[str, str, str]]:
    """Yield each single value of a family's text with its name and where it comes from; empty where it was said."""
    for line in text.splitlines():
        key, known, rest = line.partition(" = ")
        if known and not rest.startswith("["):
            value, _, mark = rest.partition("  # ")
            yield key, value.strip('"'), mark


def new_family_toml(name: str, title: str, chemistry: str, blocks: int, cells_per_block: int, rated_ah: float) -> str:
    """Return a family file in which each value that was not given says where it comes from.

    Parameters
    ----------
    chemistry : {"nimh", "lithium-ion"}
        In capitals or not.
    rated_ah : float
        Ah.

    Returns
    -------
    str
        TOML. Taken over is the shipped family of this chemistry whose blocks are nearest in cells, then in Ah. What
        goes by the block follows the number of cells, current and mass the size of the cells, resistance its inverse:
        cells of twice the electrode area hold twice the charge at half the resistance (derived).

    Raises
    ------
    BadInput
        No shipped family is of this chemistry.
    """
    chemistry = chemistry.strip().lower()
    texts = [path.read_text(encoding="utf-8") for path in sorted(SHIPPED.glob("*.toml"))]
    known = [(tomllib.loads(text), text) for text in texts]
    alike = [pair for pair in known if pair[0]["chemistry"] == chemistry]
    if not alike:
        served = ", ".join(sorted({str(family["chemistry"]) for family, _ in known}))
        raise BadInput.one("chemistry", f"{chemistry!r} is not served.", f"Choose one of {served}.")
    base, text = min(
        alike, key=lambda p: (abs(p[0]["cells_per_block"] - cells_per_block), abs(p[0]["rated_ah"] - rated_ah))
    )
    cells, size = cells_per_block / base["cells_per_block"], rated_ah / base["rated_ah"]
    whole = cells * size * blocks / base["blocks"]
    given: dict[str, Any] = {
        "name": name,
        "title": title,
        "chemistry": chemistry,
        "blocks": blocks,
        "cells_per_block": cells_per_block,
        "rated_ah": rated_ah,
    }
    scaled = {**dict.fromkeys(PER_BLOCK, cells), "peak_current_a": size, "mass_kg": whole}
    lines = [f"# {title}. What was not said of it is taken over from {base['name']}; correct what you know better."]
    for line in text.splitlines()[1:]:
        key, _, rest = line.partition(" = ")
        value, mark, comment = rest.partition("  # ")
        if key in given:
            # A JSON string is a basic string of TOML too (TOML 1.0.0, "String"), whatever signs are in it.
            plain = given[key] if not isinstance(given[key], str) else json.dumps(given[key], ensure_ascii=False)
            lines.append(f"{key} = {plain}")
        elif key in scaled:
            lines.append(
                f"{key} = {_short(float(value) * scaled[key])}  # in proportion from {base['name']}: {comment}"
            )
        elif key in ("discharge_mohm", "charge_mohm"):
            lines.append(f"{key} = [{', '.join(_short(float(v) / size) for v in re.findall(r'[0-9.]+', rest))}]")
        elif key == "source":
            lines.append(f'{key} = {rest[:-1]}; resistances in proportion to 1/Ah, from {base["name"]}"')
        elif mark:
            lines.append(f"{key} = {value}  # as {base['name']}: {comment}")
        else:
            lines.append(line)
    return "\n".join(lines) + "\n"


def _short(value: float) -> str:
    return f"{value:.6g}" if "." in f"{value:.6g}" else f"{value:.1f}"
