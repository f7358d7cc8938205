"""Errors that say where, what and how to mend it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from typing import Any, Final

from pydantic import ValidationError
from pydantic_core import PydanticCustomError

_MEND_BY_TYPE: Mapping[str, str] = {
    "missing": "Add this field.",
    "extra_forbidden": "Remove it, or check its spelling against the documented fields.",
    "timezone_aware": "Write the time with its offset, as in 2026-03-02T08:30:00+00:00.",
    "datetime_from_date_parsing": "Write the time as in 2026-03-02T08:30:00+00:00.",
    "datetime_parsing": "Write the time as in 2026-03-02T08:30:00+00:00.",
    "finite_number": "Leave the value out if it was not measured; never send NaN or infinity.",
    "float_parsing": "Give a plain number, with a point as decimal sign.",
    "float_type": "Give a plain number, with a point as decimal sign.",
    "int_parsing": "Give a whole number.",
    "string_pattern_mismatch": "Use letters, digits, point, hyphen and underscore, and begin with a letter or digit.",
    "literal_error": "Choose one of them.",
    "date_from_datetime_parsing": "Write it as 2026-03-14.",
    "date_parsing": "Write it as 2026-03-14.",
    "json_invalid": "Send valid JSON; NaN and Infinity are not JSON numbers.",
    "greater_than_equal": "Give {ge} or more.",
    "greater_than": "Give more than {gt}.",
    "less_than_equal": "Give {le} or less.",
    "less_than": "Give less than {lt}.",
    "too_short": "Give at least {min_length}.",
    "too_long": "Give at most {max_length}.",
    "string_too_short": "Write {min_length} or more characters.",
    "string_too_long": "Shorten it.",
    "bool_parsing": "Give true or false.",
    "bool_type": "Give true or false.",
}

_MEND_BY_PATTERN: Mapping[str, str] = {"^[A-Z]{3}$": "Write its three capital letters, as EUR."}
"""Where the signs that may stand are fewer than in a name."""

_WHAT_BY_TYPE: Mapping[str, str] = {
    "missing": "This is required.",
    "extra_forbidden": "This is not known here.",
    "string_pattern_mismatch": "There are characters in it that cannot stand here.",
    "string_too_long": "This is longer than {max_length} characters.",
    "string_too_short": "This is too short, or empty.",
    "string_type": "This is not text.",
    "float_parsing": "This is not a number.",
    "float_type": "This is not a number.",
    "finite_number": "This is not a number that can be measured.",
    "int_parsing": "This is not a whole number.",
    "int_type": "This is not a whole number.",
    "int_from_float": "This is not a whole number.",
    "bool_parsing": "This is neither yes nor no.",
    "bool_type": "This is neither yes nor no.",
    "greater_than_equal": "This is less than {ge}.",
    "greater_than": "This is not more than {gt}.",
    "less_than_equal": "This is more than {le}.",
    "less_than": "This is {lt} or more.",
    "too_short": "There are too few of these: {actual_length}.",
    "too_long": "There are too many of these: {actual_length}.",
    "literal_error": "This is not one of {expected}.",
    "datetime_type": "This is not a time.",
    "datetime_parsing": "This is not a time.",
    "datetime_from_date_parsing": "This is not a time.",
    "timezone_aware": "The offset from UTC is missing.",
    "date_type": "This is not a day.",
    "date_parsing": "This is not a day.",
    "date_from_datetime_parsing": "This is not a day.",
    "list_type": "This is not a list.",
    "tuple_type": "This is not a list.",
    "dict_type": "This is not a set of named fields.",
    "model_type": "This is not a set of named fields.",
    "model_attributes_type": "This is not a set of named fields.",
}
"""What is wrong, in words for somebody at a field: a validator's own are for programmers."""


_MEND_SHARE: Final = "Give a share of 1, as 0.05 for 5 in 100."
"""Where nothing above 1 is taken: per cents are what people have in mind."""

_THOUSANDTH: Final[Mapping[str, str]] = {"_ah": "mAh", "_v": "mV", "_a": "mA"}
"""Unit a thousandth of the one that a field's name ends in: what a number far too large was often read in."""


@dataclass(frozen=True, order=True)
class Problem:
    """One thing wrong with an input.

    Attributes
    ----------
    where : str
        The field, row or file, for example ``readings[2].block_v``.
    what : str
        What is wrong, in a sentence.
    mend : str
        How to put it right, in a sentence.
    """

    where: str
    what: str
    mend: str

    def __str__(self) -> str:
        return f"{self.where}: {self.what} {self.mend}"

    def as_dict(self) -> dict[str, str]:
        """Return the three parts by name."""
        return asdict(self)


class TideoverError(Exception):
    """Base of every error this project raises on purpose.

    ::

        TideoverError
        ├── BadInput        what was handed in is wrong; carries a list of Problem
        ├── OutOfReach      the input is well formed, but can be true of no pack
        ├── NotEstimable    too few or too alike rows for a score (raised by the scores)
        └── ModelRefused    a model file is corrupt, foreign or of another version
    """


class BadInput(TideoverError, ValueError):
    """What was handed in is wrong; `problems` says where, what and how to mend it."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = tuple(problems)
        super().__init__("\n".join(str(p) for p in self.problems))

    @classmethod
    def one(cls, where: str, what: str, mend: str) -> BadInput:
        """Build the error for a single problem."""
        return cls([Problem(where, what, mend)])


class OutOfReach(TideoverError):
    """The input is well formed, but something that follows from it can be true of no pack."""


class ModelRefused(TideoverError):
    """A model file is corrupt, foreign or of another version; nothing was loaded from it."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        super().__init__(problem)

    @property
    def said(self) -> str:
        """What is wrong and how to mend it, without the place on the machine: for whoever asks from elsewhere."""
        return f"{self.problem.what} {self.problem.mend}"


def wrong(what: str, mend: str, **context: Any) -> PydanticCustomError:
    """Return the error a pydantic validator raises so that `problems_from` can say how to mend it."""
    return PydanticCustomError("tideover", "{what}", {"what": what, "mend": mend, **context})


def path_of(location: Iterable[int | str]) -> str:
    """Write a pydantic location as a path, ``("readings", 2, "block_v")`` as ``readings[2].block_v``."""
    path = ""
    for part in location:
        path += f"[{part}]" if isinstance(part, int) else (f".{part}" if path else part)
    return path or "input"


def _plain(value: Any) -> Any:
    """Write a limit as somebody would: ``5`` for ``5.0``."""
    return f"{value:.10g}" if isinstance(value, float) else value


def _mend_too_large(usual: str, name: str, context: Mapping[str, Any]) -> str:
    """Say what a number that is too large was probably meant to be."""
    if "1" in (str(context.get("lt")), str(context.get("le"))):
        return _MEND_SHARE
    unit = next((unit for ending, unit in _THOUSANDTH.items() if name.endswith(ending)), None)
    return usual if unit is None else f"{usual} If it was read in {unit}, divide it by 1000."


def problems_from(error: ValidationError, prefix: tuple[int | str, ...] = ()) -> list[Problem]:
    """Turn a pydantic error into problems, one a fault, in the order of the input."""
    return problems_of_items(error.errors(include_url=False), prefix)


def problems_of_items(items: Iterable[Mapping[str, Any]], prefix: tuple[int | str, ...] = ()) -> list[Problem]:
    """Turn the single entries of a pydantic error (``ValidationError.errors()``) into problems."""
    found = []
    faults = list(items)
    holders = {tuple(item["loc"][:depth]) for item in faults for depth in range(len(item["loc"]))}
    for item in faults:
        # A tuple with a wrong value in it is also called too short by pydantic: one fault, told once.
        if item["type"] == "too_short" and tuple(item["loc"]) in holders:
            continue
        context = {name: _plain(value) for name, value in (item.get("ctx") or {}).items()}
        plain = _WHAT_BY_TYPE.get(item["type"])
        said = item["msg"].replace("Input should be", "This must be").rstrip(".") + "."
        what = said if plain is None else plain.format_map(context)
        usual = _MEND_BY_TYPE.get(item["type"], "Correct this value.").format_map(context)
        if item["type"] in ("less_than", "less_than_equal"):
            usual = _mend_too_large(usual, str(item["loc"][-1]), context)
        mend = str(context.get("mend") or _MEND_BY_PATTERN.get(str(context.get("pattern")), usual))
        where = path_of((*prefix, *(part for part in item["loc"])))
        found.append(Problem(where, what[0].upper() + what[1:], mend))
    return found
