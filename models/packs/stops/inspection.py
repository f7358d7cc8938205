"""What somebody saw who looked at the pack."""

from __future__ import annotations

from models.base.messages import Said, say
from models.packs.history import LOOKED
from models.packs.stops.known import Known, day


def damaged(known: Known) -> Said | None:
    """Find damage that somebody saw and that is still in the pack.

    It goes with the part: a module swapped later, and a look after that which finds nothing. A look alone mends none.
    """
    swaps = [time for time in known.swapped if time is not None]
    sound = max((r.time for r in known.readings if r.inspected in LOOKED), default=None)
    cleared = max((time for time in swaps if sound is not None and time <= sound), default=None)
    seen = [r.time for r in known.readings if r.inspected == "damaged" and (cleared is None or r.time >= cleared)]
    if not seen:
        return None
    return say("On %(day)s swelling, a leak, heat or other damage was seen at the pack.", day=day(seen[-1]))
