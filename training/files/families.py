"""Pack families as data: one TOML file a family, here and in a folder of the user's own."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from time import monotonic
from typing import Any, Final

from pydantic import ValidationError

from models.base.errors import BadInput, Problem, problems_from
from models.packs.family import PackFamily

SHIPPED: Final = Path(__file__).parents[1] / "families"
"""Folder of the families that come along."""


LOOKED_EVERY_S: Final = 1.0
"""Between two looks at a folder of families. Our choice."""


def read_family(path: Path) -> PackFamily:
    """Read and check one family file.

    Raises
    ------
    BadInput
        If the file is not TOML or a field is wrong; each problem names the file and the field.
    """
    try:
        raw: dict[str, Any] = tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise BadInput.one(
            path.name, f"is not readable TOML: {error}.", "Correct the line named, or start from a shipped family file."
        ) from None
    try:
        return PackFamily.model_validate(raw)
    except ValidationError as error:
        raise BadInput(Problem(f"{path.name}: {p.where}", p.what, p.mend) for p in problems_from(error)) from None


def load_families(extra_dir: Path | None = None) -> dict[str, PackFamily]:
    """Load the shipped families and those of a user's folder.

    Parameters
    ----------
    extra_dir : Path, optional
        A folder of TOML files. A family there may not take the name of a shipped one.

    Returns
    -------
    dict of str to PackFamily
        By name, in alphabetical order.

    Raises
    ------
    BadInput
        If any file is wrong or a name is taken twice.
    """
    own = sorted(extra_dir.glob("*.toml")) if extra_dir is not None and extra_dir.is_dir() else []
    families: dict[str, PackFamily] = {}
    for path in [*sorted(SHIPPED.glob("*.toml")), *own]:
        family = read_family(path)
        if family.name in families:
            raise BadInput.one(f"{path.name}: name", f"the family name {family.name} is taken.", "Choose another name.")
        families[family.name] = family
    return dict(sorted(families.items()))


class LiveFamilies(Mapping[str, PackFamily]):
    """The shipped families and those of a folder, which may get more of them meanwhile.

    Parameters
    ----------
    folder : Path
        Need not be there.
    told : callable
        Told of a file that is wrong; the families from before stand until it is put right.

    Raises
    ------
    BadInput
        A file is wrong from the start.
    """

    def __init__(self, folder: Path, told: Callable[[Problem], None] = lambda _: None) -> None:
        self.folder = folder
        self._told = told
        self._stamp = self._look()
        self._families = load_families(folder)
        self._again = monotonic() + LOOKED_EVERY_S

    def refresh(self) -> None:
        """Look at the folder now."""
        self._again = monotonic() + LOOKED_EVERY_S
        stamp = self._look()
        if stamp == self._stamp:
            return
        self._stamp = stamp
        try:
            self._families = load_families(self.folder)
        except BadInput as error:
            for problem in error.problems:
                self._told(problem)

    def _look(self) -> frozenset[tuple[str, int, int]]:
        try:
            found = [(path.name, path.stat()) for path in self.folder.glob("*.toml")]
        except OSError:
            return frozenset()
        return frozenset((name, facts.st_mtime_ns, facts.st_size) for name, facts in found)

    def _now(self) -> dict[str, PackFamily]:
        if monotonic() >= self._again:
            self.refresh()
        return self._families

    def __getitem__(self, name: str) -> PackFamily:
        return self._now()[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._now())

    def __len__(self) -> int:
        return len(self._now())
