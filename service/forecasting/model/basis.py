"""Whether what a model learned from is still on record."""

from __future__ import annotations

from datetime import datetime
from typing import Final

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from models.base.errors import ModelRefused
from models.forecasts.forecast import Flag
from service.core.translation import ngettext
from service.store.schema import EarlierVersion
from training.registry import Manifest, ModelRegistry

CODE: Final = "model-basis-withdrawn"


def basis_withdrawn(session: Session, manifest: Manifest) -> Flag | None:
    """Say how many outcomes that a model may have learned from were corrected or withdrawn since; None if none was."""
    until = manifest.facts.get("learned_until")
    if until is None or manifest.facts.get("way") != "learned":
        return None
    moment = datetime.fromisoformat(until)
    changed = session.scalar(
        select(func.count(EarlierVersion.record_id.distinct())).where(
            EarlierVersion.subject == "outcomes",
            EarlierVersion.recorded_at <= moment,
            EarlierVersion.superseded_at > moment,
        )
    )
    if not changed:
        return None
    told = ngettext(
        "The model that answers learned from outcomes of yours, and one of those on record then was corrected or "
        "withdrawn since. Train it again from the store, or go back to the model used before.",
        "The model that answers learned from outcomes of yours, and %(num)s of those on record then were corrected or "
        "withdrawn since. Train it again from the store, or go back to the model used before.",
        changed,
    ) % {"num": changed}
    return Flag(CODE, told)


def current_basis_withdrawn(session: Session, registry: ModelRegistry) -> str | None:
    """Say it of the model that answers; None as well where there is none that can be read."""
    try:
        current = registry.current_id()
        flag = None if current is None else basis_withdrawn(session, registry.manifest(current))
    except ModelRefused:
        return None
    return None if flag is None else flag.text
