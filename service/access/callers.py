"""Who is calling."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, get_args

ANYONE: Final = "anyone"
"""Who wrote, where the service runs without keys."""

Role = Literal["bench", "parts", "fleet", "admin", "read-only"]
ROLES: Final[tuple[Role, ...]] = get_args(Role)


@dataclass(frozen=True)
class Caller:
    """Who is calling.

    Attributes
    ----------
    name : str
        The access key's name, which stands in records and in the audit trail.
    """

    name: str
    role: Role


NO_KEYS: Final = Caller(ANYONE, "admin")
"""Where the service runs without keys, on this machine only, whoever can reach it may do everything."""
