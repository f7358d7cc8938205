"""Files of a model: written to the disk, and read only if they are whole and nobody else's."""

from __future__ import annotations

import hashlib
import json
import os
import stat
from pathlib import Path
from typing import Any

from models.base.errors import BadInput, ModelRefused, Problem

RETRAIN = "Train it again with `tideover train`, or restore the folder from a backup."


def sha256_of(content: bytes) -> str:
    """Return the digest of some bytes, as hexadecimal digits."""
    return hashlib.sha256(content).hexdigest()


def json_bytes(value: Any) -> bytes:
    """Write something as JSON; raise `BadInput` where JSON cannot say it."""
    try:
        return json.dumps(value, indent=1, ensure_ascii=False, allow_nan=False).encode()
    except (TypeError, ValueError) as error:
        raise BadInput.one(
            "model facts", f"They cannot be written as JSON: {error}.", "Use numbers, text, lists and mappings only."
        ) from error


def write_synced(path: Path, content: bytes) -> None:
    """Write a file for this user only, and wait until it is on the disk."""
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(handle, "wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def to_disk(path: Path) -> None:
    """Wait until a file is on the disk; of a folder, the names in it."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def require_own(path: Path, *, link: bool = False) -> None:
    """Refuse what others may write to, what is another's (but for the administrator's), and, unless allowed, a link."""
    try:
        facts = path.stat(follow_symlinks=link)
    except FileNotFoundError:
        return
    if stat.S_ISLNK(facts.st_mode):
        raise refused(path, "It is a link, and loading a model runs code.", "Put the file itself there.")
    if facts.st_uid not in (0, os.geteuid()):
        raise refused(
            path, "It belongs to another user of this machine, and loading a model runs code.", f"chown it: '{path}'."
        )
    if facts.st_mode & (stat.S_IWGRP | stat.S_IWOTH):
        raise refused(
            path,
            "Other users of this machine may write to it, and loading a model runs code.",
            f"Take their right away: chmod go-w '{path}'.",
        )


def checked_bytes(path: Path, sha256: str, size: int | None = None) -> bytes:
    """Read a file; refuse it where it is missing, shorter than `size`, or of another digest."""
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        raise refused(path, "The file is missing.", RETRAIN) from None
    if size is not None and len(content) < size:
        raise refused(path, f"The file is cut off: {len(content)} of {size} bytes are there.", RETRAIN)
    if sha256_of(content) != sha256:
        raise refused(
            path, "The file is not the one its manifest describes; it was changed, and was not loaded.", RETRAIN
        )
    return content


def refused(where: Path, what: str, mend: str) -> ModelRefused:
    """Say why a model is not used."""
    return ModelRefused(Problem(str(where), what, mend))
