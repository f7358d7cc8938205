"""What a column of somebody's file is, by its heading and its values."""

from __future__ import annotations

import re
from collections import defaultdict
from typing import Final

NOTHING: Final = "nothing"
"""What a column is that no record takes."""

ANSWERS: Final = (
    "time",
    "clock",
    "pack_id",
    "state",
    "current_a",
    "temperature_c",
    "soc_pct",
    "spread_v",
    "code",
    "code_state",
    NOTHING,
)
"""What somebody can say that a column is: ``clock`` is the time of day beside a date."""

MEANINGS: Final = (*ANSWERS, "block", "block_v", "resistance_mohm")
"""What a column can be, besides ``block 3`` and ``resistance 3``: ``block`` is a block's number beside ``block_v``."""

_BRACKETED: Final = re.compile(r"[\[(/]\s*(m?V|m?A|°?\s?[CFK]|deg\s?[CF]|m?[Oo]hms?|m?[ΩΩ])\s*[\])]?\s*$")
_TRAILING: Final = re.compile(r"(?:[_ ]|°)(m?V|m?A|[CFK]|m?ohms?|m?[ΩΩ])$", re.I)
_SPELLED: Final = {
    "v": "V",
    "mv": "mV",
    "a": "A",
    "ma": "mA",
    "c": "C",
    "f": "F",
    "k": "K",
    "mohm": "mOhm",
    "mohms": "mOhm",
    "mω": "mOhm",
    "ohm": "Ohm",
    "ohms": "Ohm",
    "ω": "Ohm",
}

_UNUSED: Final[dict[str, str]] = {
    "state of charge": r"\bsoc\b|state of charge|charge level|ladezustand",
    "state of health": r"\bsoh\b|health",
    "voltage of the whole pack": (
        r"(pack|total|hv|bus|string|sum|stack|battery|batt)\W*(volt|v\b|u\b)|volt\w*\W*(pack|total|sum)"
    ),
    "extreme or spread of blocks": r"\b(min|max|lowest|highest|delta|diff|spread|avg|average|mean|imbalance)\b",
    "resistance": r"resist|impedance|widerstand|\bm?ohm|m?[ΩΩ]|\bir(?![a-z])|\br\W?(\d|int)",
    "speed of the vehicle": r"speed|velocity|km/h|kph|mph",
    "speed of an engine": r"\brpm\b|engine|motor",
    "distance": r"odo|mileage|distance|\bkm\b|\bmi\b",
    "power or energy": r"power|\bk?wh?\b|energy|\bm?ah\b|capacity",
    "temperature of something else": (
        r"(ambient|outside|outdoor|inlet|intake|coolant|inverter|engine|air)\W*(air\W*)?(temp|°|t\b|deg)"
    ),
    "number of the row": r"^(#|no\.?|nr\.?|row|record|sample|line|seq\w*|frame|idx|index|id)$",
    "note": r"note|comment|remark|descr|operator|technician|place|site|latitude|longitude|\blat\b|\blon\b|altitude",
    "fan, pedal or other signal": r"\bfan\b|pedal|throttle|brake|gear|ignition|12\s?v|aux",
    "trouble code": r"\bdtc\b|trouble|fault|error|code",
}
_USED: Final[dict[str, str]] = {
    "soc_pct": r"\bsoc\b|state of charge|charge level|ladezustand",
    "spread_v": (
        r"spread|imbalance|(\bdelta|\bdiff\w*|Δ)\W*(v\b|u\b|volt|block|cell|modul)"
        r"|(\bv|volt\w*|block|cell|module)\W*(delta|diff)"
    ),
    "code_state": r"(dtc|code)s?\W*(state|status|type|kind)",
    "code": r"\bdtcs?\b|(trouble|fault|error)\W*codes?|\bcodes?\b|fehlercode",
    "current_a": r"current|amps?\b|ampere|strom|courant|corriente|\bi\b|^i_|[\[(]m?a[\])]|_m?a$",
    "temperature_c": r"temp|°\s?[cf]|\bt\b|[\[(]°?[cf][\])]|_c$|_f$",
    "time": r"time|date|stamp|clock|uhr|zeit|datum|hora|fecha|heure|\bepoch\b|\bts\b|\bt\b",
    "state": r"\bstate\b|\bmode\b|\bstatus\b|zustand|\bphase\b",
    "pack_id": r"\bpack\b|pack[ _]?(id|no|nr|name|number)|\bunit\b|vehicle|fleet|\basset\b|\bcar\b|\bvan\b",
}
_BLOCK_WORDS: Final = re.compile(r"block|cell|module|volt|spannung|tension|\bv|\bu\b|^u|ch|bat|zelle|pair|string", re.I)
_BLOCK_NUMBER: Final = re.compile(r"\b(block|cell|module|channel|ch|pair|sensor)\b", re.I)
_OTHER_GROUPS: Final = re.compile(r"temp|°|resist|impedance|ohm|[ΩΩ]|\bt\d|\bir(?![a-z])|current|amp|soc|note", re.I)
_NOT_THE_PACKS: Final = re.compile(r"\b(min|max|lowest|highest|target|avg|average|mean|delta|diff)\b", re.I)
CODE: Final = re.compile(r"[PBCU][0-3][0-9A-F]{3}", re.I)
"""A code as SAE J2012 writes it: system, who defined it, and three hexadecimal digits."""


def plain(heading: str) -> str:
    """Return a heading with its joined words apart: pack_voltage, packVoltage."""
    return re.sub(r"(?<=[a-z])(?=[A-Z])", " ", heading.replace("_", " ")).strip()


def unit_of(heading: str) -> str:
    """Return the unit that a heading names for volts, amperes or degrees; empty if it names none."""
    found = _BRACKETED.search(heading) or _TRAILING.search(heading)
    word = "" if found is None else found[1].lower().replace("°", "").replace("deg", "").strip()
    return _SPELLED.get(word, "")


def meanings_of(heading: str) -> list[str]:
    """Return what a heading may stand for among our columns, likeliest first."""
    unit = unit_of(heading)
    if unit in ("A", "mA"):
        return ["current_a"]
    if unit in ("mOhm", "Ohm"):
        return []
    words = plain(heading)
    return [
        name
        for name, pattern in _USED.items()
        if re.search(pattern, words, re.I) or re.search(pattern, heading, re.I)
        if not (unit in ("V", "mV") and name != "spread_v")
        if not (unit in ("C", "F", "K") and name != "temperature_c")
        if not (name == "soc_pct" and _NOT_THE_PACKS.search(words))
        if not (name == "spread_v" and re.search(r"temp|soc|resist", words, re.I))
    ]


def unused_kind(heading: str) -> str:
    """Return what a column holds that no record takes; empty if that cannot be told."""
    words = plain(heading)
    return next((kind for kind, pattern in _UNUSED.items() if re.search(pattern, words, re.I)), "")


def is_resistance(heading: str) -> bool:
    """Tell whether a heading speaks of a resistance."""
    return re.search(_UNUSED["resistance"], plain(heading), re.I) is not None


def is_deviation(heading: str) -> bool:
    """Tell whether a heading speaks of how far something is off, as from the mean."""
    return (
        re.search(r"\b(dev(iation)?s?|delta|diff(erence)?s?|offsets?|abw(eichung)?)\b|Δ", plain(heading), re.I)
        is not None
    )


def names_a_block(heading: str) -> bool:
    """Tell whether a column may hold the number of a block."""
    return _BLOCK_NUMBER.search(plain(heading)) is not None


def numbered_groups(headings: list[str]) -> list[tuple[int, list[tuple[int, str]]]]:
    """Return groups of headings that differ by a running number alone, in its order, with their likeness to blocks.

    Those that look most like block voltages come first: by their words (2 to 0), and then by how many they are.
    """
    groups: dict[tuple[str, str], list[tuple[int, str]]] = defaultdict(list)
    for heading in headings:
        # A unit at the end holds no number, and must not part a group whose columns are in several units.
        bare = _BRACKETED.sub("", heading).strip() if unit_of(heading) else heading
        end = next((at for at in range(len(bare), 0, -1) if bare[at - 1].isdecimal()), 0)
        start = next((at for at in range(end, 0, -1) if not bare[at - 1].isdecimal()), 0)
        if end:
            groups[bare[:start].strip().lower(), bare[end:].strip().lower()].append((int(bare[start:end]), heading))
    several = [(_block_likeness(group[0][1]), sorted(group)) for group in groups.values() if len(group) > 1]
    return sorted(several, key=lambda pair: (-pair[0], -len(pair[1])))


def _block_likeness(heading: str) -> int:
    unit = unit_of(heading)
    if unit in ("A", "mA", "C", "F", "K", "mOhm", "Ohm") or _OTHER_GROUPS.search(plain(heading)):
        return 0
    return 2 if unit in ("V", "mV") or _BLOCK_WORDS.search(plain(heading)) else 1
