"""Cases as they come in JSON, checked: the question asked, and the history it is asked of."""

from __future__ import annotations

from typing import TypeVar

from pydantic import BaseModel, ValidationError

from models.base.errors import BadInput, problems_from

Case = TypeVar("Case", bound=BaseModel)


def checked_case(kind: type[Case], content: object) -> Case:
    """Check a case that was read from JSON.

    Raises
    ------
    BadInput
        With every fault found.
    """
    try:
        return kind.model_validate(content)
    except ValidationError as error:
        raise BadInput(problems_from(error)) from error
