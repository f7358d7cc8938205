"""Every cost that decisions ask for, in the words in which they ask."""

from __future__ import annotations

from typing import Final

from service.core.translation import N_

MEANING: Final[dict[str, str]] = {
    "stranding": N_("One return of the fault before the new pack is fitted: recovery, replacement trip, goodwill."),
    "day_off_road": N_("One day in which the vehicle stands."),
    "capital_per_day": N_("One day in which a pack was bought earlier than needed."),
    "return_value": N_("What the new pack is still good for if it turns out that the old one would have held."),
    "planned_work": N_("All else that a planned replacement costs besides the pack: work, and the time off the road."),
    "return_work": N_(
        "All else that a return costs besides the pack and the stranding: work, days off the road until it is done."
    ),
}
"""By name of the cost."""
