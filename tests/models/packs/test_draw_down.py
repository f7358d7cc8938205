"""A pack drawn down between two rest readings: found on record, weighed by the physics, and telling of capacity."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from models.features.raw import feature_frame
from models.packs.draw_down import as_it_stood, draw_downs
from models.packs.family import CellCurves, PackFamily
from models.packs.history import BlockReading, PackHistory, TopUp
from models.packs.stops import Stopped
from models.packs.tables import tables_from_histories
from models.physics.block_voltage import block_voltage_v
from models.physics.pack_state import PackState
from models.topup.draw_down_likelihood import draw_down_v, explains_draw_down
from models.topup.evidence import bench_evidence
from models.topup.missing_charge import missing_charge
from models.topup.plan import draw_down_would_tell, plan_topup
from models.topup.posterior import possible_packs
from training.files.families import load_families

AT = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
WEAK = 5
LOAD_A = 5.0
HELD_MIN = 12.0


@pytest.fixture(scope="module")
def family() -> PackFamily:
    return load_families()["marl-28"]


def history_of_pack(family, *, missing_ah=1.6, faded=1.0, drawn=True, brought_back=False):
    """A pack as an ideal meter reads it, made from the physics itself; invented."""
    state = PackState.alike(family, 1)
    state.capacity_ah *= np.float32(0.82)
    state.capacity_ah[0, WEAK - 1] *= np.float32(faded)
    state.charge_ah[:] = family.soc_target * state.capacity_ah
    state.charge_ah[0, WEAK - 1] -= np.float32(missing_ah)
    state.resistance_scale *= np.float32(1.63)
    down = -LOAD_A * HELD_MIN / 60

    def reading(minutes, kind, amps=0.0, offset_ah=0.0):
        volts = block_voltage_v(family, state, np.array([amps]), np.array([20.0]), offset_ah)[0]
        return BlockReading(
            time=AT + timedelta(minutes=minutes),
            state=kind,
            current_a=amps or None,
            temperature_c=20.0,
            inspected="label",
            block_v=tuple(round(float(v), 2) for v in volts),
        )

    readings = [reading(0, "rest"), reading(20, "discharge", 25.0, -0.2)]
    if drawn:
        readings += [reading(40, "discharge", LOAD_A), reading(40 + HELD_MIN, "discharge", LOAD_A, down)]
        readings += [reading(120, "rest", offset_ah=down)]
    if brought_back:
        readings += [reading(240, "rest", offset_ah=0.1)]
    return PackHistory(pack_id="MB-VAN-01", family=family.name, age_years=9.0, readings=tuple(readings))


def weighed(family, history):
    return possible_packs(family, bench_evidence(history, family, WEAK, history.last_fact_time))


def test_charge_drawn_by_hand(family):
    """5 A for 12 minutes are 1 Ah; 6 A at the start and 4 A at the end as well."""
    history = history_of_pack(family)
    (down,) = draw_downs(history, family, history.last_fact_time)
    assert (down.higher, down.lower) == (history.readings[0], history.readings[4])
    assert down.loads == history.readings[2:4]
    assert down.drawn_ah == pytest.approx(1.0)
    falling = [r.model_copy(update={"current_a": amps}) for r, amps in zip(down.loads, (6.0, 4.0), strict=True)]
    other = history.model_copy(update={"readings": (*history.readings[:2], *falling, history.readings[4])})
    assert draw_downs(other, family, AT + timedelta(days=1))[0].drawn_ah == pytest.approx(1.0)
    drawn = bench_evidence(history, family, WEAK, history.last_fact_time).drawn
    # Half an ampere, noted twice, for 0.2 h; 5 A for a hundredth of an hour; and 3 in 100.
    assert drawn.sd_ah == pytest.approx(np.sqrt(0.5**2 / 2 * 0.2**2 + 0.05**2 + 0.03**2))


def test_what_is_not_a_draw_down(family):
    history = history_of_pack(family)
    end = history.last_fact_time

    def found(readings, **more):
        return draw_downs(history.model_copy(update={"readings": tuple(readings), **more}), family, end)

    rest, pulse, on, off, lower = history.readings
    assert found(history.readings)
    assert not found([rest, pulse, on, lower]), "one reading under load says nothing of its duration"
    assert not found([rest, on, off]), "no rest reading after it"
    assert not found([rest, pulse, off.model_copy(update={"current_a": None}), lower])
    tests_under_load = [r.model_copy(update={"current_a": 20.0}) for r in (on, off)]
    assert not found([rest, *tests_under_load, lower]), "a load of 3 C is not held"
    soon = off.model_copy(update={"time": on.time + timedelta(minutes=2)})
    assert not found([rest, on, soon, lower]), "a few hundredths tell nothing"
    assert not found([rest.model_copy(update={"time": AT - timedelta(days=2)}), on, off, lower]), "two visits"
    charge = TopUp(time=AT + timedelta(minutes=30), blocks=(WEAK,))
    assert not found(history.readings, topups=(charge,)), "charged in between"
    assert not draw_downs(history, family, end - timedelta(minutes=1)), "not yet read"


def test_the_pack_counts_as_it_stood_before(family):
    """Invariance: to all that is not asked for by name, a draw-down changes nothing."""
    plain, drawn = history_of_pack(family, drawn=False), history_of_pack(family)
    assert as_it_stood(drawn, draw_downs(drawn, family, drawn.last_fact_time)) == plain
    a, b = (bench_evidence(h, family, WEAK, drawn.last_fact_time) for h in (plain, drawn))
    assert replace(b, drawn=None) == a
    back = history_of_pack(family, brought_back=True)
    assert bench_evidence(back, family, WEAK, back.last_fact_time).rest.time == back.readings[-1].time


def test_features_count_the_pack_as_it_stood_before(family):
    """Parity: the same features, and so the same forecast, with and without a draw-down; and none foreseen."""
    topup = TopUp(time=AT + timedelta(hours=8), blocks=(WEAK,), charge_ah=1.5)
    packs = {
        name: history_of_pack(family, **more).model_copy(update={"pack_id": name, "topups": (topup,)})
        for name, more in (("A", {"drawn": False}), ("B", {}), ("C", {"missing_ah": 1.2, "drawn": False}), ("D", {}))
    }
    tables = tables_from_histories(packs.values(), {family.name: family})

    def features(tables, *names, origin=AT + timedelta(hours=9)):
        moments = pd.DataFrame({"pack_id": list(names), "origin": pd.DatetimeIndex([origin] * len(names))})
        return feature_frame(tables, moments)

    found = features(tables, *packs)
    for drawn in (1, 3):
        pd.testing.assert_series_equal(found.iloc[drawn], found.iloc[0], check_names=False)
    assert not found.iloc[2].equals(found.iloc[0])
    # Before the lower rest reading nobody knew that it would come: the load counts as one.
    early = topup.model_copy(update={"time": AT - timedelta(days=1)})
    late = packs["B"].model_copy(update={"topups": (early,)})
    cut = late.model_copy(update={"readings": late.readings[:-1]})
    whole, short = (tables_from_histories([h], {family.name: family}) for h in (late, cut))
    then = late.readings[-1].time - timedelta(minutes=5)
    pd.testing.assert_frame_equal(features(whole, "B", origin=then), features(short, "B", origin=then))
    later = late.readings[-1].time
    assert not features(whole, "B", origin=then).equals(features(whole, "B", origin=later))


def test_no_readings_no_draw_down(family):
    history = history_of_pack(family)
    assert draw_downs(history, family, AT - timedelta(days=1)) == ()
    assert draw_downs(history, family, AT) == ()


def one_pack(packs, **values):
    n = len(packs.weight)
    return replace(packs, live_cells=np.full(n, 12.0), **{name: np.full(n, value) for name, value in values.items()})


def test_likelihood_by_hand(family):
    """0.8 Ah take a block of 4 Ah from 30 to 10 % and peers of 8 Ah from 60 to 50 %: voltages of the published table
    (NREL ADVISOR ESS_NiMH7_rc_temp), twelve cells. Its deviation there is normal around that, but for 3 in 100 readings
    that say nothing, within two volts a cell."""
    history = history_of_pack(family)
    evidence = bench_evidence(history, family, WEAK, history.last_fact_time)
    stands = {"block_ah": 4.0, "peer_ah": 8.0, "block_soc": 0.3, "peer_soc": 0.6, "stretch": 1.0}
    packs = one_pack(possible_packs(family, evidence), **stands)
    by_table = 12 * ((1.21167 + 1.276) / 2 - 1.31433)
    assert draw_down_v(family, packs, evidence, -0.8) == pytest.approx(by_table, abs=1e-9)
    assert draw_down_v(family, packs, evidence, 0.0) == pytest.approx(12 * (1.29467 - 1.31833), abs=1e-9)
    lower = replace(evidence.drawn.lower, deviation_v=by_table + 0.03, sd_v=0.007)
    drawn = replace(evidence.drawn, lower=lower)
    likely = 0.97 * norm.pdf(0.03, scale=np.hypot(0.007, 12 * 0.002)) + 0.03 / 24
    assert explains_draw_down(family, packs, evidence, drawn, 0.8, 0.0) == pytest.approx(np.log(likely), abs=1e-9)
    # Read anew later, the higher of the two counts as well, from wherever the string stood.
    later = replace(evidence, rest=replace(evidence.rest, time=AT + timedelta(hours=4)))
    higher = 0.97 * norm.pdf(drawn.higher.deviation_v, 12 * (1.29467 - 1.31833), drawn.higher.sd_v) + 0.03 / 24
    told = explains_draw_down(family, packs, later, drawn, 0.8, 0.0)
    assert told == pytest.approx(np.log(likely) + np.log(higher), abs=1e-9)


@pytest.mark.parametrize("moved_ah", [-2.0, -0.7, 0.4])
def test_equal_capacity_nothing_moves(family, moved_ah):
    """Property: level and of equal capacity a block stays level; on a straight curve, as far below as before."""
    history = history_of_pack(family)
    evidence = bench_evidence(history, family, WEAK, history.last_fact_time)
    packs = possible_packs(family, evidence)
    level = one_pack(packs, block_ah=5.0, peer_ah=5.0, block_soc=0.6, peer_soc=0.6, stretch=1.0)
    assert draw_down_v(family, level, evidence, moved_ah) == pytest.approx(0.0, abs=1e-12)
    soc = np.linspace(0, 1, 11)
    straight = CellCurves(
        soc=tuple(soc),
        ocv_v=tuple(1.2 + 0.1 * soc),
        discharge_mohm=tuple(np.full(11, 5.0)),
        charge_mohm=tuple(np.full(11, 4.0)),
        source="a straight line, invented",
    )
    lined = family.model_copy(update={"curves": straight})
    low = replace(level, block_soc=np.full(len(packs.weight), 0.45))
    assert draw_down_v(lined, low, evidence, moved_ah) == pytest.approx(-12 * 0.1 * 0.15, abs=1e-9)
    small = replace(low, block_ah=np.full(len(packs.weight), 3.0))
    assert np.all((draw_down_v(lined, small, evidence, moved_ah) + 12 * 0.1 * 0.15) * moved_ah > 0)


@pytest.mark.parametrize(("faded", "missing_ah"), [(0.67, 0.42), (0.64, 0.5), (0.99, 1.5), (0.99, 1.8)])
@pytest.mark.parametrize("brought_back", [False, True])
def test_capacity_comes_back(family, faded, missing_ah, brought_back):
    """Recovery: physics forward through an ideal meter, and back to the block's share of its peers' capacity."""
    packs = weighed(family, history_of_pack(family, faded=faded, missing_ah=missing_ah, brought_back=brought_back))
    share = packs.block_ah / packs.peer_ah
    mean = float((share * packs.weight).sum())
    sd = float(np.sqrt((np.square(share - mean) * packs.weight).sum()))
    assert mean == pytest.approx(faded, abs=max(2 * sd, 0.02))
    assert sd < 0.1
    cause = "lost capacity" if faded < 0.9 else "low charge"
    assert packs.weight[packs.of(cause)].sum() > 0.9


def test_a_draw_down_narrows_the_range_of_a_faded_block(family):
    """Recovery: without it, a block that has lost a third and misses 0.7 Ah would be taken to miss an ampere-hour."""
    plain, drawn = (
        plan_topup(history_of_pack(family, faded=0.67, missing_ah=0.7, drawn=drawn), family).missing.missing_ah
        for drawn in (False, True)
    )
    assert abs(plain.best / 0.7 - 1) > 0.3
    assert drawn.best == pytest.approx(0.7, rel=0.15)
    assert drawn.high - drawn.low < 0.85 * (plain.high - plain.low)
    assert drawn.low <= 0.7 <= drawn.high


def test_a_draw_down_is_advised_where_it_would_tell_and_not_twice(family):
    """Charge or capacity? One rest reading and one under load leave it open."""
    unsure = history_of_pack(family, faded=0.67, missing_ah=0.7, drawn=False)
    plan = plan_topup(unsure, family)
    assert 0.2 <= plan.missing.causes["lost capacity"] <= 0.95
    advice = next(said for said in plan.sentences if "drawn down tells it" in said)
    # A tenth of 6.5 Ah; one ampere per rated ampere-hour; 1.0 V a cell (NREL ADVISOR ESS_NIMH6), twelve cells.
    for words in ("draw about 0.7 Ah", "at most 6.5 A", "falls to 12 V", "licensed", "service instructions"):
        assert words in advice
    told = plan_topup(history_of_pack(family, faded=0.67, missing_ah=0.7), family)
    assert not any("drawn down tells it" in said for said in told.sentences)
    assert any("bring it back there before you charge" in said for said in told.sentences)
    assert any("1.0 Ah drawn from the whole string" in said for said in told.basis)
    back = plan_topup(history_of_pack(family, faded=0.67, missing_ah=0.7, brought_back=True), family)
    assert not any("bring it back there before you charge" in said for said in back.sentences)


def test_a_draw_down_that_might_empty_the_block_is_not_advised(family):
    """A tenth of 6.5 Ah from a block of 3.5 Ah: at 15 % of charge it runs empty, at 25 % it does not."""
    history = history_of_pack(family, faded=0.67, missing_ah=0.7, drawn=False)
    evidence = bench_evidence(history, family, WEAK, history.last_fact_time)
    packs = possible_packs(family, evidence)
    missing = missing_charge(packs, WEAK)
    assert draw_down_would_tell(family, evidence, packs, missing)
    for soc, told in ((0.25, True), (0.15, False)):
        assert draw_down_would_tell(family, evidence, one_pack(packs, block_soc=soc, block_ah=3.5), missing) is told
    cold = history.model_copy(
        update={"readings": tuple(r.model_copy(update={"temperature_c": -4.0}) for r in history.readings)}
    )
    with pytest.raises(Stopped):
        plan_topup(cold, family)
