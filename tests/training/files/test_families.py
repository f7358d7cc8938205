"""Family files: the shipped ones, and those that users add."""

import pytest

from models.base.errors import BadInput
from training.files.families import SHIPPED, load_families, read_family
from training.simulation.cohort import FAMILY_SHARES, CohortPlan, simulate_cohort


def _own(folder, **changes):
    text = (SHIPPED / "marl-28.toml").read_text(encoding="utf-8")
    for old, new in changes.values():
        assert old in text
        text = text.replace(old, new)
    path = folder / "own.toml"
    path.write_text(text, encoding="utf-8")
    return path


NEW_NAME = {"name": ('name = "marl-28"', 'name = "basalt-8"')}


def test_property_every_shipped_family_loads_says_where_its_numbers_come_from_and_has_a_share():
    families = load_families()
    assert set(families) == set(FAMILY_SHARES)
    for name, family in families.items():
        assert family.curves.source
        # Every constant in the file carries its mark or its source.
        lines = (SHIPPED / f"{name}.toml").read_text(encoding="utf-8").split("[curves]")[0].splitlines()
        numbers = [
            line
            for line in lines
            if "=" in line and not line.startswith(("#", "name", "title", "chemistry", "blocks", "cells", "rated"))
        ]
        assert all("#" in line for line in numbers)


def test_property_a_family_of_the_user_is_simulated_by_the_same_code(tmp_path):
    # Another chemistry than nickel, with few large cells: nothing is wired to a shipped family.
    _own(
        tmp_path,
        **NEW_NAME,
        chemistry=('chemistry = "nimh"', 'chemistry = "lithium-ion"'),
        blocks=("blocks = 14", "blocks = 8"),
        rated=("rated_ah = 6.5", "rated_ah = 20.0"),
    )
    families = load_families(tmp_path)
    assert list(families) == sorted(families)
    cohort = simulate_cohort(CohortPlan(packs=150, seed=1, families=("basalt-8",)), families=families)
    assert set(cohort.tables.packs["family"]) == {"basalt-8"}
    assert cohort.tables.readings.filter(like="block_").shape[1] == 8
    assert set(cohort.tables.outcomes["kind"]) >= {"returned", "replaced"}
    # Alone in the mapping, it need not even be named.
    alone = simulate_cohort(CohortPlan(packs=5, seed=1), families={"basalt-8": families["basalt-8"]})
    assert set(alone.tables.packs["family"]) == {"basalt-8"}


@pytest.mark.parametrize(
    ("change", "where"),
    [
        (("rated_ah = 6.5", "rated_ah = -6.5"), "own.toml: rated_ah"),
        (("blocks = 14", 'blocks = "many"'), "own.toml: blocks"),
        (("mass_kg = 28.0", "colour = 1\nmass_kg = 28.0"), "own.toml: colour"),
        (("[curves]", "[curves]\nwidth = 2"), "own.toml: curves.width"),
        (("soc_low = 0.4", "soc_low = = 0.4"), "own.toml"),
    ],
)
def test_property_an_impossible_file_is_refused_with_file_and_field(tmp_path, change, where):
    path = _own(tmp_path, **NEW_NAME, change=change)
    with pytest.raises(BadInput) as error:
        read_family(path)
    assert error.value.problems[0].where == where
    assert error.value.problems[0].mend


def test_property_a_shipped_name_is_taken(tmp_path):
    _own(tmp_path)
    with pytest.raises(BadInput) as error:
        load_families(tmp_path)
    assert error.value.problems[0].where == "own.toml: name"


def test_property_no_folder_of_the_users_own_is_fine(tmp_path):
    assert load_families(tmp_path / "absent") == load_families()
