"""The model card."""

from __future__ import annotations

import json

from training.registry.manifest import Manifest


def model_card(manifest: Manifest) -> str:
    """Write the model card in Markdown."""
    scores = [
        f"| {name} | {'not available' if value is None else format(value, '.4g')} |"
        for name, value in manifest.scores.items()
    ]
    versions = {"tideover": manifest.code_version, "python": manifest.python_version, **manifest.libraries}
    told = {name: value for name, value in manifest.facts.items() if name != "back_test"}
    facts = [f"- {name}: {value if isinstance(value, str) else json.dumps(value)}" for name, value in told.items()]
    tried = [
        f"| {way['recipe']} | {way['log_score']:.4f} | {way['difference']:+.4f} | {way['standard_error']:.4f} |"
        for way in manifest.facts.get("back_test", ())
    ]
    trials = [
        "## Ways of learning that were tried on the past",
        "",
        "| way | log score | against as it stood | standard error |",
        "| --- | --- | --- | --- |",
        *tried,
        "",
    ]
    lines = [
        f"# Model {manifest.model_id}",
        "",
        manifest.card,
        "",
        "## Identity",
        "",
        f"- made: {manifest.created.isoformat(timespec='minutes')}",
        f"- payload SHA-256: `{manifest.payload_sha256}`",
        f"- training data: `{manifest.data_digest}`",
        f"- seed: {manifest.seed}, day grid {manifest.grid_version}, features {manifest.features_version}",
        f"- pack families seen in training: {', '.join(manifest.families)}",
        f"- versions: {', '.join(f'{name} {value}' for name, value in versions.items())}",
        "",
        "## Scores on held-out data",
        "",
        "| score | value |",
        "| --- | --- |",
        *scores,
        "",
        *(trials if tried else []),
        *(["## Training facts", "", *facts, ""] if facts else []),
        "## Limits",
        "",
        "It says nothing past its last day, and flags a pack that lies outside what it has seen in training.",
        "A probability is not permission to drive, and does not replace a trained technician's judgement.",
        "",
    ]
    return "\n".join(lines)
