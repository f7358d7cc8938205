"""Every sentence of the pages stands in the catalogue, and none stands in a template past it."""

from __future__ import annotations

import os
import re
import subprocess
import sys

import pytest
from babel.messages.pofile import read_po

from service.core.translation import LOCALES
from service.pages.rendering import environment

TEMPLATES = sorted(environment().list_templates(extensions=["html"]))


def sentences(path) -> set[str]:
    with path.open("rb") as file:
        return {str(message.id) for message in read_po(file) if message.id}


def test_the_catalogue_holds_every_sentence_of_the_pages(repository, tmp_path):
    fresh = tmp_path / "fresh.pot"
    subprocess.run([repository / ".ci" / "catalogue", fresh], check=True, env=os.environ | {"PYTHON": sys.executable})
    committed = LOCALES / "messages.pot"
    assert sentences(fresh) == sentences(committed), "run .ci/catalogue"


@pytest.mark.parametrize("name", TEMPLATES)
def test_no_words_in_a_template_past_the_catalogue(name):
    """What is left when tags, expressions and comments are taken away holds no word but our own name."""
    env = environment()
    source, _path, _current = env.loader.get_source(env, name)
    bare = "".join(text if kind == "data" else "\x00" for _line, kind, text in env.lex(source))
    # Words that are read out or shown though they stand in a tag.
    spoken = re.findall(r'\b(?:alt|title|placeholder|aria-label|content)="([^"\x00]*[A-Za-z][^"\x00]*)"', bare)
    spoken = [words for words in spoken if words not in ("light dark", "width=device-width, initial-scale=1")]
    assert spoken == []
    text = re.sub(r"<[^>]*>", " ", bare).replace("Tideover", " ").replace("&nbsp;", " ")
    assert re.findall(r"[A-Za-z]{2,}", text) == []


COUNTED = (
    "blocks|cases|cells|columns|days|files|forecasts|hours|jobs|keys|minutes|moments|months|offers|orders|outcomes|packs|"
    "readings|returns|rows|seconds|times|top-ups|units|vehicles|weeks|years"
)
NEVER_ONE = {
    # A number of which there are always several, or one with a fraction: limits, the horizon, steps of a table.
    "days": ("Mean squared error", "came back within", "older than", "more than %(days)s days ago", "lower)s days"),
    "packs": ("%(chance)s packs", "packs like this one", "simulated packs"),
    "cases": ("Only the %(count)s cases",),
    "vehicles": ("Only the %(count)s vehicles",),
    "weeks": ("every %(every)s weeks",),
    # Said of blocks that have several cells.
    "cells": ("of its %(all)s cells", "cells would"),
    "blocks": ("of %(blocks)s blocks", "has %(blocks)s blocks", "blocks were charged at one visit, more"),
    "times": ("Tried", "as hard as", "as fast as", "times the middle one"),
    "seconds": ("Try again in",),
    "moments": ("set on %(moments)s moments",),
}


def test_no_sentence_counts_without_a_form_for_one():
    """Once "Of 1 vehicles" and "blocks of 1 cells": counts come from `models.base.counts`, or have two forms."""
    with (LOCALES / "messages.pot").open("rb") as file:
        single = [message.id for message in read_po(file) if isinstance(message.id, str)]
    found = [
        sentence
        for sentence in single
        for noun in re.findall(rf"%\(\w+\)s ({COUNTED})\b", sentence)
        if not any(part in sentence for part in NEVER_ONE.get(noun, ()))
    ]
    assert found == []
