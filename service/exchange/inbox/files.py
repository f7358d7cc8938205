"""The inbox: a folder in the home from which files are imported."""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from models.base.errors import BadInput
from service.core.refusals import Conflict, NoSuchRecord
from service.core.settings import Settings
from service.core.translation import _
from training.registry.own_files import to_disk

COMING: Final = ".coming-"
"""Begins the name of a file that is still coming in."""


@dataclass(frozen=True)
class Waiting:
    """A file in the inbox.

    Attributes
    ----------
    name : str
        With its folder, if it lies in one: ``march-2026/readings.csv``.
    size : int
        Bytes.
    at : datetime
        When it came in.
    """

    name: str
    size: int
    at: datetime


def inbox_of(settings: Settings) -> Path:
    """Return the folder; it need not be there yet."""
    return settings.home / "inbox"


def list_inbox(inbox: Path) -> list[Waiting]:
    """List the files, by name; those still coming in are left out."""
    found = []
    for path in sorted(inbox.rglob("*")) if inbox.is_dir() else []:
        name = path.relative_to(inbox)
        if path.is_file() and not path.is_symlink() and not any(part.startswith(".") for part in name.parts):
            facts = path.stat()
            found.append(Waiting(name.as_posix(), facts.st_size, datetime.fromtimestamp(facts.st_mtime, UTC)))
    return found


@contextmanager
def coming_in(inbox: Path, name: str) -> Iterator[Callable[[bytes], int]]:
    """Take a file in piece by piece; it is there whole at the end of the block, or not at all.

    Parameters
    ----------
    name : str
        Checked, with a folder or without. A file of that name is replaced.

    Yields
    ------
    callable taking bytes

    Raises
    ------
    BadInput
        There is nothing in it.
    Conflict
        A folder has that name, or a file that of the folder.
    """
    target = inbox / name
    folder = target.parent
    if target.is_dir() or (folder != inbox and (folder.is_file() or folder.is_symlink())):
        raise Conflict(
            _("The name %(name)s is taken in the inbox. Choose another name, or remove that first.") % {"name": name}
        )
    inbox.mkdir(mode=0o700, parents=True, exist_ok=True)
    handle, temporary = tempfile.mkstemp(prefix=COMING, dir=inbox)
    try:
        with os.fdopen(handle, "wb") as file:
            yield file.write
            if not file.tell():
                raise BadInput.one(name, "There is nothing in the file.", "Send the file itself as the body.")
            file.flush()
            os.fsync(file.fileno())
        target.parent.mkdir(mode=0o700, exist_ok=True)
        Path(temporary).replace(target)
        for named_in in {target.parent, inbox}:
            to_disk(named_in)
    finally:
        with contextlib.suppress(FileNotFoundError):
            Path(temporary).unlink()


def require_no_links(inbox: Path, name: str) -> None:
    """Refuse what is, lies behind or holds a link: it leads to a file that nobody sent in.

    Raises
    ------
    BadInput
    """
    path = inbox / name
    for found in (path, path.parent if path.parent != inbox else path, *(path.iterdir() if path.is_dir() else ())):
        if found.is_symlink():
            raise BadInput.one(
                found.relative_to(inbox).as_posix(),
                "It is a link, and links in the inbox are not followed.",
                "Send the file itself.",
            )


def sweep(inbox: Path, older_than_s: float) -> int:
    """Remove what is left of files that did not come in to their end, as after a kill; return how many.

    Parameters
    ----------
    older_than_s : float
        Those that were written to within this time may still be coming in, to another process.
    """
    swept = 0
    for path in inbox.glob(f"{COMING}*"):
        with contextlib.suppress(FileNotFoundError):
            if path.stat().st_mtime < time.time() - older_than_s:
                path.unlink()
                swept += 1
    return swept


def remove(inbox: Path, name: str) -> None:
    """Remove a file, or a folder with all its files.

    Raises
    ------
    NoSuchRecord
    """
    target = inbox / name
    if target.is_dir() and not target.is_symlink():
        shutil.rmtree(target)
        return
    try:
        if target.parent != inbox and target.parent.is_symlink():
            raise FileNotFoundError  # what lies behind a link is not in the inbox
        target.unlink()
    except (FileNotFoundError, NotADirectoryError):
        raise NoSuchRecord(_("There is no file or folder %(name)s in the inbox.") % {"name": name}) from None
