"""A family file for a kind of pack that nobody has described: what is said of it, the rest from a shipped one."""

from __future__ import annotations

import re
import tomllib
from typing import Any, Final

from models.base.errors import BadInput
from training.files.families import SHIPPED

PER_BLOCK: Final = ("discharge_spread_limit_v", "charge_spread_limit_v", "rest_spread_limit_v")


def new_family_toml(name: str, title: str, chemistry: str, blocks: int, cells_per_block: int, rated_ah: float) -> str:
    """Return a family file in which each value that was not given says where it comes from.

    Parameters
    ----------
    name, title : str
    chemistry : {"nimh", "lithium-ion"}
        In capitals or not.
    blocks, cells_per_block : int
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
            plain = given[key] if not isinstance(given[key], str) else '"' + given[key] + '"'
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
