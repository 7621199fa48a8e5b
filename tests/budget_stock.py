"""Small portfolios for simulations, made from arrays."""

from __future__ import annotations

import numpy as np

from models.renewal import Simulation
from models.renewal_stock import Laws, Policy, Prices, SpotRepair, Stock, Works

#: Scale that nothing outlives the horizon of.
FOREVER = np.log(1e9)
#: Delay so small that what needs repair makes trouble within the first year.
AT_ONCE = 1e-6


def make(
    *,
    pipes_of_lots=(1, 1, 1),
    failed=(1.0, 0.5, 0.0),
    laws=((FOREVER, 1.0), (FOREVER, 1.0)),
    family="weibull",
    pipe_law=None,
    age=0.0,
    n_draws=2_000,
    years=10,
    planned=4_000.0,
    emergency=10_000.0,
    surcharge=1.0,
    mobilisation=0.0,
    cleanup=0.0,
    camera=300.0,
    delay=1.0,
    growth=0.0,
    discount=0.0,
    lot_key=None,
    spot_share=0.0,
    spot=1_000.0,
    **more,
):
    """A simulation in which law 1 is that of new pipe; prices are for each pipe and certain."""
    n_pipes = sum(pipes_of_lots)
    start = np.concatenate(([0], np.cumsum(pipes_of_lots)))
    n_lots = len(pipes_of_lots)
    failed = np.asarray(failed, dtype=np.float32)
    failed = failed[:, None] if failed.ndim == 1 else failed
    m = failed.shape[1]
    parameters = np.asarray(laws, dtype=float)
    if parameters.ndim == 2:
        parameters = np.repeat(parameters[:, :, None], m, axis=2)
    t = np.arange(1, years + 1)
    stock = Stock(
        lot_first=np.arange(n_lots),
        lot_count=np.ones(n_lots, dtype=np.int64),
        lot_group=np.full(n_lots, -1),
        lot_key=np.arange(n_lots) if lot_key is None else np.asarray(lot_key),
        choice=np.arange(n_lots),
        line_start=start,
        lot_piece=start[:-1],
        n_pieces=n_pipes,
        failed_now=failed,
        pipe_state=np.arange(n_pipes),
        entry_start=np.arange(n_pipes + 1),
        entry_law=np.zeros(n_pipes, dtype=np.int64) if pipe_law is None else np.asarray(pipe_law),
        entry_age=np.broadcast_to(np.asarray(age, dtype=float), (n_pipes,)).copy(),
        entry_weight=np.ones(n_pipes),
    )

    def works(price: float) -> Works:
        return Works(
            price=np.full((1, n_draws), price),
            row=np.zeros(n_pipes, dtype=np.int64),
            units=np.ones(n_pipes),
            law=np.ones(n_pipes, dtype=np.int64),
        )

    def every(value: float) -> np.ndarray:
        return np.broadcast_to(np.asarray(value, dtype=float), (n_draws,)).copy()

    simulation = Simulation(
        laws=Laws(
            log_scale=np.ascontiguousarray(parameters[:, 0]),
            shape=np.ascontiguousarray(parameters[:, 1]),
            start=np.zeros_like(parameters[:, 0]),
            family=family,
        ),
        stock=stock,
        emergency=works(emergency),
        prices=Prices(
            mobilisation=every(mobilisation),
            emergency_factor=every(surcharge),
            cleanup=every(cleanup),
            camera=every(camera),
            trouble_delay_years=every(delay),
        ),
        spots=SpotRepair(*works(spot)[:3], share=every(spot_share)),
        growth=(1 + growth) ** t,
        discount=(1.0 + discount) ** -t,
        **more,
    )
    return simulation, works(planned)


def policy(simulation: Simulation, planned: Works, *, plan=None, cameras=None, every=0, **more) -> Policy:
    """A policy; nothing is planned unless said."""
    n, lots = simulation.stock.n_pieces, simulation.stock.n_lots
    plan = np.zeros(n) if plan is None else np.asarray(plan)
    return Policy(
        planned_year=plan.astype(np.uint8).reshape(n, -1),
        planned=planned,
        camera_first=np.zeros(lots, dtype=np.int64) if cameras is None else np.asarray(cameras),
        camera_every=every,
        **more,
    )


def close(values, expected, n_draws: int, spread: float) -> None:
    """Within four standard errors of a mean over draws."""
    np.testing.assert_allclose(values, expected, atol=4 * spread / np.sqrt(n_draws) + 1e-9)
