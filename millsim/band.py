"""How sure: the ranges of all parameters, carried through the balance to a band on every figure.

A parameter's low and high are taken as the limits of the plausible: the draw is a two-piece normal about the
value with two standard deviations at each limit, cut there (log-normal where the card says log). Warm and cold
values of one property move together. Scrambled Sobol points (scipy.stats.qmc) cover the ranges evenly.
"""

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from . import psd
from .balance import BINS, FLOWS, STRIKE_COLUMNS, chip_shares
from .batch import run_batch
from .capacity import BATCH_LEFT, CANNOT, FAILED, LIMITS, OK, OVER, operate
from .chamber import N_RATES, STATE, STRIKES, idle_power
from .jit import kernel, law
from .operate import POWERS, start_state
from .outcome import batch_times
from .params import Param
from .problem import Problem, set_parameters

LEVEL = 0.80
TOLERANCE = 1e-6
BATCH_STEPS = 80
CHUNK = 4  # samples per compiled call, so that Ctrl-C and progress work

# What is recorded of every sample, besides the product distribution.
RECORD = np.dtype(
    [
        (n, "f8")
        for n in "code F M T shaft electrical idle hits above residence Q unblinded omega v jam capacity".split()
    ]
)
OUTPUTS = (
    "x10_m x50_m x90_m span throughput_kg_s capacity_kg_s holdup_kg hits_per_particle hits_above_threshold_share "
    "gross_J_kg net_J_kg shaft_power_W electrical_power_W idle_power_W outlet_temperature_K air_flow_m3_s "
    "open_sieve_share speed_rad_s tip_speed_m_s residence_s jam_index".split()
)
RANKED = ("x50_m", "throughput_kg_s", "gross_J_kg", "outlet_temperature_K")  # outputs whose wideners are named


@dataclass(frozen=True)
class Samples:
    """Outputs of many parameter draws: values {name: (N,)}, q3 (N, n+1), ok (N,) false where not converged."""

    values: dict[str, np.ndarray]
    q3: np.ndarray
    ok: np.ndarray


def groups(parameters: tuple[Param, ...]) -> list[list[Param]]:
    """Uncertain parameters, in groups that are drawn together (warm and cold values of one property)."""
    found: dict[str, list[Param]] = {}
    for p in parameters:
        if p.high > p.low and p.name not in ("mec", "mie", "temperature_warm", "temperature_cold"):
            found.setdefault(p.name.removesuffix("_warm").removesuffix("_cold"), []).append(p)
    return list(found.values())


def at_quantile(p: Param, u: np.ndarray) -> np.ndarray:
    """Values of a parameter at quantiles u (N,) of its two-piece cut normal; 0.5 is the value itself."""
    from scipy.special import ndtr, ndtri

    z = ndtri(ndtr(-2.0) + np.asarray(u) * (ndtr(2.0) - ndtr(-2.0))) / 2.0
    if p.scale == "log":
        up, down = np.log(p.high / p.value), np.log(p.value / p.low)
        return p.value * np.exp(np.where(z > 0, up, down) * z)
    return p.value + np.where(z > 0, p.high - p.value, p.value - p.low) * z


def draws(problem: Problem, count: int, seed: int) -> np.ndarray:
    """(count,) MILL records: Sobol points over all uncertain parameters."""
    from scipy.stats import qmc

    together = groups(problem.parameters)
    u = qmc.Sobol(len(together), scramble=True, rng=seed).random_base2(int(np.ceil(np.log2(max(2, count)))))[:count]
    mills = np.repeat(problem.mill, count)
    set_parameters(mills, {p.name: at_quantile(p, u[:, i]) for i, g in enumerate(together) for p in g})
    return mills


def one_at_a_time(problem: Problem) -> tuple[np.ndarray, list[str]]:
    """(2 g + 1,) MILL records: the plausible values, then each group at its low and at its high; group names."""
    together = groups(problem.parameters)
    mills = np.repeat(problem.mill, 2 * len(together) + 1)
    for i, group in enumerate(together):
        for j, end in ((2 * i + 1, "low"), (2 * i + 2, "high")):
            one = mills[j : j + 1]
            set_parameters(one, {p.name: getattr(p, end) for p in group})
            mills[j] = one[0]
    return mills, [g[0].name.removesuffix("_warm").removesuffix("_cold") for g in together]


N_STRIKES, N_LIMITS = len(STRIKE_COLUMNS), len(LIMITS)


@law
def _batch_sample(m, grid, feed, mass, ends, s, work, r, product):
    """One batch with one draw of the parameters; fills its RECORD and product (n,)."""
    k, n = ends.size, feed.size
    dwell, totals, energies = np.zeros(n), np.zeros(1, FLOWS), np.zeros(4)
    states, screens, left = np.zeros(k, STATE), np.zeros((k, n)), np.zeros((k, BATCH_LEFT))
    start_state(m, mass, mass, s[0])
    run_batch(
        m, grid, mass * feed, ends, s[0], work, product, dwell, totals[0], energies, states, screens, left
    )
    t = ends[k - 1]
    r.F, r.M, r.T, r.shaft = product.sum() / t, left[k - 1, 1], left[:, 2].max(), energies[2] / t
    r.jam, r.residence, r.unblinded = left[:, 5].max(), dwell.sum() / mass, states["unblinded"].min()
    hits = totals[0].bar_hits + totals[0].pin_hits
    r.hits, r.above = hits / mass, (totals[0].bar_above + totals[0].pin_above) / max(hits, 1e-300)


@law
def _solve_one(m, edges, x, feed, asked, batch_mass, batch_ends, tolerance, r, product):
    """One mill with one draw of the parameters; fills its RECORD and product (n,)."""
    n = x.size
    work = (
        np.zeros((n, N_RATES)), np.zeros(n), np.zeros((n, BINS, N_STRIKES)), np.zeros(n), np.zeros(n),
        np.zeros(1, FLOWS), np.zeros(1, STRIKES), np.zeros(1, POWERS), np.zeros(n),
    )  # fmt: skip
    s, loads = np.zeros(1, STATE), np.zeros(N_LIMITS)
    grid = (edges, x, chip_shares(edges, x, m.chip_size, m.chip_exponent))
    r.capacity, r.code, r.jam = np.nan, 0.0, 0.0
    if batch_mass > 0.0:
        _batch_sample(m, grid, feed, batch_mass, batch_ends, s, work, r, product)
    else:
        code = OK
        if asked < np.inf:
            code, _, _ = operate(m, grid, feed, np.inf, s[0], work, loads, tolerance)
            r.capacity = s[0].F if code != FAILED else np.nan
        if code != OVER or s[0].F > asked:
            code, _, _ = operate(m, grid, feed, asked, s[0], work, loads, tolerance)
        r.code = code
        if asked == np.inf:
            r.capacity = s[0].F
        product[:] = work[1] * work[3]
        r.F, r.M, r.T, r.jam, r.unblinded = s[0].F, s[0].M, s[0].T, loads[4], s[0].unblinded
        r.shaft, r.residence = work[7][0].shaft, s[0].residence
        r.hits = (work[5][0].bar_hits + work[5][0].pin_hits) / s[0].F
        r.above = (work[5][0].bar_above + work[5][0].pin_above) / (work[5][0].bar_hits + work[5][0].pin_hits)
        if code == CANNOT:  # the state found is that of the empty mill
            r.F = r.capacity = 0.0
    r.Q, r.omega, r.v = s[0].Q, s[0].omega, s[0].v
    windage, bearings = idle_power(m, m.omega_0, m.T_room)
    r.electrical, r.idle = r.shaft / m.efficiency, (windage + bearings) / m.efficiency


@kernel
def solve_many(mills, edges, x, feed, asked, batch_mass, batch_ends, tolerance, record, products):
    """Solve every mill (N,): steady at the rate asked for (inf: capacity), or a batch where batch_mass > 0.

    Fills record (N,) RECORD and products (N, n). Capacity is found too where a finite rate is asked for.
    Releases the GIL: threads may share out the mills, each sample depends on nothing but itself.
    """
    for i in range(mills.size):
        _solve_one(mills[i], edges, x, feed, asked, batch_mass, batch_ends, tolerance, record[i], products[i])


def run_samples(
    problem: Problem, mills: np.ndarray, rate_kg_s: float | None, progress: Callable[[float], None] | None = None
) -> Samples:
    """Solve every mill record for the config's feed (or batch) and return the outputs by name."""
    feed = problem.config.feed
    n, N = problem.x.size, mills.size
    record, products = np.zeros(N, RECORD), np.zeros((N, n))
    batch_mass = feed.batch_mass_kg or 0.0
    ends = batch_times(feed.batch_time_s, BATCH_STEPS) if batch_mass else np.ones(1)
    asked = np.inf if rate_kg_s is None else rate_kg_s

    def solve_part(first: int) -> None:
        part = slice(first, min(N, first + CHUNK))
        solve_many(
            mills[part], problem.edges, problem.x, problem.feed, asked, batch_mass, ends, TOLERANCE, record[part],
            products[part],
        )  # fmt: skip

    with ThreadPoolExecutor(os.cpu_count()) as pool:
        try:
            for done, _ in enumerate(pool.map(solve_part, range(0, N, CHUNK))):
                if progress:
                    progress(min(1.0, (done + 1) * CHUNK / N))
        except BaseException:
            pool.shutdown(cancel_futures=True)
            raise
    return _outputs(problem.edges, record, products)


def _outputs(edges: np.ndarray, r: np.ndarray, products: np.ndarray) -> Samples:
    q3 = psd.cumulative(products)
    q3 = q3 / q3[:, -1:]
    with np.errstate(invalid="ignore", divide="ignore"):
        x10, x50, x90 = (np.array([psd.x_at(edges, q, p) for q in q3]) for p in (0.1, 0.5, 0.9))
        values = dict(zip(OUTPUTS, (
            x10, x50, x90, (x90 - x10) / x50, r["F"], r["capacity"], r["M"], r["hits"], r["above"],
            r["electrical"] / r["F"], (r["electrical"] - r["idle"]) / r["F"], r["shaft"], r["electrical"], r["idle"],
            r["T"], r["Q"], r["unblinded"], r["omega"], r["v"], r["residence"], r["jam"],
        ), strict=True))  # fmt: skip
    return Samples(values, q3, (r["code"] != FAILED) & np.isfinite(x50))


def band_of(values: np.ndarray, ok: np.ndarray, level: float = LEVEL) -> tuple[float, float]:
    """Central interval of the settled samples; inf where so many draws cannot run that there is no upper end."""
    good = values[ok & ~np.isnan(values)]
    if good.size < 8:
        return float("nan"), float("nan")
    low, high = np.quantile(good, [(1.0 - level) / 2.0, (1.0 + level) / 2.0], method="inverted_cdf")
    return float(low), float(high)


def widest(samples: Samples, names: list[str], output: str) -> list[tuple[str, float]]:
    """Parameters by the factor (kelvin for temperature) their range opens an output, widest first.

    The factor is infinite where one end of the range stops the mill.
    """
    v = samples.values[output]
    found = []
    for i, name in enumerate(names):
        three, ok = v[[0, 2 * i + 1, 2 * i + 2]], samples.ok[[0, 2 * i + 1, 2 * i + 2]]
        if not np.all(ok) or np.any(np.isnan(three)) or three[0] == 0.0:
            continue
        low, high = three.min(), three.max()
        opened = high - low if output.endswith("_K") else high / low if low > 0.0 else np.inf
        found.append((name, float(opened)))
    return sorted(found, key=lambda item: -item[1])
