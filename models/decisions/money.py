"""Amounts of money that know their currency, and costs that are asked for rather than assumed."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from iso4217 import Currency
from numpy.typing import ArrayLike

from models.base.arrays import Floats
from models.base.errors import BadInput, Problem
from models.base.messages import say


def minor_digits(currency: str, where: str = "currency") -> int:
    """Return how many decimals a currency is written with, refusing codes that are no currency.

    Parameters
    ----------
    currency : str
        Alphabetic code of ISO 4217, for example ``"EUR"``.
    where : str
        Name used in the error.

    Returns
    -------
    int
        Decimals of the minor unit after ISO 4217 (2 for most, 0 for JPY, 3 for KWD).

    Raises
    ------
    BadInput
        For anything that is not a code of the current list, and for the codes of metals, funds without a minor unit
        and tests, in which no pack is priced.

    Examples
    --------
    >>> minor_digits("EUR"), minor_digits("JPY"), minor_digits("KWD")
    (2, 0, 3)
    """
    try:
        # The library also knows lower-case names; the standard does not.
        digits = Currency(currency).exponent if currency == currency.upper() else None
    except ValueError:
        digits = None
    if digits is None:
        raise BadInput.one(
            where,
            f"{currency!r} is not a currency of ISO 4217.",
            "Give the three capital letters of the currency, for example EUR.",
        )
    return digits


@dataclass(frozen=True)
class Money:
    """An amount with its currency.

    The amount is a float because nearly every amount here is an expectation, not an entry in somebody's books.

    Attributes
    ----------
    amount : float
        In units of the currency (not cents).
    currency : str
        ISO 4217 code.

    Raises
    ------
    BadInput
        For an unknown currency or an amount that is not finite; from the operators, for two different currencies.

    Examples
    --------
    >>> print(Money(1800, "EUR") + Money(95.5, "EUR"))
    EUR 1,895.50
    >>> print(Money(1800, "EUR"))
    EUR 1,800
    """

    amount: float
    currency: str

    def __post_init__(self) -> None:
        minor_digits(self.currency)
        if not math.isfinite(self.amount):
            raise BadInput.one("amount", f"is {self.amount}, not a number.", "Leave the amount out if it is not known.")

    def __add__(self, other: Money) -> Money:
        return Money(self.amount + other.amount, one_currency((self.currency, other.currency)))

    def __sub__(self, other: Money) -> Money:
        return Money(self.amount - other.amount, one_currency((self.currency, other.currency)))

    def __mul__(self, factor: float) -> Money:
        return Money(self.amount * factor, self.currency)

    def __lt__(self, other: Money) -> bool:
        one_currency((self.currency, other.currency))
        return self.amount < other.amount

    def whole(self) -> str:
        """Write an expected amount without the digits that it does not have: ``EUR 1,836``."""
        return f"{self.currency} {self.amount:,.0f}"

    def rough(self) -> str:
        """Write an expected amount to three figures, for small ones: ``EUR 47.4``."""
        digits = 0 if not self.amount else max(2 - math.floor(math.log10(abs(self.amount))), 0)
        return f"{self.currency} {self.amount:,.{digits}f}"

    def __str__(self) -> str:
        digits = minor_digits(self.currency)
        text = f"{self.amount:,.{digits}f}"
        return f"{self.currency} {text.removesuffix('.' + digits * '0')}"


def one_currency(currencies: Iterable[str], where: str = "currency") -> str:
    """Return the one currency of several amounts, or refuse to mix.

    Parameters
    ----------
    currencies : iterable of str
        At least one code.
    where : str
        Name used in the error.

    Raises
    ------
    BadInput
        If an unknown code or more than one currency is among them.
    """
    found = sorted(set(currencies))
    for code in found:
        minor_digits(code, where)
    if len(found) != 1:
        raise BadInput.one(
            where,
            f"mixes {' and '.join(found)}; no rate of exchange is assumed.",
            "Convert every amount to one currency at a rate you stand by, then ask again.",
        )
    return found[0]


Amounts = ArrayLike | None
"""One amount for all cases, or one a case, in the currency stated beside it; ``None`` if nobody has said yet."""


def asked_for(amounts: Mapping[str, tuple[Amounts, str]], cases: int) -> dict[str, Floats]:
    """Return each amount as one value a case, refusing those that nobody has stated.

    Costs have no default: a cost invented here would decide in the shop's name. Zero is taken when it is said.

    Parameters
    ----------
    amounts : mapping of str to (amounts, str)
        Under each name the amount and the sentence that says why it is needed.
    cases : int
        Number of cases.

    Returns
    -------
    dict of str to array, shape (cases,)

    Raises
    ------
    BadInput
        With one problem for every amount that is missing, negative, not finite or of another length.
    """
    found: list[Problem] = []
    arrays: dict[str, Floats] = {}
    for name, (amount, why) in amounts.items():
        place = f"costs.{name}"
        if amount is None:
            what = say("is not given. %(why)s", why=why)
            found.append(Problem(place, what, say("State it, as 0 if it really costs nothing.")))
            continue
        values = np.asarray(amount, dtype=np.float64)
        if values.shape not in ((), (cases,)):
            found.append(
                Problem(place, f"has shape {values.shape} for {cases} cases.", "Give one amount, or one for each case.")
            )
        elif not np.isfinite(values).all() or (values < 0).any():
            found.append(Problem(place, "is negative or not a number.", "Give amounts of 0 or more."))
        else:
            arrays[name] = np.broadcast_to(values, (cases,)).astype(np.float64)
    if found:
        raise BadInput(found)
    return arrays
