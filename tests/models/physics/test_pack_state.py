from dataclasses import fields

import numpy as np
import pytest

from models.physics.pack_state import PackState
from training.files.families import load_families
from training.simulation.population import draw_sound_state

FAMILY = load_families()["marl-28"]


@pytest.fixture
def state():
    return draw_sound_state(FAMILY, np.random.default_rng(1), np.full(5, 8, dtype=np.float32))


def _equal(a, b):
    return all(np.array_equal(getattr(a, f.name), getattr(b, f.name)) for f in fields(PackState))


def test_property_taken_packs_are_copies_and_can_be_put_back(state):
    rows = np.array([3, 1])
    part = state.take(rows)
    before = state.take(np.arange(5))
    part.charge_ah += 1
    assert _equal(state, before)
    state.put(rows, part)
    np.testing.assert_array_equal(state.charge_ah[rows], before.charge_ah[rows] + 1)
    np.testing.assert_array_equal(state.charge_ah[[0, 2, 4]], before.charge_ah[[0, 2, 4]])


def test_property_join_of_the_parts_is_the_whole(state):
    assert _equal(PackState.concatenate([state.take(np.arange(2)), state.take(np.arange(2, 5))]), state)


def test_property_copies_of_one_pack_stand_together(state):
    many = state.repeat(3)
    assert many.packs == 15
    for row in range(5):
        assert _equal(many.take(np.arange(3 * row, 3 * row + 3)), state.take(np.array([row, row, row])))


@pytest.mark.parametrize("family", load_families().values(), ids=lambda f: f.name)
def test_property_alike_packs_are_level_at_the_target(family):
    state = PackState.alike(family, 2)
    assert (state.packs, state.blocks) == (2, family.blocks)
    np.testing.assert_allclose(state.charge_ah / state.capacity_ah, family.soc_target, rtol=1e-6)
    assert not state.pending.any()
    assert all(getattr(state, f.name).dtype in (np.float32, np.int8, np.bool_) for f in fields(state))
