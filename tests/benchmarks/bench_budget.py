"""Time of a budget: 10,000 lots, 2,000 draws, 30 years, four policies, and the programme under a cap on top."""

import sys
import time
from pathlib import Path

import numpy as np
from measure import line, timed

sys.path.insert(0, str(Path(__file__).parents[2]))

from models.programme import carry_out, choose
from models.renewal import Simulation
from models.renewal_stock import Laws, Policy, Prices, Stock, Works

N_LOTS, N_DRAWS, N_YEARS, N_PARAMETER_DRAWS, N_LAWS = 10_000, 2_000, 30, 200, 60


def portfolio(n_lots, n_draws, n_years):
    """Lots of one to four pipes, a fifth of which may be of several ages."""
    rng = np.random.default_rng(1)
    m = N_PARAMETER_DRAWS
    size = rng.choice([1, 2, 3, 4], p=[0.58, 0.3, 0.09, 0.03], size=n_lots)
    start = np.concatenate(([0], np.cumsum(size)))
    n_pipes = int(start[-1])
    n_entries = rng.choice([1, 5], p=[0.8, 0.2], size=n_pipes)
    entry_start = np.concatenate(([0], np.cumsum(n_entries)))
    stock = Stock(
        lot_first=np.arange(n_lots),
        lot_count=np.ones(n_lots, dtype=np.int64),
        lot_group=np.full(n_lots, -1),
        lot_key=np.arange(n_lots),
        choice=np.arange(n_lots),
        line_start=start,
        lot_piece=start[:-1],
        n_pieces=n_pipes,
        failed_now=rng.beta(2, 3, (n_pipes, m)).astype(np.float32),
        pipe_state=np.arange(n_pipes),
        entry_start=entry_start,
        entry_law=rng.integers(0, N_LAWS - 1, entry_start[-1]),
        entry_age=rng.uniform(5, 90, entry_start[-1]),
        entry_weight=np.repeat(1 / n_entries, n_entries),
    )
    works = Works(
        price=rng.uniform(100, 200, (5, n_draws)),
        row=rng.integers(0, 5, n_pipes),
        units=rng.uniform(10, 60, n_pipes),
        law=np.full(n_pipes, N_LAWS - 1),
    )
    prices = Prices(
        mobilisation=rng.uniform(500, 900, n_draws),
        emergency_factor=rng.uniform(1.2, 2, n_draws),
        cleanup=rng.uniform(1e3, 5e3, n_draws),
        camera=rng.uniform(150, 400, n_draws),
        trouble_delay_years=rng.uniform(8, 30, n_draws),
    )
    laws = Laws(
        log_scale=rng.normal(4.3, 0.2, (N_LAWS, 1)) + rng.normal(0, 0.1, (N_LAWS, m)),
        shape=np.exp(rng.normal(0.9, 0.1, (N_LAWS, m))),
        start=np.full((N_LAWS, m), 0.05),
    )
    years = np.arange(1.0, n_years + 1)
    simulation = Simulation(
        laws=laws,
        stock=stock,
        emergency=works,
        prices=prices,
        growth=1.03**years,
        discount=1.05**-years,
        sensitivity=0.8,
        specificity=0.95,
    )
    return simulation, works


def policies(simulation, works):
    """Wait, inspect, replace by age, reline."""
    rng = np.random.default_rng(2)
    n, lots = simulation.stock.n_pieces, simulation.stock.n_lots
    nothing, nobody = np.zeros((n, 1), dtype=np.uint8), np.zeros(lots, dtype=np.int64)
    by_age = rng.integers(0, 31, (n, 1)).astype(np.uint8)
    ahead = rng.integers(0, 11, (n, 1)).astype(np.uint8)
    return (
        Policy(planned_year=nothing, planned=works, camera_first=nobody),
        Policy(
            planned_year=nothing,
            planned=works,
            camera_first=np.arange(lots) % 5 + 1,
            camera_every=5,
            is_confirmed=True,
        ),
        Policy(planned_year=by_age, planned=works, camera_first=nobody),
        Policy(planned_year=ahead, planned=works, camera_first=nobody, cannot_be_planned_share=0.25),
    )


def main():
    small, works = portfolio(50, 10, 5)
    for policy in policies(small, works):
        small.run(policy)
    small.worth(works)

    def all_four():
        simulation, works = portfolio(N_LOTS, N_DRAWS, N_YEARS)
        return simulation, works, [simulation.run(policy) for policy in policies(simulation, works)]

    before = time.process_time()
    seconds, (simulation, works, futures) = timed(all_four, repeats=1)
    busy = time.process_time() - before
    worth = futures[0].present_value
    line(
        f"budget, {N_LOTS:,} lots, {N_DRAWS:,} draws, {N_YEARS} years, 4 policies",
        seconds,
        f"target 20 s, 4 GiB; processor time {busy:.1f} s on {simulation.n_threads} threads; waiting {worth.mean() / 1e6:.1f} million",
    )
    seconds, found = timed(lambda: simulation.worth(works), repeats=1)
    line("  worth of leaving, and of renewing in each year", seconds)
    cap = 3e6 * simulation.growth

    def programme():
        chosen = choose(found.leave[:, None] - found.renew, found.price, cap)
        return chosen, carry_out(simulation, chosen, works, cap)

    seconds, (chosen, done) = timed(programme, repeats=1)
    lots = np.zeros(simulation.stock.n_lots, dtype=np.int64)
    future = simulation.run(Policy(planned_year=done, planned=works, camera_first=lots))
    over = float((future.planned - cap).max())
    line(
        "  programme under a cap, carried out in every draw",
        seconds,
        f"gap {chosen.gap:.2%}; most above the cap {max(over, 0):.0f}",
    )


if __name__ == "__main__":
    main()
