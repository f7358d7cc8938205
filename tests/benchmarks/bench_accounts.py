"""How a trained model does on packs that others simulated from what they know: an exam, never learned from.

    python tests/benchmarks/bench_accounts.py --judge JUDGE.py --models FOLDER ACCOUNT.py ...

Each account offers `cohort(n, seed, censored)`: the documented tables, and `truth`. JUDGE.py scores the models in a
folder on releases of one account, with no outcome of its own and after `tideover train --from` has learned from its
first returns, beside Kaplan-Meier and a ridge Cox regression (lifelines, penalty 1) of the same outcomes; it prints a
line a shop and a line of means. Here it runs once for each account, and the lines become one table: error as a share of
the better of the two, whether learning made it worse, calibration above chance, kept promises, and kinds. Neither
accounts nor judge are part of the project; `tests/studies/learning.md` holds what they gave, and how often they were
looked at.
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import sys
from collections.abc import Iterable
from pathlib import Path

import pandas as pd

PLACE = re.compile(r"releases; Kaplan-Meier of as many others there ([\d.]+)")
BEFORE = re.compile(
    r"no outcome of theirs: Brier ([\d.]+).*day 14 told [\d.]+ seen [\d.]+ ICI ([\d.]+)/([\d.]+).*"
    r"held [\d.]+/([\d.]+)/.*kinds log loss ([\d.]+) \(shares alone ([\d.]+)\).*out of reach ([\d.]+)"
)
AFTER = re.compile(r"(\d+) returns, mean of (\d+) shops: (.*)")


def table_of(account: str, lines: Iterable[str]) -> list[dict[str, object]]:
    """Read what a judge printed of one account.

    Raises
    ------
    ValueError
        If it did not say how the models do with no outcome.
    """
    text = list(lines)
    place = next((found for line in text if (found := PLACE.search(line))), None)
    before = next((found for line in text if (found := BEFORE.search(line))), None)
    if place is None or before is None:
        raise ValueError(f"{account}: the judge did not say how the models do with no outcome")
    ours, ici, chance, held, kinds, shares, away = map(float, before.groups())
    rows: list[dict[str, object]] = [
        {
            "account": account,
            "returns": 0,
            "shops": 0,
            "ours": ours,
            "of the better": ours / float(place[1]),
            "ICI 14 above chance": ici - chance,
            "90 % held": held,
            "of before": 1.0,
            "kinds": kinds,
            "shares alone": shares,
            "out of reach": away,
        }
    ]
    for line in text:
        if (found := AFTER.search(line)) is None:
            continue
        mean = {name: float(value) for name, value in (part.rsplit(" ", 1) for part in found[3].split("; "))}
        rows.append(
            {
                "account": account,
                "returns": int(found[1]),
                "shops": int(found[2]),
                "ours": mean["brier"],
                "of the better": mean["brier"] / min(mean["kaplan-meier"], mean["ridge cox"]),
                "ICI 14 above chance": mean["ici 14 above chance"],
                "90 % held": mean["held 90%"],
                "of before": mean["brier"] / ours,
            }
        )
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("accounts", type=Path, nargs="+")
    parser.add_argument("--judge", type=Path, required=True)
    parser.add_argument("--models", type=Path, required=True, help="the folder `models` of a home with a trained model")
    parser.add_argument("--packs", type=int, default=1500)
    parser.add_argument("--learn", type=int, nargs="*", default=[25, 100, 400])
    parser.add_argument("--shops", type=int, default=5)
    asked = parser.parse_args()
    rows: list[dict[str, object]] = []
    for account in asked.accounts:
        counts = [str(count) for count in asked.learn]
        run = subprocess.run(
            [sys.executable, str(asked.judge), str(account), str(asked.models), "--packs", str(asked.packs)]
            + (["--learn", *counts] if counts else [])
            + ["--shops", str(asked.shops)],
            env={**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
            stdout=subprocess.PIPE,
            text=True,
            check=True,
        )
        print(run.stdout, flush=True)
        rows += table_of(account.stem, run.stdout.splitlines())
    print(pd.DataFrame(rows).set_index(["returns", "account"]).sort_index().round(3).to_string(na_rep=""))


if __name__ == "__main__":
    main()
