"""The cautions of the job, one list with a source each: the same on every door, and no option turns them off.

They defer to local rules, to the maker's instructions and to licensed practice; they replace none of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from models.base.messages import say

Chemistry = Literal["nimh", "lithium-ion"]
PRACTICE: Final = "common practice, no source"


@dataclass(frozen=True)
class Caution:
    """One caution."""

    code: str
    text: str
    source: str


DRIVING: Final = (
    Caution(
        "permission",
        say(
            "A probability is not permission: a licensed technician decides whether the vehicle may go, under local "
            "rules and the maker's service instructions."
        ),
        PRACTICE,
    ),
    Caution(
        "may-stop",
        say(
            "A vehicle on a topped-up pack may stop driving without warning. No motorway, no remote trips, nobody who "
            "depends on arriving; agree beforehand who recovers it and how."
        ),
        PRACTICE,
    ),
)

PACK_WORK: Final = (
    Caution(
        "gloves",
        say(
            "Pack work is for trained, licensed technicians. Rated insulating gloves (class 0), air-tested and looked "
            "over before every use, with their retest date not passed (six months in use is the common rule), leather "
            "protectors over them."
        ),
        "ASTM D120 (class 0), ASTM F496 (air test), 29 CFR 1910.137, table I-5 (retest)",
    ),
    Caution(
        "dead",
        say(
            "Take off 12 V power and the service disconnect, wait as long as the maker says for the capacitors, then "
            "prove absence of voltage with a meter of category III or better, itself proved on a known source before "
            "and after. The inside of the pack stays live whatever is disconnected."
        ),
        "IEC 61010 (meter category; from memory, unverified); the proving is common practice, no source",
    ),
    Caution(
        "arc",
        say(
            "A direct-current arc does not go out by itself: face shield, insulated tools, one hand, no jewellery, "
            "and the bars beside the work covered."
        ),
        PRACTICE,
    ),
    Caution(
        "second-person",
        say("Never alone: a second person who knows how to switch off and to rescue, and a plan for fire."),
        PRACTICE,
    ),
    Caution(
        "refitting",
        say(
            "After refitting: every joint to the maker's torque, the sense leads in their order, and an insulation "
            "test before the pack is connected."
        ),
        PRACTICE,
    ),
)

ALKALINE: Final = (
    Caution(
        "electrolyte",
        say(
            "The electrolyte is caustic (about pH 13.5): eye and skin protection, water at hand. Edges are sharp, and "
            "a pack is lifted by two."
        ),
        PRACTICE,
    ),
)

CHARGING: Final = (
    Caution(
        "charge",
        say(
            "A topping charge is gentle (about a tenth of the rated current), timed, ventilated, with the modules "
            "clamped, and never left alone. Never below 0 °C, never a block that is swollen, leaking or hot. "
            "Overcharged cells vent gas that burns."
        ),
        "from memory, unverified",
    ),
    Caution(
        "supply",
        say("The supply is isolated from the mains and fused, and its polarity is checked before it is connected."),
        PRACTICE,
    ),
    Caution(
        "charge-ends",
        say(
            "What ends the charge is the time, the ampere-hours, 10 °C over the room, 45 °C, or 1.5 V a cell, "
            "whichever comes first. So gentle a charge cannot warm a block by more than about half a degree a minute: "
            "do not wait for it to climb fast."
        ),
        "1.5 V: NREL ADVISOR data file ESS_NIMH6; temperatures from memory, unverified; the rate derived: 0.65 A at "
        "18 V into 2 kg of 800 J/kg/K is 0.44 °C a minute",
    ),
    Caution(
        "reads-level",
        say(
            "A block that reads level after a charge may not be: the extra voltage goes as the car is used, not as it "
            "rests."
        ),
        "derived from hysteresis, NREL ADVISOR data file ESS_NIMH60",
    ),
    Caution(
        "draw-down",
        say(
            "A draw-down needs a switch and a fuse rated for direct current at the pack's voltage, and somebody beside "
            "it; afterwards the vehicle itself, or a charger of the maker's, brings the pack back up."
        ),
        PRACTICE,
    ),
)

LITHIUM: Final = (
    Caution(
        "thermal-runaway",
        say(
            "Lithium-ion cells can run away with heat, hours after the fault: toxic smoke that burns. A plan for fire, "
            "much water, distance, and the pack outdoors where it smokes, swells or warms."
        ),
        PRACTICE,
    ),
    Caution(
        "no-hand-charge",
        say(
            "Nothing is charged by hand outside the cells' own management system. A cell driven below its floor is "
            "never charged again."
        ),
        PRACTICE,
    ),
    Caution("lift", say("Edges are sharp, and a pack is lifted by two."), PRACTICE),
)


def at_the_pack(chemistry: Chemistry | None = None) -> tuple[Caution, ...]:
    """Cautions of opening and charging a pack; without a chemistry those of both, lithium-ion first."""
    if chemistry == "lithium-ion":
        return LITHIUM[:2] + PACK_WORK + LITHIUM[2:]
    alkaline = PACK_WORK + ALKALINE + CHARGING
    return alkaline if chemistry == "nimh" else LITHIUM[:2] + alkaline


def cautions_for(chemistry: Chemistry | None = None) -> tuple[Caution, ...]:
    """All cautions, those of driving first.

    Parameters
    ----------
    chemistry : str, optional
        Of the pack; left out where an answer speaks of many.
    """
    return DRIVING + at_the_pack(chemistry)
