"""Families made from a few words: sound, in proportion, and honest about what was taken over."""

from __future__ import annotations

import pytest

from models.base.errors import BadInput
from training.files.families import SHIPPED, LiveFamilies, load_families, read_family
from training.files.new_family import NewFamily, marks_in, new_family_toml, write_family


@pytest.mark.parametrize(
    ("chemistry", "blocks", "cells", "ah"), [("nimh", 17, 12, 6.5), ("nimh", 40, 1, 8), ("lithium-ion", 56, 1, 26.5)]
)
def test_a_new_family_is_sound_and_known_by_its_name(tmp_path, chemistry, blocks, cells, ah):
    toml = new_family_toml("slate-17", "Slate 17, invented", chemistry, blocks, cells, ah)
    (tmp_path / "slate-17.toml").write_text(toml, encoding="utf-8")
    family = load_families(tmp_path)["slate-17"]
    assert (family.chemistry, family.blocks, family.cells_per_block, family.rated_ah) == (chemistry, blocks, cells, ah)


def test_what_is_taken_over_is_in_proportion_and_marked(tmp_path):
    """Twice the electrode area: twice charge, current and mass, half the resistance."""
    base = read_family(SHIPPED / "gravel-14.toml")
    toml = new_family_toml("slate-14", "Slate 14, invented", "nimh", 14, 10, 11.0)
    (tmp_path / "slate-14.toml").write_text(toml, encoding="utf-8")
    made = read_family(tmp_path / "slate-14.toml")
    assert made.curves.discharge_mohm == pytest.approx([r / 2 for r in base.curves.discharge_mohm], rel=1e-5)
    assert (made.peak_current_a, made.mass_kg) == (2 * base.peak_current_a, 2 * base.mass_kg)
    assert made.rest_spread_limit_v == base.rest_spread_limit_v
    assert made.curves.ocv_v == base.curves.ocv_v
    assert made.curves.source.endswith("resistances in proportion to 1/Ah, from gravel-14")
    given = ("name", "title", "chemistry", "blocks", "cells_per_block", "rated_ah", "soc", "ocv_v", "source")
    for line in toml.splitlines():
        key = line.split(" = ")[0]
        if " = " in line and key not in (*given, "discharge_mohm", "charge_mohm"):
            assert "gravel-14" in line, line


def test_a_shipped_family_described_again_comes_out_the_same(tmp_path):
    for path in SHIPPED.glob("*.toml"):
        family = read_family(path)
        words = (family.chemistry, family.blocks, family.cells_per_block, family.rated_ah)
        (tmp_path / "again.toml").write_text(new_family_toml("again", family.title, *words), encoding="utf-8")
        made = read_family(tmp_path / "again.toml")
        assert (made.chemistry, made.blocks, made.cells_per_block, made.rated_ah) == words


@pytest.mark.parametrize("title", ['C:\\new "17"', "naïve – 17", "''x''", "# no comment", "a\u2028b = 1"])
def test_whatever_signs_are_in_a_title_it_stays_one(tmp_path, title):
    wanted = NewFamily(name="slate-17", title=title, chemistry="nimh", blocks=17, cells_per_block=12, rated_ah=6.5)
    family, text = write_family(wanted, tmp_path)
    assert family.title == load_families(tmp_path)["slate-17"].title == title
    marks = {key: mark for key, _, mark in marks_in(text)}
    assert marks["blocks"] == marks["rated_ah"] == ""
    assert "invented" in marks["peak_current_a"]
    with pytest.raises(BadInput, match="is taken"):
        write_family(wanted, tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["slate-17.toml"]


def test_a_family_that_comes_in_is_known_and_a_broken_one_leaves_the_others(tmp_path):
    told = []
    families = LiveFamilies(tmp_path / "own", told.append)
    shipped = len(families)
    wanted = NewFamily(name="slate-17", chemistry="nimh", blocks=17, cells_per_block=12, rated_ah=6.5)
    write_family(wanted, tmp_path / "own")
    families.refresh()
    assert len(families) == shipped + 1
    assert families["slate-17"].blocks == 17
    (tmp_path / "own" / "broken.toml").write_text("name = ")
    families.refresh()
    families.refresh()
    assert "slate-17" in families
    assert len(told) == 1
    assert told[0].where == "broken.toml"


def test_what_is_not_served_is_said():
    with pytest.raises(BadInput, match=r"'lead-acid' is not served. Choose one of lithium-ion, nimh"):
        new_family_toml("slate", "Slate", "lead-acid", 14, 6, 6.5)
