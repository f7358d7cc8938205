"""What stands between us and the database, told apart: out of room, damaged, or busy and out of reach."""

from __future__ import annotations

import errno
import sqlite3
from typing import Final, Literal

from sqlalchemy.exc import DatabaseError, OperationalError

from models.base.errors import Problem

Trouble = Literal["full", "damaged", "busy"]

NO_ROOM: Final = frozenset({errno.ENOSPC, errno.EDQUOT})
_DISK_FULL: Final = "53100"
"""SQLSTATE disk_full (PostgreSQL, appendix A)."""

_DATA_CORRUPTED: Final = frozenset({"XX001", "XX002"})
"""SQLSTATE data_corrupted and index_corrupted (PostgreSQL, appendix A)."""

_FULL_IN_SQLITE: Final = frozenset({sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR_SHMSIZE})
"""The second one: no room for the file through which connections tell each other of their state."""


def trouble_of(error: BaseException) -> Trouble | None:
    """Tell what kind of trouble an error is; None for a fault of another kind."""
    if isinstance(error, OSError):
        return "full" if error.errno in NO_ROOM else None
    if not isinstance(error, DatabaseError):
        return None
    code = getattr(error.orig, "sqlite_errorcode", 0)
    state = getattr(error.orig, "sqlstate", None)
    if code in _FULL_IN_SQLITE or state == _DISK_FULL:
        return "full"
    if code & 0xFF in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB) or state in _DATA_CORRUPTED:
        return "damaged"
    return "busy" if isinstance(error, OperationalError) else None


def told_trouble(error: BaseException) -> Problem | None:
    """Return trouble as a sentence for whoever runs the service; None for a fault of another kind."""
    trouble = trouble_of(error)
    if trouble is None:
        return None
    reason = str(getattr(error, "orig", error)).strip().splitlines()[0].rstrip(".")
    if trouble == "full":
        return Problem("the disk", f"It is full: {reason}.", "Make room, then do it again; nothing was stored in part.")
    if trouble == "damaged":
        mend = "Put it aside and restore the last backup into a new home with `tideover restore`."
        return Problem("the database", f"It is damaged: {reason}.", mend)
    mend = "Check that it runs, that nobody holds it locked, and that address and rights are correct."
    return Problem("TIDEOVER_DATABASE", f"The database cannot be opened: {reason}.", mend)


def cause_of(error: BaseException) -> str:
    """Name an error for the log: a code of the database or of the system, never anything that was sent in."""
    origin = getattr(error, "orig", None) or error
    number = getattr(origin, "errno", None)
    name = getattr(origin, "sqlite_errorname", None) or getattr(origin, "sqlstate", None)
    return str(name or errno.errorcode.get(number or 0) or type(origin).__name__)
