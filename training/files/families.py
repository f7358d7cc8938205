"""Pack families as data: one TOML file a family, here and in a folder of the user's own."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any, Final

from pydantic import ValidationError

from models.base.errors import BadInput, Problem, problems_from
from models.packs.family import PackFamily

SHIPPED: Final = Path(__file__).parents[1] / "families"
"""Folder of the families that come along."""


def read_family(path: Path) -> PackFamily:
    """Read and check one family file.

    Raises
    ------
    BadInput
        If the file is not TOML or a field is wrong; each problem names the file and the field.
    """
    try:
        raw: dict[str, Any] = tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise BadInput.one(
            path.name, f"is not readable TOML: {error}.", "Correct the line named, or start from a shipped family file."
        ) from None
    try:
        return PackFamily.model_validate(raw)
    except ValidationError as error:
        raise BadInput(Problem(f"{path.name}: {p.where}", p.what, p.mend) for p in problems_from(error)) from None


def load_families(extra_dir: Path | None = None) -> dict[str, PackFamily]:
    """Load the shipped families and those of a user's folder.

    Parameters
    ----------
    extra_dir : Path, optional
        A folder of TOML files. A family there may not take the name of a shipped one.

    Returns
    -------
    dict of str to PackFamily
        By name, in alphabetical order.

    Raises
    ------
    BadInput
        If any file is wrong or a name is taken twice.
    """
    own = sorted(extra_dir.glob("*.toml")) if extra_dir is not None and extra_dir.is_dir() else []
    families: dict[str, PackFamily] = {}
    for path in [*sorted(SHIPPED.glob("*.toml")), *own]:
        family = read_family(path)
        if family.name in families:
            raise BadInput.one(f"{path.name}: name", f"the family name {family.name} is taken.", "Choose another name.")
        families[family.name] = family
    return dict(sorted(families.items()))
