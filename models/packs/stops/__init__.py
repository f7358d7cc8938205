"""Facts that end the job until something else is done: one table, asked before any figure is given.

A stop withholds every amount, current, duration, gain and promise. Some end charging alone (`Ends`): a pack that stands
in the frost may be forecast, but nothing may be put into it. What was done to a block stands until somebody has looked
at it (`BlockReading.inspected`) or its module was swapped, whatever was recorded since.
"""

from models.packs.stops.rules import Ends, Stop, Stopped, StopRule
from models.packs.stops.table import STOPS, require_no_stop, stops_of

__all__ = ["STOPS", "Ends", "Stop", "StopRule", "Stopped", "require_no_stop", "stops_of"]
