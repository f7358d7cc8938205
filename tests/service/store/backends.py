"""Tests that run on one of the two databases.

On SQLite alone are those of which nothing depends on the database: they say nothing to it that tests on both do not say
to PostgreSQL, statement for statement (`tests.studies.statements` tells what it would miss).
"""

from __future__ import annotations

import pytest

ON_SQLITE = pytest.mark.parametrize("backend", ["sqlite"], indirect=True)
ON_POSTGRESQL = pytest.mark.parametrize("backend", ["postgresql"], indirect=True)
