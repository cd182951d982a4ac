"""How sure: the ranges of all parameters, and what model and day are off by, carried to a band on every figure.

How a range becomes a distribution: `scores`. Scrambled Sobol points cover the ranges evenly. With
a calibration its draws take the place of the ranges, all parameters of one draw together.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..base.numerics.sobol import sobol
from ..base.numerics.statistics import central
from ..base.numerics.threads import on_all_cores
from ..base.quantities.params import GUESSED, Param
from ..base.quantities.scores import at_quantile, group_name, groups, is_drawn
from ..errors import NotConverged
from ..mill.guesses import EDGE_KIND, MATERIAL, exchanged
from ..mill.problem import Setup, set_parameters, set_values
from ..record.limits import CANNOT, CHAMBER, LIMITS, OVER
from ..record.prediction import EngineResult
from .assemble import Told, fed, nothing, told
from .error import Errors, Off, net_share, with_error
from .outcome import Outcome, solve, solve_batch, still

LEVEL = 0.80
TOLERANCE = 1e-6
BATCH_STEPS = 80
TOGETHER = 8  # draws that are settled before they are told: code that has just run runs twice as fast again
RANKED = ("x50_m", "throughput_kg_s", "gross_J_kg", "outlet_temperature_K")  # outputs whose wideners are named


@dataclass(frozen=True)
class Samples:
    """Outputs of many parameter draws: values {name: (N,)}, q3 (N, n+1), ok (N,) false where not converged."""

    values: dict[str, np.ndarray]
    q3: np.ndarray
    ok: np.ndarray


def draws(problem: Setup, count: int, seed: int) -> np.ndarray:
    """(count,) MILL records: Sobol points over all uncertain parameters."""
    mills = np.repeat(problem.mill, count)
    _put(problem, mills, _quantiles(problem, count, seed))
    return mills


def drawn_guesses(problem: Setup, count: int, seed: int) -> dict[str, np.ndarray]:
    """Values (count,) of every guess in those draws, by key."""
    u = _quantiles(problem, count, seed)
    return {p.name: drawn(problem, p, u[p.name]) for p in problem.parameters if p.basis == GUESSED}


def _quantiles(problem: Setup, count: int, seed: int) -> dict[str, np.ndarray]:
    """Quantiles (count,) of every group of parameters."""
    together = groups(problem.parameters)
    u = sobol(len(together), count, seed)
    return {group_name(g[0].name): u[:, i] for i, g in enumerate(together)}


def common_draws(problems: Sequence[Setup], count: int, seed: int) -> list[np.ndarray]:
    """(count,) MILL records of each problem: in each draw a parameter is off alike in all of them."""
    names = list(dict.fromkeys(group_name(g[0].name) for p in problems for g in groups(p.parameters)))
    u = sobol(len(names), count, seed)
    found = []
    for p in problems:
        mills = np.repeat(p.mill, count)
        together = [group_name(g[0].name) for g in groups(p.parameters)]
        _put(p, mills, {name: u[:, names.index(name)] for name in together})
        found.append(mills)
    return found


def _put(problem: Setup, mills: np.ndarray, u: dict[str, np.ndarray]) -> None:
    """Write the parameters at the quantiles u of their groups into records, each of its own edge and material."""
    values = {x.name: drawn(problem, x, u[group_name(x.name)]) for g in groups(problem.parameters) for x in g}
    set_values(problem, mills, values)
    guessed = {n: v for n, v in values.items() if n in (MATERIAL, EDGE_KIND)}
    for i in range(mills.size if guessed else 0):
        others = exchanged(problem.config, {n: float(v[i]) for n, v in guessed.items()})
        own = {n: _own_value(p, u.get(group_name(n)), i) for n, p in others.items()}
        set_parameters(mills[i : i + 1], own)


def set_one(problem: Setup, mill: np.ndarray, values: Mapping[str, float]) -> None:
    """Write values of some parameters into one record (1,), of another edge or material where they say so."""
    set_values(problem, mill, values)
    set_parameters(mill, {n: p.value for n, p in exchanged(problem.config, values).items()})


def _own_value(p: Param, u: np.ndarray | None, i: int) -> float:
    """A parameter of another card at the quantile of draw i; its plausible value where nothing is drawn."""
    return float(at_quantile(p, u[i : i + 1])[0]) if u is not None and is_drawn(p) else p.value


def drawn(problem: Setup, p: Param, u: np.ndarray) -> np.ndarray:
    """Values (N,) of a parameter at quantiles u: of its range, or of what a calibration left possible."""
    applied = problem.calibration
    if applied is None or applied.of(p) is None:
        return at_quantile(p, u)
    from scipy.special import ndtri

    return applied.values(p.name, ndtri(np.clip(u, 1e-12, 1.0 - 1e-12)))


def one_at_a_time(problem: Setup, basis: str = "") -> tuple[np.ndarray, list[str]]:
    """(2 g + 1,) MILL records: the plausible values, then each group at its low and at its high; group names.

    basis: of the parameters that are moved, where not all are.
    """
    together = groups(tuple(p for p in problem.parameters if basis in ("", p.basis)))
    mills = np.repeat(problem.mill, 2 * len(together) + 1)
    for i, group in enumerate(together):
        for j, end in ((2 * i + 1, "low"), (2 * i + 2, "high")):
            one = mills[j : j + 1]
            set_one(problem, one, {p.name: getattr(p, end) for p in group})
            mills[j] = one[0]
    return mills, [group_name(g[0].name) for g in together]


def solve_draw(
    problem: Setup, mill: np.ndarray, rate_kg_s: float | None, errors: Errors | None = None, i: int = 0
) -> tuple[Told, Outcome] | None:
    """The balance's answer for one draw (1,) of the parameters, and the settled state; None where it does not settle.

    errors: of the model and of the day, of which draw i is taken; the loads of the state have them too.
    """
    settled = _settled(problem, mill, rate_kg_s)
    return settled and _told(problem, mill, *settled, errors, i)


def solve_draws(
    problem: Setup, mills: np.ndarray, rate_kg_s: float | None, errors: Errors | None, which: Sequence[int]
) -> list[tuple[Told, Outcome] | None]:
    """`solve_draw` of several: all are settled, then all are told."""
    settled = [_settled(problem, mills[i : i + 1], rate_kg_s) for i in which]
    return [s and _told(problem, mills[i : i + 1], *s, errors, i) for i, s in zip(which, settled, strict=True)]


def _settled(problem: Setup, mill: np.ndarray, rate_kg_s: float | None) -> tuple[Outcome, float] | None:
    """The outcome of a draw and its capacity [kg/s], NaN for a batch; None where it does not settle."""
    feed, capacity = problem.config.feed, float("nan")
    try:
        if feed.batch:
            outcome = solve_batch(problem, *feed.batch, BATCH_STEPS, mill)
        else:
            outcome = solve(problem, None, mill, TOLERANCE)
            capacity = float(outcome.state["F"])
            if rate_kg_s is not None and not _takes_less(outcome, rate_kg_s):
                outcome = solve(problem, rate_kg_s, mill, TOLERANCE)
    except NotConverged:
        return None
    return outcome, capacity


def _told(
    problem: Setup, mill: np.ndarray, outcome: Outcome, capacity: float, errors: Errors | None, i: int
) -> tuple[Told, Outcome]:
    """What a settled draw says, with the errors of draw i if there are any."""
    result = told(problem, outcome, capacity, mill)
    if outcome.code == CANNOT and not problem.config.feed.batch:
        return nothing(result), outcome
    if errors is None:
        return result, outcome
    return erring(result, outcome, problem, mill[0], errors.off(i, problem.config, fed(problem, outcome)))


def erring(result: Told, outcome: Outcome, problem: Setup, m: np.void, off: Off) -> tuple[Told, Outcome]:
    """A draw's answer, and its outcome with the loads, as model and day would have it; m: its MILL record."""
    held = outcome.code == OVER and not problem.config.feed.batch
    still_K = still(m, outcome.state, outcome.powers)
    new = with_error(result, problem, off, outcome.binding, held, still_K)
    before, after = (x.values["throughput_kg_s"] for x in (result, new))
    faster = after / before if held and before > 0.0 else 1.0
    net = net_share(result.values, m)
    stays = (
        outcome.binding if held else LIMITS[CHAMBER] if problem.config.feed.batch else ""
    )  # a batch's charge is given
    return new, replace(outcome, loads=off.loads(outcome.loads, net, faster, stays))


def _takes_less(outcome: Outcome, rate_kg_s: float) -> bool:
    """Whether the outcome at capacity is also the answer to a higher feed rate."""
    return outcome.code == CANNOT or (outcome.code == OVER and outcome.state["F"] <= rate_kg_s)


def run_samples(
    problem: Setup, mills: np.ndarray, rate_kg_s: float | None, progress: Callable[[float], None] | None = None,
    errors: Errors | None = None,
) -> Samples:  # fmt: skip
    """Solve every mill record for the config's feed (or batch) and return the outputs by name.

    errors: what parameters do not make up for, one score a record; without them only parameters speak. The compiled
    engine lets other threads run, and a sample depends on nothing but itself.
    """

    def some(which: range) -> list[Told | None]:
        return [found and found[0] for found in solve_draws(problem, mills, rate_kg_s, errors, which)]

    parts = [range(i, min(i + TOGETHER, mills.size)) for i in range(0, mills.size, TOGETHER)]
    results = on_all_cores(some, parts, progress)
    return _collect([r for part in results for r in part], problem.edges.size)


def _collect(results: list[Told | None], bounds: int) -> Samples:
    names = next((list(r.values) for r in results if r), [])
    nan = float("nan")
    values = {n: np.array([r.values[n] if r else nan for r in results]) for n in names}
    q3 = np.array([r.q3 if r else np.full(bounds, nan) for r in results])
    return Samples(values, q3, np.array([r is not None and bool(np.isfinite(r.q3[-1])) for r in results]))


def with_band(result: EngineResult, samples: Samples, level: float) -> EngineResult:
    """The result with the band of every scalar and of the product distribution."""
    values = dict(result.scalars)
    for name, sample in samples.values.items():
        low, high = band_of(sample, samples.ok, level)
        values[name] = replace(values[name], low=low, high=high)
    low, high = np.quantile(samples.q3[samples.ok], [(1 - level) / 2, (1 + level) / 2], axis=0)
    table = replace(result.table, product_q3_low=low, product_q3_high=high)
    return replace(result, scalars=values, table=table)


def band_of(values: np.ndarray, ok: np.ndarray, level: float = LEVEL) -> tuple[float, float]:
    """Central interval of the settled samples; inf where so many draws cannot run that there is no upper end."""
    low, high = central(np.where(ok, values, np.nan)[None, :], level)
    return float(low[0]), float(high[0])


def widest(samples: Samples, names: list[str], output: str) -> list[tuple[str, float]]:
    """Parameters by the factor (kelvin for temperature) their range opens an output, widest first.

    The factor is infinite where one end of the range stops the mill.
    """
    v = samples.values[output]
    found = []
    for i, name in enumerate(names):
        three, ok = v[[0, 2 * i + 1, 2 * i + 2]], samples.ok[[0, 2 * i + 1, 2 * i + 2]]
        if not np.all(ok) or np.any(np.isnan(three)) or not 0.0 < three[0] < np.inf:
            continue
        low, high = three.min(), three.max()
        opened = high - low if output.endswith("_K") else high / low if low > 0.0 else np.inf
        found.append((name, float(opened)))
    return sorted(found, key=lambda item: -item[1])
