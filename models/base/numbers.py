"""Numbers and truths as they are sent: text of forms and tables is read as either, neither is taken for the other."""

from __future__ import annotations

from typing import Annotated, Any, Final

from pydantic import BeforeValidator

from models.base.errors import wrong


def _no_truth_value(value: Any) -> Any:
    if isinstance(value, bool):
        raise wrong(f"{str(value).lower()} is no number.", "Give a number, or leave it out.")
    return value


def _no_number(value: Any) -> Any:
    if isinstance(value, int | float) and not isinstance(value, bool):
        raise wrong("A number is neither true nor false.", "Give true or false.")
    return value


NO_TRUTH_VALUE: Final = BeforeValidator(_no_truth_value)
"""False is not 0: what nobody measured or stated must not become a number. Stands last in an annotation, as what stands
behind it would not be known to JSON Schema as a bound of a number."""

Truth = Annotated[bool, BeforeValidator(_no_number)]
"""True or false; 1 and 0 are neither."""
