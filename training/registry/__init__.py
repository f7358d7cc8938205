"""Trained models as folders that are checked before anything in them is loaded.

Begin at `registry.ModelRegistry`; it keeps what `training.learning` makes. May import every other package of
`training`; only `service` imports it.
"""

from training.registry.card import model_card
from training.registry.manifest import Manifest
from training.registry.registry import ModelRegistry, StoredModel

__all__ = ["Manifest", "ModelRegistry", "StoredModel", "model_card"]
