import numpy as np
import pytest

from models.physics.driving import AH_PER_KM_PER_RATED_AH, DEPTH_SHARE, MAX_TRIPS, day_use
from training.files.families import load_families

FAMILIES = load_families()


def _use(family, km=(40.0, 0.0), trips=(3, 0), style=1.0):
    n = len(km)

    def each(value):
        return np.full(n, value, dtype=np.float32)

    return day_use(family, np.array(km, dtype=np.float32), np.array(trips), each(12), each(style), each(0))


@pytest.mark.parametrize("family", FAMILIES.values(), ids=lambda f: f.name)
def test_property_swing_keeps_the_pack_inside_its_window(family):
    use = _use(family)
    low = family.soc_target * family.rated_ah - use.depth_ah[0]
    assert low >= family.soc_low * family.rated_ah
    assert family.soc_target * family.rated_ah + use.depth_ah[0] <= family.soc_high * family.rated_ah
    assert use.depth_ah[0] == pytest.approx(DEPTH_SHARE * family.rated_ah)


def test_property_a_day_without_a_trip_asks_nothing_of_the_pack():
    use = _use(FAMILIES["marl-28"])
    assert use.cycled_ah[1] == 0
    assert use.trips[1] == 0
    assert use.driving_share[1] == 0
    assert use.cycled_ah[0] == pytest.approx(40 * AH_PER_KM_PER_RATED_AH * 6.5)


def test_property_style_scales_swing_and_current_and_trips_are_capped():
    easy, hard = _use(FAMILIES["marl-28"], style=1.0), _use(FAMILIES["marl-28"], style=1.3)
    np.testing.assert_allclose(hard.depth_ah, 1.3 * easy.depth_ah, rtol=1e-6)
    np.testing.assert_allclose(hard.peak_a, 1.3 * easy.peak_a, rtol=1e-6)
    assert hard.driving_c[0] > easy.driving_c[0]
    assert _use(FAMILIES["marl-28"], trips=(50, 0)).trips.tolist() == [MAX_TRIPS, 0]
