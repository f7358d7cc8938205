"""What somebody saw who looked at the pack."""

from __future__ import annotations

from models.base.messages import Said, say
from models.packs.stops.known import Known, day


def damaged(known: Known) -> Said | None:
    """Find that whoever looked last saw damage."""
    looks = [r for r in known.readings if r.inspected is not None]
    if not looks or looks[-1].inspected != "damaged":
        return None
    return say("On %(day)s swelling, a leak, heat or other damage was seen at the pack.", day=day(looks[-1].time))
