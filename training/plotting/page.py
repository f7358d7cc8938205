"""What both reports are rendered with: one set of styles, nothing written that was not escaped."""

from __future__ import annotations

from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined


def report_environment(package: str) -> Environment:
    """Return the environment for the templates of a package of `training`, which may include ``page.css``."""
    return Environment(
        loader=ChoiceLoader([PackageLoader("training", package), PackageLoader("training", "plotting")]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
