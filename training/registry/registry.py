"""The model registry: trained forecasters as folders that are checked before anything in them is loaded.

A joblib file is a pickle, and loading a pickle runs whatever its writer put in. So the bytes are compared with the
digest in the manifest first, and only those same bytes, from memory, are unpickled. The digest guards against damage
and against files put there by mistake; against somebody who can write both files only the folder's permissions help,
which is why nothing is loaded from files and folders that others may write to, or that are links or another's.
"""

from __future__ import annotations

import fcntl
import io
import json
import os
import shutil
import tempfile
import time
import warnings
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from importlib.metadata import version
from pathlib import Path
from typing import Annotated, Any, Final, Literal
from weakref import WeakValueDictionary

import joblib
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from models.base.day_grid import GRID_VERSION
from models.base.errors import BadInput, ModelRefused, Problem, problems_from
from models.features.definitions import FEATURES_VERSION
from training.registry.manifest import FORMAT, LIBRARIES, MODEL_ID, Manifest, check_versions, python_here
from training.registry.own_files import (
    RETRAIN,
    checked_bytes,
    json_bytes,
    refused,
    require_own,
    sha256_of,
    to_disk,
    write_synced,
)
from training.registry.signature import input_signature

MANIFEST_FILE: Final = "manifest.json"
PAYLOAD_FILE: Final = "model.joblib"
REPORT_FILE: Final = "report.json"
SIGNATURE_FILE: Final = "signature.json"
POINTER_FILE: Final = "current.json"
SAVING: Final = ".saving-"
"""Begins the name of a folder that is being filled."""

MOVING: Final = ".current-"
"""Begins the name of a pointer that is being written."""

_IN_USE: Final[WeakValueDictionary[str, Any]] = WeakValueDictionary()
"""Loaded models by the digest of their bytes, for as long as somebody holds them: a job in a service asks for the one
that answers, and would load it a second time."""

LEFT_OVER_S: Final = 3_600.0
"""What is still unfinished after so long was left by a process that was killed. Our choice; writing takes seconds."""


class Move(BaseModel):
    """One change of the current model, and why."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    at: AwareDatetime
    action: Literal["promote", "rollback"]
    model_id: Annotated[str, Field(pattern=MODEL_ID.pattern)]
    why: str = ""


class _Pointer(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    history: tuple[Move, ...] = ()

    def stack(self) -> list[str]:
        """Replay the history: a promotion puts a model on top, a rollback takes the top one away."""
        stack: list[str] = []
        for move in self.history:
            if move.action == "promote":
                stack.append(move.model_id)
            else:
                stack.pop()
        return stack


@dataclass(frozen=True)
class StoredModel:
    """A model that passed every check, with what belongs to it."""

    manifest: Manifest
    model: Any
    report: dict[str, Any]


def _warn(problem: Problem) -> None:
    warnings.warn(str(problem), stacklevel=3)


class ModelRegistry:
    """Trained models in one folder, one folder each, and a pointer to the current one.

    Parameters
    ----------
    folder : Path
        Made on the first `save`, for this user only.
    warn : callable taking a `Problem`
        Told why a model that was promoted is not taken up; by default a Python warning.
    """

    def __init__(self, folder: Path, warn: Callable[[Problem], None] = _warn) -> None:
        self.folder = folder
        self.warn = warn

    def save(
        self,
        model: Any,
        *,
        model_id: str,
        report: Mapping[str, Any],
        data_digest: str,
        seed: int,
        scores: Mapping[str, float | None],
        created: datetime,
        families: tuple[str, ...],
        card: str,
        facts: Mapping[str, Any] | None = None,
    ) -> Manifest:
        """Store a model under its name, whole or not at all.

        The files are written to a temporary folder beside the others, which is then renamed. A folder of that name
        that would be refused is replaced.

        Raises
        ------
        BadInput
            The name is not a plain one, is taken by another usable model, or the facts are not JSON.
        """
        payload = _dump(model)
        report_bytes = json_bytes(report)
        try:
            manifest = Manifest(
                model_id=model_id,
                payload_sha256=sha256_of(payload),
                payload_bytes=len(payload),
                content_hash=joblib.hash(model),
                report_sha256=sha256_of(report_bytes),
                data_digest=data_digest,
                code_version=version("tideover"),
                python_version=python_here(),
                libraries={name: version(name) for name in LIBRARIES},
                seed=seed,
                grid_version=GRID_VERSION,
                features_version=FEATURES_VERSION,
                scores=dict(scores),
                created=created,
                families=families,
                facts=dict(facts or {}),
                card=card,
            )
        except ValidationError as error:
            raise BadInput(problems_from(error, ("manifest",))) from error
        self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        target = self.folder / model_id
        usable = self._usable(model_id)
        if usable is not None:
            if usable.content_hash == manifest.content_hash:
                return usable
            raise BadInput.one(
                "model_id", f"{model_id} is already the name of another model.", "Give the new model its own name."
            )
        self._sweep()
        temporary = Path(tempfile.mkdtemp(prefix=SAVING, dir=self.folder))
        try:
            write_synced(temporary / PAYLOAD_FILE, payload)
            write_synced(temporary / REPORT_FILE, report_bytes)
            write_synced(temporary / SIGNATURE_FILE, json_bytes(input_signature(families)))
            write_synced(temporary / MANIFEST_FILE, json_bytes(manifest.model_dump(mode="json")))
            to_disk(temporary)
            if target.exists():
                # It would be refused anyway, as after an upgrade; the same training gives the same name again.
                shutil.rmtree(target)
            temporary.rename(target)
            to_disk(self.folder)
        finally:
            shutil.rmtree(temporary, ignore_errors=True)
        return manifest

    def load(self, model_id: str, expected: type = object) -> StoredModel:
        """Check a model from the outside in, then load it.

        Parameters
        ----------
        expected : type
            What the payload must turn out to be.

        Raises
        ------
        BadInput
            There is no model of that name.
        ModelRefused
            A file is missing, cut off, changed, of another version, or holds something else.
        """
        manifest = self.manifest(model_id)
        folder = self.folder / model_id
        for path in (self.folder, folder, folder / MANIFEST_FILE, folder / PAYLOAD_FILE, folder / REPORT_FILE):
            require_own(path, link=path == self.folder)
        check_versions(manifest, folder)
        report = checked_bytes(folder / REPORT_FILE, manifest.report_sha256)
        payload = checked_bytes(folder / PAYLOAD_FILE, manifest.payload_sha256, manifest.payload_bytes)
        model = _IN_USE.get(manifest.payload_sha256)
        if model is None:
            try:
                model = joblib.load(io.BytesIO(payload))
            except Exception as error:
                reason = f"It cannot be loaded ({type(error).__name__})."
                raise refused(folder / PAYLOAD_FILE, reason, RETRAIN) from error
            with suppress(TypeError):  # what nothing can refer to weakly, as a dict, is loaded again each time
                _IN_USE[manifest.payload_sha256] = model
        if not isinstance(model, expected):
            raise refused(
                folder / PAYLOAD_FILE, f"It holds a {type(model).__name__}, not a {expected.__name__}.", RETRAIN
            )
        return StoredModel(manifest, model, json.loads(report))

    def manifest(self, model_id: str) -> Manifest:
        """Read what is known about a model, without loading it; errors as for `load`."""
        folder = self.folder / model_id
        if not MODEL_ID.match(model_id) or not folder.is_dir():
            known = ", ".join(self.names()) or "none"
            raise BadInput.one("model", f"There is no model named {model_id!r}.", f"Name one that is there ({known}).")
        path = folder / MANIFEST_FILE
        try:
            content = json.loads(path.read_bytes())
        except FileNotFoundError:
            raise refused(folder, "It has no manifest.json, so nothing says where it comes from.", RETRAIN) from None
        except ValueError:
            raise refused(path, "It is not readable JSON; the file is cut off or was changed.", RETRAIN) from None
        if not isinstance(content, dict) or content.get("format") != FORMAT:
            raise refused(
                path, f"It is not of the format {FORMAT}.", "Use a model made by this version of `tideover train`."
            )
        try:
            manifest = Manifest.model_validate(content)
        except ValidationError as error:
            first = problems_from(error)[0]
            raise refused(path, f"{first.where} is wrong: {first.what}", RETRAIN) from error
        if manifest.model_id != model_id:
            raise refused(
                path, f"It belongs to model {manifest.model_id}, not {model_id}.", "Give the folder its own name back."
            )
        return manifest

    def names(self) -> list[str]:
        """List the names of all models, sorted."""
        if not self.folder.is_dir():
            return []
        return sorted(path.name for path in self.folder.iterdir() if path.is_dir() and MODEL_ID.match(path.name))

    def current_id(self) -> str | None:
        """Return the name of the current model, or None if none was promoted yet."""
        stack = self._pointer().stack()
        return stack[-1] if stack else None

    def load_current(self, expected: type = object) -> StoredModel:
        """Load the current model; errors as for `load`, and `ModelRefused` if there is none."""
        model_id = self.current_id()
        if model_id is None:
            raise refused(
                self.folder, "There is no trained model yet.", "Make one with `tideover train`, or try `tideover demo`."
            )
        if not (self.folder / model_id).is_dir():
            raise refused(
                self.folder / model_id,
                "The current model's folder is gone.",
                "Promote another one with `tideover models promote`.",
            )
        return self.load(model_id, expected)

    def promote(self, model_id: str, at: datetime, why: str = "") -> None:
        """Make a model the current one. It is checked as for `load` first, without being loaded.

        Parameters
        ----------
        at : datetime
            Now, with offset.
        why : str
            Kept in the history: the comparison it won, or the reason for doing without.
        """
        self._checked(model_id)
        with self._moving():
            if self.current_id() != model_id:
                self._move(Move(at=at, action="promote", model_id=model_id, why=why))

    def rollback(self, at: datetime) -> str:
        """Go back to the model that was current before the last promotion, and return its name.

        Raises
        ------
        BadInput
            There is no earlier model.
        """
        with self._moving():
            stack = self._pointer().stack()
            if len(stack) < 2:
                raise BadInput.one(
                    "model",
                    "There is no earlier model to go back to.",
                    "Promote one by name with `tideover models promote`.",
                )
            self._checked(stack[-2])
            self._move(Move(at=at, action="rollback", model_id=stack[-1]))
            return stack[-2]

    def history(self) -> tuple[Move, ...]:
        """Return every promotion and rollback, oldest first."""
        return self._pointer().history

    def _checked(self, model_id: str) -> Manifest:
        manifest = self.manifest(model_id)
        folder = self.folder / model_id
        check_versions(manifest, folder)
        checked_bytes(folder / PAYLOAD_FILE, manifest.payload_sha256, manifest.payload_bytes)
        return manifest

    def _usable(self, model_id: str) -> Manifest | None:
        if not (self.folder / model_id).exists():
            return None
        try:
            return self._checked(model_id)
        except ModelRefused:
            return None

    def _sweep(self) -> None:
        """Remove what processes left that were killed while they wrote."""
        for path in (*self.folder.glob(f"{SAVING}*"), *self.folder.glob(f"{MOVING}*")):
            with suppress(FileNotFoundError):  # another process sweeps as well
                if path.stat().st_mtime < time.time() - LEFT_OVER_S:
                    shutil.rmtree(path) if path.is_dir() else path.unlink()

    @contextmanager
    def _moving(self) -> Iterator[None]:
        """Keep every other process and thread from moving the pointer between its being read and written."""
        self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        handle = os.open(self.folder, os.O_RDONLY)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX)
            yield
        finally:
            os.close(handle)

    def _move(self, move: Move) -> None:
        # Pointer and history are one file, so that a crash cannot leave them telling different stories.
        pointer = _Pointer(history=(*self._pointer().history, move))
        handle, name = tempfile.mkstemp(prefix=MOVING, dir=self.folder)
        os.close(handle)
        try:
            write_synced(Path(name), json_bytes(pointer.model_dump(mode="json")))
            Path(name).replace(self.folder / POINTER_FILE)
            to_disk(self.folder)
        finally:
            Path(name).unlink(missing_ok=True)

    def _pointer(self) -> _Pointer:
        path = self.folder / POINTER_FILE
        require_own(self.folder, link=True)
        require_own(path)
        try:
            pointer = _Pointer.model_validate_json(path.read_bytes())
            pointer.stack()
        except FileNotFoundError:
            return _Pointer()
        except (ValidationError, IndexError):
            raise refused(
                path, "It is cut off or was changed.", "Delete it, then promote a model with `tideover models promote`."
            ) from None
        return pointer


def _dump(model: Any) -> bytes:
    buffer = io.BytesIO()
    joblib.dump(model, buffer, compress=3)
    return buffer.getvalue()
