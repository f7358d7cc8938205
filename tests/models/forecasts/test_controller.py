"""What the car's controller tells: a code since the charge comes first, other figures are said to be unused."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from pydantic import ValidationError

from models.forecasts.controller import flags_of_controller
from models.packs.history import BlockReading, PackHistory, TopUp

BEGAN = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


def rest(hours, **more):
    volts = [13.0] * 14
    return BlockReading(time=BEGAN + timedelta(hours=hours), state="rest", block_v=volts, **more)


def told(forecaster, *readings):
    history = PackHistory(
        pack_id="MB-VAN-07",
        family="gravel-14",
        readings=(rest(0), *readings),
        topups=(TopUp(time=BEGAN + timedelta(hours=4), blocks=(5,), charge_ah=1.0),),
    )
    found = forecaster.forecast(history, at=BEGAN + timedelta(days=3))
    return {flag.code: flag for flag in found.flags}, found


@pytest.mark.parametrize(
    ("state", "code", "grave"),
    [("pending", "code-pending", True), ("confirmed", "code-confirmed", True), ("permanent", "code-permanent", False)],
)
def test_a_code_since_the_charge_is_said(small_trained, state, code, grave):
    flags, _ = told(small_trained.forecaster, rest(24, code="P0A80", code_state=state))
    assert flags[code].grave is grave
    assert "P0A80" in flags[code].text


def test_what_stood_before_the_charge_or_is_gone_by_now_is_not(small_trained):
    code = {"code": "P0A80", "code_state": "pending"}
    before, _ = told(small_trained.forecaster, rest(1, **code), rest(24))
    gone, _ = told(small_trained.forecaster, rest(24, **code), rest(30, code_state="none"))
    not_looked, _ = told(small_trained.forecaster, rest(24, **code), rest(30))
    assert "code-pending" not in before
    assert "code-pending" not in gone
    assert "code-pending" in not_looked, "nobody looked again: it stands"


def test_figures_that_no_forecast_uses_are_said_to_be_unused_and_change_none(small_trained):
    plain, without = told(small_trained.forecaster, rest(24))
    flags, found = told(small_trained.forecaster, rest(24, soc_pct=58.0, spread_v=0.4))
    assert flags.keys() - plain.keys() == {"controller-not-used"}
    assert (found.survival == without.survival).all()


def test_resistances_are_told_beside_the_figures_and_change_none(small_trained):
    plain, without = told(small_trained.forecaster, rest(24), rest(30))
    some = (None, *[21.5] * 6, 38.25, *[21.0] * 6)
    flags, found = told(small_trained.forecaster, rest(24, resistance_mohm=some), rest(30))
    assert flags.keys() - plain.keys() == {"resistance-not-used"}
    text = flags["resistance-not-used"].text
    assert "block 8" in text
    assert "38.2 mΩ" in text
    assert "21.5 or less" in text
    assert (found.survival == without.survival).all()


@pytest.mark.parametrize(
    "wrong",
    [
        {"code": "P0A80"},
        {"code_state": "pending"},
        {"code": "P0A80", "code_state": "none"},
        {"code": "a b", "code_state": "pending"},
        {"code": "P" * 17, "code_state": "pending"},
        {"soc_pct": 101},
        {"soc_pct": -1},
        {"spread_v": -0.1},
        {"resistance_mohm": [21.0] * 13},
        {"resistance_mohm": [21.0] * 13 + [-1.0]},
        {"resistance_mohm": [21.0] * 13 + [20_000.0]},
    ],
)
def test_what_cannot_be_is_refused(wrong):
    with pytest.raises(ValidationError):
        rest(0, **wrong)


@pytest.mark.parametrize("later", [{"code_state": "none"}, {"code": "P0A80", "code_state": "pending"}])
def test_a_confirmed_code_stands_whoever_cleared_it(small_trained, later):
    """Cleared two hours later with a scan tool, the car was let go for two days."""
    code = {"code": "P0A80", "code_state": "confirmed"}
    flags, found = told(small_trained.forecaster, rest(24, **code), rest(26, **later))
    assert flags["code-confirmed"].grave
    assert found.good_for() is None


@pytest.mark.parametrize(("mohm", "told_so"), [(38.0, False), (52.0, False), (54.0, True), (400.0, True)])
def test_a_resistance_past_what_wear_does_is_named(mohm, told_so):
    """400 mΩ beside 20 were only said to be of no use. 2.5 times new at the end of life: from memory, unverified."""
    row = tuple(mohm if block == 5 else 21.0 for block in range(1, 15))
    flags = {flag.code: flag for flag in flags_of_controller(None, None, False, " ".join(map(str, row)))}
    assert ("resistance-high" in flags) == told_so
    if told_so:
        assert "block 5" in flags["resistance-high"].text


@pytest.mark.parametrize(
    ("spread", "level", "named"), [(6.0, True, True), (0.3, True, False), (6.0, False, False), (None, True, False)]
)
def test_a_spread_that_the_blocks_do_not_show_is_named(small_trained, spread, level, named):
    """The controller told 6.0 V while all blocks read level, and that was only said to be of no use."""
    volts = [13.0 if level or block else 12.3 for block in range(14)]
    reading = rest(24).model_copy(update={"spread_v": spread, "block_v": tuple(volts)})
    flags, _ = told(small_trained.forecaster, reading)
    assert ("spread-contradicted" in flags) == named
    if named:
        assert not flags["spread-contradicted"].grave
        assert "6.00 V" in flags["spread-contradicted"].text
