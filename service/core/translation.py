"""Every English sentence that people read goes through one gettext catalogue, so that it can be translated."""

from __future__ import annotations

import gettext
from collections.abc import Iterable
from dataclasses import fields, is_dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any, Final

from models.base.errors import Problem
from models.base.messages import Said

LOCALES: Final = Path(__file__).parent / "locale"
"""``messages.pot`` holds every sentence; a translation goes into ``<language>/LC_MESSAGES/messages.mo``."""

LANGUAGE: Final = "en"


@cache
def translations() -> gettext.NullTranslations:
    """Return the catalogue of the language spoken; English is what stands in the code."""
    return gettext.translation("messages", LOCALES, [LANGUAGE], fallback=True)


def _(text: str) -> str:
    """Return a sentence in the language spoken; one made in `models` with what was put into it."""
    if isinstance(text, Said):
        pattern = _(text.pattern) if text.many is None else ngettext(text.pattern, text.many, text.number)
        return pattern % {name: _(part) if isinstance(part, Said) else part for name, part in text.values.items()}
    # The empty text stands for the catalogue's own header.
    return translations().gettext(text) if text else ""


def ngettext(one: str, many: str, count: int) -> str:
    """Return a sentence in the language spoken, for this count."""
    return translations().ngettext(one, many, count)


def translated(texts: Iterable[str]) -> list[str]:
    """Return marked sentences in the language spoken."""
    return [_(text) for text in texts]


def spoken(value: Any) -> Any:
    """Return a value with all that `models` says in it, however deep, in the language spoken."""
    if isinstance(value, Said):
        return _(value)
    if isinstance(value, list | tuple):
        return type(value)(spoken(part) for part in value)
    if is_dataclass(value) and not isinstance(value, type):
        return replace(value, **{field.name: spoken(getattr(value, field.name)) for field in fields(value)})
    return value


def translated_problems(problems: Iterable[Problem]) -> tuple[Problem, ...]:
    """Return what is wrong with an input in the language spoken; places keep their names."""
    return tuple(Problem(problem.where, _(problem.what), _(problem.mend)) for problem in problems)


def N_(text: str) -> str:  # noqa: N802  the name by which the catalogue's maker knows it
    """Mark a constant for the catalogue and return it as it is; `_` says it in the language spoken, when it is used."""
    return text
