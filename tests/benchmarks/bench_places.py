"""Time of the scan, local statistics and area hazards on invented towns of blocks of 25 lots, chances about 15 %.

Targets on two processors: scan of 10,000 lots in 1 s and 1 GB, 100,000 in 5 s, 1,000,000 in 10 s; with the baseline
refitted 100,000 in 6 s (all 999 draws, cap 25 %); Gi* of 1,000,000 lots in 10 s.
"""

import resource
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from models.area_hazards import gamma_hazards
from models.local_statistics import benjamini_hochberg, excess_deviate, getis_ord, nearest, upper_tail
from models.scan import find_zones
from models.scan_draws import Frailty, Variation
from models.scan_null import Refit, null_maxima
from models.zones import n_zones, town_layers


def town(n):
    rng = np.random.default_rng(1)
    block = np.arange(n) // 25
    side = int(np.ceil(np.sqrt(block[-1] + 1)))
    x = block % side * 300.0 + rng.uniform(0, 280, n)
    y = block // side * 300.0 + rng.uniform(0, 280, n)
    chance = -np.expm1(-((rng.uniform(20, 90, n) / 120) ** 2.5))
    chance = np.clip(chance * 0.15 / chance.mean(), 0.001, 0.95)
    inside = np.hypot(x - 90 * side, y - 120 * side) < np.sqrt(0.01 / np.pi) * 300 * side
    events = rng.random(n) < np.where(inside, 1 - (1 - chance) ** 2, chance)
    return x, y, block, chance, events


def timed(work, repeats=2):
    """Best wall time and processor time of a few, and the last result."""
    times, result = [], None
    for _ in range(repeats):
        start = time.perf_counter(), time.process_time()
        result = work()
        times.append((time.perf_counter() - start[0], time.process_time() - start[1]))
    return min(times), result


def line(what, seconds, target, note=""):
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    wall, processors = seconds
    print(  # noqa: T201
        f"{what:<58} {wall:>6.2f} s ({processors:>5.2f} s of processors)  target {target:>2} s  "
        f"{peak:>5.0f} MiB peak so far  {note}",
        flush=True,
    )


def scan(x, y, block, chance, events, **null):
    layers = town_layers(x, y, chance, block=block)
    zone = find_zones(layers, events, chance)[0]
    found = null_maxima(
        layers, chance, int(events.sum()), rng=np.random.default_rng(2), least=zone.log_ratio, **null
    )
    return layers, found.p_value(zone.log_ratio)


def main():
    rng = np.random.default_rng(3)
    scan(*town(3000))
    for n, target in ((10_000, 1), (100_000, 5), (1_000_000, 10)):
        x, y, block, chance, events = town(n)
        seconds, (layers, p) = timed(lambda: scan(x, y, block, chance, events))  # noqa: B023 - run at once
        line(
            f"scan, {n:,} lots, 999 draws",
            seconds,
            target,
            f"{n_zones(layers):,} zones, p {p[0]:.2g} ({p[1]})",
        )
        if n == 100_000:
            frailties = (
                Frailty(area=block, variance=0.03),
                Frailty(area=block // 8, variance=0.05),
            )
            laws = np.clip(chance * rng.normal(1, 0.05, (40, 1)), 1e-4, 0.95)
            variation = Variation(frailties=frailties, laws=laws)
            seconds, _ = timed(lambda: scan(x, y, block, chance, events, variation=variation))  # noqa: B023
            line(f"scan against ordinary differences of areas and of the law, {n:,} lots", seconds, "-")
            fourth = [np.minimum(at / at.max() * 4, 3.99).astype(int) for at in (x, y)]
            terms = (fourth[0] * 4 + fourth[1])[:, None] == np.arange(16)
            refit = Refit(terms=terms.astype(float), slope=chance * (1 - chance))
            seconds, _ = timed(lambda: scan(x, y, block, chance, events, refit=refit))  # noqa: B023
            line(f"scan with the baseline refitted in each draw, {n:,} lots", seconds, 6)
    near = None

    def local():
        nonlocal near
        near = nearest(x, y, 8)
        return benjamini_hochberg(upper_tail(getis_ord(events - chance, near)))

    seconds, found = timed(local, 1)
    line("Gi* with analytic tails, 1,000,000 lots", seconds, 10, f"{found.is_kept.sum():,} kept")
    seconds, _ = timed(lambda: benjamini_hochberg(upper_tail(excess_deviate(events, chance, near))), 1)
    line("the same with the model's moments, neighbours given", seconds, "-")
    seconds, fit = timed(
        lambda: gamma_hazards(chance, events.astype(float), block, n_areas=int(block.max()) + 1), 1
    )
    line("multipliers of 40,000 blocks, 1,000,000 lots", seconds, "-", f"variance {fit.variance:.3f}")


if __name__ == "__main__":
    main()
