"""The cautions in the language spoken; the one list is `models.packs.cautions`."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from models.packs import cautions
from models.packs.cautions import Chemistry
from models.packs.family import PackFamily
from service.core.translation import _


def shared_chemistry(families: Mapping[str, PackFamily], names: Iterable[str]) -> Chemistry | None:
    """Return the one chemistry that packs of some families have; None if they have two, or a family is not known."""
    found = {families[name].chemistry if name in families else None for name in names}
    return found.pop() if len(found) == 1 else None


def driving() -> list[str]:
    """Return what goes with every answer that a car may be driven by."""
    return [_(caution.text) for caution in cautions.DRIVING]


def at_the_pack(chemistry: Chemistry | None = None) -> list[str]:
    """Return what goes with all work on a pack; without a chemistry that of every one."""
    return [_(caution.text) for caution in cautions.at_the_pack(chemistry)]


def all_cautions(chemistry: Chemistry | None = None) -> list[str]:
    """Return both, those of driving first."""
    return [_(caution.text) for caution in cautions.cautions_for(chemistry)]
