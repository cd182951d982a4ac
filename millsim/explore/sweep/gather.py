"""From the points file to the record of a sweep: every point in the order of the plan, and the mill as built."""

import numpy as np

from ...base.quantities.scores import at_score, groups, is_drawn
from ...errors import NotConverged
from ...forecast import band as bands
from ...forecast.assemble import CLASS_ERROR, balance_result, with_class_error
from ...forecast.outcome import Outcome
from ...forecast.run import refined
from ...mill.calibrated import Applied
from ...mill.problem import Setup
from ...record.limits import CANNOT, MISSING
from ...record.outputs import OUTPUTS
from ...version import MODEL_VERSION, __version__
from . import identity, origin
from .compute import NAMES, row_type, solve_point
from .journal import Journal
from .plan import Plan
from .record import Points, Sweep, Tornado
from .runner import find

TIED_DRAWS = 256  # draws of a calibrated card that show what goes with what


def collect(plan: Plan, journal: Journal) -> Sweep:
    """The sweep as far as it is computed; points that are not have the status MISSING. Solves only the base mill."""
    ids = identity.identities(plan)
    try:
        problem, outcome = solve_point(plan.base, plan.class_ratio)
        runs = outcome.code != CANNOT
    except NotConverged:
        runs = False
    return Sweep(
        name=plan.name, design=plan.design, engine=plan.engine, seed=plan.seed, replicates=plan.replicates,
        draw_count=plan.draws, class_ratio=plan.class_ratio, version=_versions(plan, journal, ids),
        model_version=MODEL_VERSION, plan_text=plan.text,
        base_text=plan.base.text, base_sha256=plan.base.sha256, axes=plan.axes, shape=plan.shape,
        identity=ids, points=points_of(plan, journal, ids),
        as_built=points_of(plan, journal, identity.base_identity(plan)),
        tornado=_tornado(problem, plan) if runs else None,
        class_error=_class_error(problem, outcome, plan.class_ratio) if runs else {}, origin=origin.kept(plan),
    )  # fmt: skip


def _versions(plan: Plan, journal: Journal, ids: np.ndarray) -> str:
    """The versions of millsim that computed the points, which need not be this one."""
    kind = row_type(plan.engine, plan.draws)
    found = find(journal.identities(kind), ids)
    return ", ".join(filter(None, journal.versions(kind, found[found >= 0]))) or __version__


def points_of(plan: Plan, journal: Journal, ids: np.ndarray) -> Points:
    """Points of these identities (P, 2) in their order; an array for each field of the rows."""
    kind = row_type(plan.engine, plan.draws)
    rows, reasons = {name: _unknown(kind[name], ids.shape[0]) for name in kind.names if name != "identity"}, {}
    rows["status"][:] = MISSING
    source = find(journal.identities(kind), ids)
    order = np.argsort(source, kind="stable")
    sorted_source, offset = source[order], 0
    for part, why in journal.rows(kind):
        low, high = np.searchsorted(sorted_source, [offset, offset + part.size])
        places = order[low:high]
        for name, values in rows.items():
            values[places] = part[name][source[places] - offset]
        reasons.update({int(p): why[int(source[p] - offset)] for p in places if int(source[p] - offset) in why})
        offset += part.size
    draws = plan.draws > 0
    return Points(
        status=rows["status"], binding=rows["binding"], loads=rows["loads"],
        values={n: rows["values"][:, j] for j, n in enumerate(NAMES)}, q3=rows["q3"],
        reason=dict(sorted(reasons.items())),
        draws={n: rows["draws"][:, :, j] for j, n in enumerate(NAMES)} if draws else {},
        draw_q3=rows["draw_q3"] if draws else np.empty((0, 0, 0), np.float32),
        se={n: rows["se"][:, j] for j, n in enumerate(NAMES)} if plan.engine == "montecarlo" else {},
        draw_loads=rows["draw_loads"] if draws else np.empty((0, 0, 0), np.float32),
        fails=rows["fails"], unchecked=rows["unchecked"],
    )  # fmt: skip


def _unknown(field: np.dtype, count: int) -> np.ndarray:
    """Values of a field of rows that are not known: NaN, or zero of what has none."""
    return np.full((count, *field.shape), np.nan if field.base.kind == "f" else 0, field.base)


def _class_error(problem: Setup, outcome: Outcome, class_ratio: float) -> dict[str, float]:
    """Relative class error of the base mill by output: twice the change on halving the class width."""
    capacity = float(outcome.state["F"]) if problem.config.feed.rate_kg_s is None else 0.0
    main = balance_result(problem, outcome, capacity)
    errors = with_class_error(main, refined(problem, outcome, capacity, class_ratio)).numerics
    return {n: errors[CLASS_ERROR + n] for n in OUTPUTS if CLASS_ERROR + n in errors}


def _tornado(problem: Setup, plan: Plan) -> Tornado | None:
    """What one standard deviation of each parameter does to the base mill."""
    rate = plan.base.feed.rate_kg_s
    if problem.calibration:
        return _tied(problem, problem.calibration, rate, plan.seed)
    together = groups(problem.parameters)
    mills = np.repeat(problem.mill, 2 * len(together))
    for i, group in enumerate(together):
        for j, score in ((2 * i, -1.0), (2 * i + 1, 1.0)):
            one = mills[j : j + 1]
            bands.set_one(problem, one, {p.name: float(at_score(p, score)) for p in group})
            mills[j] = one[0]
    found = bands.run_samples(problem, mills, rate)
    ends = {n: np.where(found.ok, found.values[n], np.nan) for n in NAMES if n in found.values}
    return Tornado(
        tuple(g[0] for g in together), {n: x[::2] for n, x in ends.items()}, {n: x[1::2] for n, x in ends.items()}
    )


def _tied(problem: Setup, applied: Applied, rate: float | None, seed: int) -> Tornado | None:
    """With a calibration: the line of each output's logarithm (a temperature's value) against each parameter's."""
    mills = bands.draws(problem, TIED_DRAWS, seed)
    found = bands.run_samples(problem, mills, rate)
    parameters = [p for p in problem.parameters if is_drawn(p)]
    parameters = [p for p in parameters if p.name in (mills.dtype.names or ()) and np.ptp(mills[p.name]) > 0.0]
    low, high = ({n: np.full(len(parameters), np.nan) for n in found.values} for _ in range(2))
    for n, y in found.values.items():
        as_log = not n.endswith("_K")
        good = found.ok & np.isfinite(y) & ((y > 0.0) | (not as_log))
        if np.count_nonzero(good) < 16:
            continue
        z = np.log(y[good]) if as_log else y[good]
        for i, p in enumerate(parameters):
            x = mills[p.name][good]
            slope = float(np.cov(x, z)[0, 1] / np.std(x, ddof=1)) if np.ptp(x) > 0.0 else 0.0
            ends = np.array([z.mean() - slope, z.mean() + slope])
            low[n][i], high[n][i] = np.exp(ends) if as_log else ends
    return Tornado(tuple(parameters), low, high, "tied")
