"""What is told about the current model."""

from __future__ import annotations

from typing import Any

from pydantic import AwareDatetime, BaseModel, Field


class GridFacts(BaseModel):
    """The day grid on which every curve is given."""

    version: str
    days: list[float]
    horizon_days: float = Field(description="Beyond this day nothing is claimed.")


class ModelFacts(BaseModel):
    """Identity, training facts and card of the model that answers."""

    model_id: str
    created: AwareDatetime
    payload_sha256: str
    data_digest: str = Field(description="Digest of the tables it was trained on.")
    seed: int
    versions: dict[str, str] = Field(description="Of this program, Python and the libraries whose objects it holds.")
    grid: GridFacts
    families: list[str] = Field(description="Pack families seen in training.")
    scores: dict[str, float | None] = Field(description="On held-out packs; null if too few came back to tell.")
    facts: dict[str, Any] = Field(description="Further training facts.")
    card: str = Field(description="The model card, in Markdown.")
