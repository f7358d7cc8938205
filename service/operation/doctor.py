"""Looking for what is wrong, or soon will be, and saying how to mend it."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final, Literal

from sqlalchemy import func, select, text

from models.base.errors import BadInput, ModelRefused
from models.forecaster import Forecaster
from service.core.settings import Settings
from service.forecasting.model.basis import current_basis_withdrawn
from service.jobs.self_checks import newest_check
from service.records.history import without_family
from service.store.opening import Store
from service.store.schema import ApiKey, Job, OutgoingMessage
from service.store.upgrading import open_store, told_plainly
from training.files.families import load_families
from training.registry import ModelRegistry

LEAST_FREE_BYTES: Final = 500_000_000
SOON: Final = timedelta(days=30)
WAITED_LONG: Final = timedelta(hours=1)


@dataclass(frozen=True)
class Finding:
    """One thing looked at: whether it is good, worth a look, or bad."""

    verdict: Literal["good", "look", "bad"]
    what: str


def examine(settings: Settings, now: datetime) -> Iterator[Finding]:
    """Look at the home, the store, the keys, the jobs and the model; nothing is changed."""
    home = settings.home
    if not home.is_dir():
        yield Finding("look", f"The home {home} is not there yet; it is made on first use.")
        return
    mode = home.stat().st_mode & 0o077
    loose = f"Others may read or write {home} (mode {home.stat().st_mode & 0o777:o}): run chmod 700 on it."
    yield Finding("look", loose) if mode else Finding("good", f"The home {home} is for this user only.")
    free = shutil.disk_usage(home).free
    yield Finding("good" if free >= LEAST_FREE_BYTES else "bad", f"{free // 1_000_000} MB are free in the home.")
    try:
        store = open_store(home, settings.database_url)
    except BadInput as error:
        yield Finding("bad", str(error))
    else:
        try:
            with told_plainly():
                yield from _store(store, settings, now)
        except BadInput as error:
            yield Finding("bad", str(error))
        finally:
            store.close()
    yield _model(settings)


def _store(store: Store, settings: Settings, now: datetime) -> Iterator[Finding]:
    kind = "SQLite" if store.is_sqlite else "PostgreSQL"
    yield Finding("good", f"The store ({kind}) opens and has the schema this program needs.")
    with store.reading() as session:
        if store.is_sqlite:
            answer = str(session.scalar(text("PRAGMA quick_check")))
            yield (
                Finding("good", "The database file is sound.")
                if answer == "ok"
                else Finding("bad", f"The database file is damaged ({answer}): restore a backup.")
            )
        keys = list(session.scalars(select(ApiKey).where(ApiKey.revoked_at.is_(None))))
        ever = session.scalar(select(func.count()).select_from(ApiKey))
        if not ever:
            what = "There are no access keys: the service answers on this machine only, and anybody on it."
            yield Finding("good" if settings.on_loopback else "bad", what)
        else:
            good = [key for key in keys if key.expires_at is None or key.expires_at > now]
            admins = [key for key in good if key.role == "admin"]
            yield Finding(
                "good" if admins else "bad", f"{len(good)} access keys open something, {len(admins)} of them for admin."
            )
            for key in good:
                if key.expires_at is not None and key.expires_at < now + SOON:
                    yield Finding("look", f"The key {key.id} ({key.title}) expires on {key.expires_at.date()}.")
        waiting = session.scalar(
            select(func.count()).select_from(Job).where(Job.state == "queued", Job.created_at < now - WAITED_LONG)
        )
        if waiting:
            yield Finding("look", f"{waiting} jobs have waited for more than an hour: is `tideover worker` running?")
        lost = select(func.count()).select_from(OutgoingMessage).where(OutgoingMessage.state == "given-up")
        if session.scalar(lost):
            yield Finding("look", "Messages to receivers of notices never arrived: see `tideover receivers failures`.")
        check = newest_check(session)
        if check is None or check.result is None:
            yield Finding("look", "There was no self-check yet: run `tideover self-check` every night.")
        else:
            yield Finding("good" if check.result["sound"] else "bad", str(check.result["sentences"][0]))
        if (unknown := without_family(session, load_families(settings.own_families_dir))) is not None:
            yield Finding("bad", unknown)
        registry = ModelRegistry(settings.models_dir, lambda _problem: None)
        if (changed := current_basis_withdrawn(session, registry)) is not None:
            again = "`tideover train --from-store` learns anew, `tideover models rollback` goes back."
            yield Finding("look", f"{changed} {again}")


def _model(settings: Settings) -> Finding:
    try:
        current = ModelRegistry(settings.models_dir, lambda _problem: None).load_current(Forecaster)
    except ModelRefused as error:
        return Finding("bad", f"There is no usable model: {error}")
    return Finding("good", f"The model {current.manifest.model_id} is the one that was stored, and loads.")
