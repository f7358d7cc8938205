"""Blocks that the newest readings leave out are told, and no day rests on what was read of the others."""

from datetime import UTC, datetime, timedelta

import pandas as pd
import pytest

from models.forecasts.newest_topups import NewestTopUps
from models.forecasts.unread_blocks import MOSTLY_UNREAD, mostly_unread, unread_blocks
from models.packs.history import BlockReading, PackHistory, TopUp
from models.packs.tables import tables_from_histories
from training.files.families import load_families

FAMILIES = load_families()
START = datetime(2026, 3, 2, 12, tzinfo=UTC)


def read(hours: float, *left_out: int, state="rest") -> BlockReading:
    peers = {"rest": 12.95, "discharge": 11.4, "charge": 13.6}[state]
    volts = tuple(None if block in left_out else peers for block in range(1, 15))
    current = {"rest": 0.0, "discharge": 15.0, "charge": -15.0}[state]
    return BlockReading(time=START + timedelta(hours=hours), state=state, current_a=current, block_v=volts)


def charge(hours: float, *blocks: int) -> TopUp:
    return TopUp(time=START + timedelta(hours=hours), blocks=blocks, charge_ah=0.5, duration_h=2)


def pack(*facts: BlockReading | TopUp, name: str = "MB-VAN-07") -> PackHistory:
    readings, topups = (
        tuple(sorted((f for f in facts if isinstance(f, kind)), key=lambda f: f.time)) for kind in (BlockReading, TopUp)
    )
    return PackHistory(pack_id=name, family="gravel-14", readings=readings, topups=topups)


def told(*histories: PackHistory) -> list[str]:
    """What is said of each pack, nothing or a sentence."""
    found = unread_blocks(
        NewestTopUps(tables_from_histories(histories, FAMILIES), pd.Index([h.pack_id for h in histories]))
    )
    return [" ".join(flag.text for flag in found.get(place, ())) for place in range(len(histories))]


BEFORE = read(-5)
LEFT_OUT = {
    "a reading ten days later without it": (charge(0, 5), read(17), read(240, 5)),
    "one under load without it": (charge(0, 5), read(17), read(240, 5, state="discharge")),
    "never read, the others were": (charge(0, 5), read(17, 5)),
    "never read at rest, under load it was": (charge(0, 5), read(17, 5), read(18, state="discharge")),
    "the second of two blocks": (charge(0, 5, 9), read(17, 9)),
    "two charges of one visit": (charge(-20, 5), charge(0, 9), read(17, 5)),
    "read before its charge alone": (charge(-20, 9), read(-2, 5), charge(0, 5), read(17, 5)),
}
READ = {
    "read with the others": (charge(0, 5), read(17), read(240)),
    "another block is missing": (charge(0, 5), read(17, 9), read(240, 9)),
    "read by itself an hour later": (charge(0, 5), read(17), read(240, 5), read(241, *range(6, 15))),
    "one charged a month before is missing": (charge(-700, 9), charge(0, 5), read(17, 9), read(240, 9)),
    "nothing was read since": (charge(0, 5),),
}


@pytest.mark.parametrize("facts", LEFT_OUT.values(), ids=LEFT_OUT)
def test_a_charged_block_that_was_not_read_is_named_whatever_was_read_of_the_others(facts):
    """A block read once, and left out ten days later, was promised days from that later reading."""
    (said,) = told(pack(BEFORE, *facts))
    assert "charged" in said, said
    (again,) = told(pack(BEFORE, *facts, read(400)))
    assert again == "", "read with the others it is read"


@pytest.mark.parametrize("facts", READ.values(), ids=READ)
def test_one_that_was_read_is_not(facts):
    assert told(pack(BEFORE, *facts)) == [""]


def test_parity_each_pack_is_told_among_others_as_alone():
    facts = {**LEFT_OUT, **READ}
    packs = [pack(BEFORE, *of, name=f"MB-{number}") for number, of in enumerate(facts.values())]
    assert told(*packs) == [said for one in packs for said in told(one)]


def test_both_blocks_are_named_and_the_day():
    (said,) = told(pack(BEFORE, charge(0, 5, 9), read(17), read(240, 5, 9)))
    assert said.startswith(
        "Blocks 5, 9, which were charged, were not read when the others were read, last on 2026-03-12"
    )


def few(*histories: PackHistory) -> list[str]:
    found = mostly_unread(
        NewestTopUps(tables_from_histories(histories, FAMILIES), pd.Index([h.pack_id for h in histories]))
    )
    assert all(flag.grave and flag.code == MOSTLY_UNREAD for flag in found.values())
    return [found[place].text if place in found else "" for place in range(len(histories))]


ALL_BUT_TWO = tuple(block for block in range(1, 15) if block not in (5, 6))
FEW = {
    "two of 14 today, all before": ((charge(0, 5), read(17), read(240, *ALL_BUT_TWO)), "2 of 14 blocks alone: 5, 6"),
    "two of 14 under load": ((charge(0, 5), read(17), read(240, *ALL_BUT_TWO, state="discharge")), "2 of 14"),
    "two of 14 since the charge": ((charge(0, 5), read(17, *ALL_BUT_TWO)), "1, 2, 3, 4, 7, 8, 9"),
    "six of 14": ((charge(0, 5), read(17, *range(7, 15))), "6 of 14"),
}
ENOUGH = {
    "seven of 14": (charge(0, 5), read(17, *range(8, 15))),
    "two halves of a visit": (charge(0, 5), read(17, *range(4, 15)), read(18, *range(1, 11))),
    "all, then two within the day": (charge(0, 5), read(240), read(241, *ALL_BUT_TWO)),
    "nothing since the charge": (charge(0, 5),),
    "few before the charge alone": (read(-3, *ALL_BUT_TWO), charge(0, 5), read(17)),
}


@pytest.mark.parametrize(("facts", "said"), FEW.values(), ids=FEW)
def test_where_most_blocks_were_not_read_that_is_grave_and_they_are_named(facts, said):
    """Two of 14 read today, the rest left out, were promised "less than 11 days"."""
    (text,) = few(pack(BEFORE, *facts))
    assert said in text
    assert few(pack(BEFORE, *facts, read(400))) == [""]


@pytest.mark.parametrize("facts", ENOUGH.values(), ids=ENOUGH)
def test_where_half_of_them_were_read_it_is_not(facts):
    assert few(pack(BEFORE, *facts)) == [""]


def test_parity_packs_read_in_few_blocks_are_told_among_others_as_alone():
    facts = {**{name: of for name, (of, _) in FEW.items()}, **ENOUGH}
    packs = [pack(BEFORE, *of, name=f"MB-{number}") for number, of in enumerate(facts.values())]
    assert few(*packs) == [said for one in packs for said in few(one)]
