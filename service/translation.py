"""Every English sentence that people read goes through one gettext catalogue, so that it can be translated."""

from __future__ import annotations

import gettext
from collections.abc import Iterable
from functools import cache
from pathlib import Path
from typing import Final

LOCALES: Final = Path(__file__).parent / "locale"
"""``messages.pot`` holds every sentence; a translation goes into ``<language>/LC_MESSAGES/messages.mo``."""

LANGUAGE: Final = "en"


@cache
def translations() -> gettext.NullTranslations:
    """Return the catalogue of the language spoken; English is what stands in the code."""
    return gettext.translation("messages", LOCALES, [LANGUAGE], fallback=True)


def _(text: str) -> str:
    """Return a sentence in the language spoken."""
    # The empty text stands for the catalogue's own header.
    return translations().gettext(text) if text else ""


def ngettext(one: str, many: str, count: float) -> str:
    """Return a sentence in the language spoken, for this count."""
    return translations().ngettext(one, many, count)  # type: ignore[arg-type]


def translated(texts: Iterable[str]) -> list[str]:
    """Return marked sentences in the language spoken."""
    return [_(text) for text in texts]


def N_(text: str) -> str:  # noqa: N802  the name by which the catalogue's maker knows it
    """Mark a constant for the catalogue and return it as it is; `_` says it in the language spoken, when it is used."""
    return text
