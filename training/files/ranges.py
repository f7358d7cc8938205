"""Checking the numbers of a plan against their ranges, naming each field that is out."""

from __future__ import annotations

from collections.abc import Mapping

from models.base.errors import BadInput, Problem


def require_ranges(owner: object, ranges: Mapping[str, tuple[float, float]], prefix: str = "") -> None:
    """Raise `BadInput` with every field of an object that lies outside its range.

    Parameters
    ----------
    owner : object
        With numeric attributes.
    ranges : mapping of str to (float, float)
        Lowest and highest allowed value of each attribute, both included.
    prefix : str
        Written before the field's name, for example ``habits.``.

    Raises
    ------
    BadInput
        One problem a field; NaN is outside every range.
    """
    found = [
        Problem(
            f"{prefix}{name}",
            f"is {getattr(owner, name):g}, outside {low:g} to {high:g}.",
            f"Choose a value from {low:g} to {high:g}.",
        )
        for name, (low, high) in ranges.items()
        if not low <= getattr(owner, name) <= high
    ]
    if found:
        raise BadInput(found)
