"""What is known about a model without loading it, and whether it was made by what runs here."""

from __future__ import annotations

import platform
import re
from importlib.metadata import version
from pathlib import Path
from typing import Annotated, Any, Final, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, FiniteFloat

from models.base.day_grid import GRID_VERSION
from models.features.definitions import FEATURES_VERSION
from training.registry.own_files import refused

FORMAT: Final = "tideover-model-1"
LIBRARIES: Final = ("numpy", "scikit-learn", "pandas", "scipy")
MODEL_ID = re.compile(r"^[A-Za-z0-9][A-Za-z0-9._-]{0,79}$")


class Manifest(BaseModel):
    """What is known about a model without loading it.

    Attributes
    ----------
    format : str
        Version of this folder layout.
    model_id : str
        Name of the model and of its folder.
    payload_sha256, report_sha256 : str
        Digests of the two files beside the manifest.
    content_hash : str
        `joblib.hash` of the model: the same for equal models, whose bytes may differ from run to run (sets have no
        order).
    payload_bytes : int
        Size of the payload, so that a cut-off file can be named as such.
    data_digest : str
        Digest of the training tables.
    code_version, python_version : str
        Of the program that trained it; Python as major.minor.
    libraries : dict of str to str
        Versions of the libraries whose objects the payload holds.
    grid_version : str
        `models.base.day_grid.GRID_VERSION` at training.
    features_version : str
        `models.features.definitions.FEATURES_VERSION` at training.
    scores : dict of str to float
        Held-out scores, by name.
    created : datetime
        With offset; handed in.
    families : tuple of str
        Pack families seen in training.
    facts : dict
        Further training facts.
    card : str
        What the model is for, in a few sentences.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    format: Literal["tideover-model-1"] = FORMAT
    model_id: Annotated[str, Field(pattern=MODEL_ID.pattern)]
    payload_sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    payload_bytes: Annotated[int, Field(ge=1)]
    content_hash: str
    report_sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    data_digest: str
    code_version: str
    python_version: str
    libraries: dict[str, str]
    seed: int
    grid_version: str
    features_version: str = "unknown"
    scores: dict[str, FiniteFloat | None]
    created: AwareDatetime
    families: tuple[str, ...]
    facts: dict[str, Any] = Field(default_factory=dict)
    card: str


def check_versions(manifest: Manifest, folder: Path) -> None:
    """Refuse a model that was made with other versions than run here."""
    here = {
        "tideover": version("tideover"),
        "python": python_here(),
        "day grid": GRID_VERSION,
        "features": FEATURES_VERSION,
    }
    here |= {name: version(name) for name in LIBRARIES}
    made = {
        "tideover": manifest.code_version,
        "python": manifest.python_version,
        "day grid": manifest.grid_version,
        "features": manifest.features_version,
    }
    made |= {name: manifest.libraries.get(name, "unknown") for name in LIBRARIES}
    differing = [f"{name} {made[name]} (here {here[name]})" for name in here if made[name] != here[name]]
    if differing:
        raise refused(
            folder,
            f"The model was made with {', '.join(differing)}.",
            "Train it again with `tideover train`, or install the versions it was made with.",
        )


def python_here() -> str:
    """Return the version of Python here, as major.minor."""
    return ".".join(platform.python_version_tuple()[:2])
