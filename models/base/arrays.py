"""The one home of array types: what a name of an array says of its numbers."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Integers = NDArray[np.int64]
Rows = NDArray[np.intp]
"""Positions of rows in a table."""
