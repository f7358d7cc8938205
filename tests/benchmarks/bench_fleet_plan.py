"""Time and gap of fleet plans on invented fleets.

PYTHONPATH=. OMP_NUM_THREADS=1 python tests/benchmarks/bench_fleet_plan.py
"""

import time

import numpy as np

from models.base.day_grid import DAYS
from models.decisions.fleet_costs import FleetCosts
from models.decisions.fleet_plan import FleetLimits, plan_fleet
from models.decisions.money import Money

SIZES = ((500, 12), (2000, 26), (5000, 12), (5000, 26))
SEEDS = (1, 2, 3)


def fleet(vehicles: int, weeks: int, rng: np.random.Generator) -> tuple[np.ndarray, FleetCosts, FleetLimits]:
    """Draw Weibull curves, costs and limits that all bind."""
    shape, scale = rng.uniform(0.8, 2.5, vehicles), rng.lognormal(np.log(60), 0.8, vehicles)
    survival = np.exp(-((DAYS / scale[:, None]) ** shape[:, None]))
    pack = rng.uniform(900, 1500, vehicles)
    costs = FleetCosts(
        "EUR", pack, rng.uniform(100, 250, vehicles), rng.uniform(500, 2500, vehicles), 0.6, 600.0, stranding=0
    )
    slots = np.full(weeks, max(vehicles // 125, 1))
    packs = np.full(weeks, max(vehicles // 160, 1))
    return survival, costs, FleetLimits(slots, packs, Money(float(0.7 * packs.sum() * pack.mean()), "EUR"))


def main() -> None:
    """Print one line for each size and seed."""
    print(f"{'vehicles':>9}{'weeks':>7}{'seed':>6}{'seconds':>9}{'gap %':>8}{'planned':>9}{'saved %':>9}  solver")
    for vehicles, weeks in SIZES:
        for seed in SEEDS:
            survival, costs, limits = fleet(vehicles, weeks, np.random.default_rng(seed))
            start = time.perf_counter()
            plan = plan_fleet(survival, costs, limits)
            seconds = time.perf_counter() - start
            saved = 100 * (1 - plan.expected_cost / plan.cost_without_plan)
            planned = int((plan.week >= 0).sum())
            print(
                f"{vehicles:>9}{weeks:>7}{seed:>6}{seconds:>9.1f}{100 * plan.gap:>8.3f}{planned:>9}{saved:>9.2f}"
                f"  {plan.solver}"
            )
    survival, costs, limits = fleet(5000, 26, np.random.default_rng(1))
    full = plan_fleet(survival, costs, limits)
    start = time.perf_counter()
    plan = plan_fleet(survival, costs, limits, time_limit_s=1e-3)
    seconds = time.perf_counter() - start
    lost = 100 * (plan.expected_cost - full.least_cost) / (full.cost_without_plan - full.least_cost)
    print(f"stopped at once: {seconds:.1f} s, gap stated {100 * plan.gap:.1f} %, in truth {lost:.1f} %, {plan.solver}")


if __name__ == "__main__":
    main()
