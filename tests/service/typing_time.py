"""How long it takes to type something: the keystroke-level model of Card, Moran and Newell (1980), CACM 23(7), 396.

Of an average typist who is none by trade (40 words a minute), and with a hand to the pointer and back for each tap;
thinking and reading are not typing. The figures are from memory, unverified.
"""

from __future__ import annotations

from typing import Final

KEY_S: Final = 0.28
POINT_S: Final = 1.1
HOME_S: Final = 0.4


def seconds(keys: int, taps: int = 0) -> float:
    """Return the seconds that so many keystrokes and taps take."""
    return keys * KEY_S + taps * (POINT_S + 2 * HOME_S)
