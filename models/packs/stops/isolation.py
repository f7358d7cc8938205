"""A high-voltage system that leaks to the chassis: whoever touches the vehicle may touch the pack's voltage."""

from __future__ import annotations

from models.base.messages import Said, say
from models.packs.stops.known import Known, day
from models.packs.trouble_codes import ISOLATION, STORED


def isolation(known: Known) -> Said | None:
    """Find the code of an isolation fault, in a reading or with an outcome, after which nobody measured the insulation.

    However it was stored: one trip on which it was seen is enough. A permanent one stays until its monitor ran without
    a fault (SAE J1979, $0A; from memory, unverified), so after a measurement it tells nothing new.
    """
    found = [
        r.time
        for r in known.readings
        if _is_isolation(r.code)
        and r.code_state in STORED
        and not (r.code_state == "permanent" and any(done < r.time for done in known.insulated))
    ]
    found += [o.time for o in known.outcomes if _is_isolation(o.code)]
    measured = max(known.insulated, default=None)
    if not found or (measured is not None and max(found) < measured):
        return None
    return say(
        "On %(day)s %(code)s was noted: the high-voltage system leaks to the chassis. The body, the pack's case and "
        "any metal beside it may be live.",
        day=day(max(found)),
        code=ISOLATION,
    )


def _is_isolation(code: str | None) -> bool:
    return code is not None and code.upper() == ISOLATION
