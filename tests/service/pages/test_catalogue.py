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
