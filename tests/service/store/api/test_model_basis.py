"""A model whose outcomes were withdrawn or corrected: forecast, scoring, doctor, model page and training say so."""

from __future__ import annotations

from dataclasses import replace

from service.core.settings import Settings
from service.forecasting.forecasts.examples import example_case
from service.forecasting.model.basis import CODE
from service.forecasting.model.training import Taught
from service.operation.doctor import examine
from training.registry import ModelRegistry

WORDS = "one of those on record then was corrected or withdrawn since"


class Fixed:
    """A source of one model."""

    def __init__(self, model) -> None:
        self.model = model

    def current(self):
        return self.model


def learned_at(model, at):
    """The same model, as one that learned from the store at a moment."""
    facts = {**model.manifest.facts, "way": "learned", "learned_until": at.isoformat()}
    return replace(model, manifest=model.manifest.model_copy(update={"facts": facts}))


def flags(answer):
    assert answer.status_code == 201, answer.text
    return {flag["code"]: flag["text"] for flag in answer.json()["answer"]["flags"]}


def test_the_forecast_says_that_an_outcome_it_learned_from_was_withdrawn(filled, source, clock, monkeypatch):
    before = source.current()
    model = learned_at(before, clock.now)
    monkeypatch.setitem(filled.app.state._state, "models", Fixed(model))
    clock.forward(hours=1)
    number = filled.get("/v1/outcomes").json()["items"][0]["id"]
    after = {"pack_id": "MB-VAN-07", **example_case()["history"]["readings"][-1]}
    assert filled.delete(f"/v1/outcomes/{number}?reason=a+slip").status_code == 204
    assert filled.post("/v1/readings", json=after).status_code == 201
    said = flags(filled.post("/v1/packs/MB-VAN-07/forecasts", json={}))
    assert WORDS in said[CODE]
    clock.forward(minutes=1)
    monkeypatch.setitem(filled.app.state._state, "models", Fixed(learned_at(before, clock.now)))
    assert CODE not in flags(filled.post("/v1/packs/MB-VAN-07/forecasts", json={}))


def test_doctor_model_page_and_training_say_it_and_the_way_back(filled, clock, tmp_path, database):
    registry = ModelRegistry(tmp_path / "models")
    facts = {"way": "learned", "learned_until": clock.now.isoformat()}
    made = {"report": {}, "data_digest": "d" * 64, "seed": 0, "scores": {}, "families": (), "card": ""}
    manifest = registry.save({"invented": 1}, model_id="learned", created=clock.now, facts=facts, **made)
    base = registry.save({"invented": 2}, model_id="simulated", created=clock.now, facts={}, **made)
    registry.promote("learned", clock.now)
    settings = Settings.from_environment({"TIDEOVER_HOME": str(tmp_path), "TIDEOVER_DATABASE": database or ""})
    filled.app.state.settings = filled.app.state.settings.model_copy(update={"home": tmp_path})

    def told():
        found = [finding.what for finding in examine(settings, clock.now) if finding.verdict == "look"]
        return any(WORDS in what and "models rollback" in what for what in found), (
            WORDS in filled.get("/admin/models", headers={"Accept": "text/html"}).text
        )

    assert told() == (False, False)
    clock.forward(hours=1)
    outcome = filled.get("/v1/outcomes").json()["items"][0]["id"]
    assert filled.delete(f"/v1/outcomes/{outcome}?reason=a+slip").status_code == 204
    assert told() == (True, True)
    nothing = Taught(base, None, answering=manifest.model_id, before=manifest.model_id)
    assert "tideover models promote simulated --force" in nothing.sentences()[-1]
    assert len(Taught(base, None, answering="simulated", before="simulated").sentences()) == 2
