"""Sweeps for tests: plain ones made by hand, every number INVENTED, and a small one really computed, kept."""

import functools
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
from mills import CONFIGS, config

from millsim.explore.sweep import gather
from millsim.explore.sweep.gather import collect
from millsim.explore.sweep.journal import open_journal
from millsim.explore.sweep.plan import read_plan
from millsim.explore.sweep.record import SIZES_M, Axis, Failure, Points, Sweep
from millsim.explore.sweep.runner import run
from millsim.record.limits import MISSING
from millsim.record.outputs import OUTPUTS

J8_AXES = """[[axis]]
key = "stator.gap"
values = ["1 mm", "2 mm", "3 mm", "4 mm", "6 mm"]
[[axis]]
key = "drive.speed"
from = "6000 rpm"
to = "18000 rpm"
count = 5
[[axis]]
key = "sieve.hole"
values = ["0.8 mm", "1 mm", "1.5 mm"]
along = { "sieve.pitch" = ["1.6 mm", "2 mm", "3 mm"] }
"""  # journey J8: 75 points
COUNT = SIZES_M.size
PLAIN = {  # a mill as good as any other; INVENTED
    "x10_m": 120e-6, "x50_m": 300e-6, "x90_m": 480e-6, "span": 1.2, "throughput_kg_s": 1.0 / 3600,
    "capacity_kg_s": 1.0 / 3600, "gross_J_kg": 3.6e6, "net_J_kg": 2.4e6, "outlet_temperature_K": 313.15,
    "shaft_power_W": 600.0, "holdup_kg": 0.02, "open_sieve_share": 0.9, "jam_index": 0.4,
}  # fmt: skip


def curve(x50_m, sigma=0.6):
    """Log-normal Q3 at SIZES_M of one or more medians: (..., 77)."""
    from scipy.stats import norm

    return norm.cdf(np.log(SIZES_M / np.asarray(x50_m, dtype=float)[..., None]) / np.asarray(sigma)[..., None])


def points(count, q3=None, status=None, draws=0, loads=0.5, reason=None, binding=0, **values):
    """Points of invented mills. values: by output name, a number or (count,); q3 defaults to that of x50_m."""
    full = {n: np.full(count, PLAIN.get(n, 1.0)) for n in OUTPUTS}
    full.update({n: np.broadcast_to(np.asarray(v, dtype=float), (count,)).copy() for n, v in values.items()})
    q3 = curve(full["x50_m"]) if q3 is None else np.broadcast_to(q3, (count, COUNT)).copy()
    state = np.zeros(count, np.int8) if status is None else np.asarray(status, np.int8)
    loads = np.broadcast_to(np.asarray(loads, float), (count, 6)).copy()
    why = {i: Failure(r, r) if isinstance(r, str) else r for i, r in (reason or {}).items()}
    return Points(
        state, np.full(count, binding, np.int8), loads, full, q3,
        why, {n: np.repeat(v[:, None], draws, axis=1) for n, v in full.items()} if draws else {},
        np.repeat(q3[:, None], draws, axis=1) if draws else np.empty((0, 0, 0)),
        draw_loads=np.repeat(loads[:, None], draws, axis=1).astype(np.float32),
    )  # fmt: skip


def axis(key, *values, unit="m", shown="mm"):
    """An axis of a grid; values in SI or words."""
    return Axis(key, tuple(values), unit, shown, "a key of the config", {})


GAP = axis("stator.gap", 1e-3, 2e-3, 3e-3)
HOLE = axis("sieve.hole", 0.4e-3, 0.6e-3, 0.8e-3)


def made(axes, found, design="grid", replicates=1, as_built=None, base=None):
    """A Sweep around invented points of these axes."""
    sizes = tuple(len(a.values) for a in axes) if design == "grid" else (len(axes[0].values),)
    shape = sizes + ((replicates,) if replicates > 1 else ())
    own = base or config("demo")
    count = int(np.prod(shape))
    assert found.status.size == count, "as many points as the axes make"
    return Sweep(
        name="invented mill", design=design, engine="montecarlo" if replicates > 1 else "balance", seed=1,
        replicates=replicates, draw_count=found.draw_q3.shape[1] if found.draw_q3.size else 0, class_ratio=1.3,
        version="0", model_version="0", plan_text="", base_text=own.text, base_sha256=own.sha256, axes=tuple(axes),
        shape=shape, identity=np.zeros((count, 2), np.uint64), points=found,
        as_built=as_built if as_built is not None else points(1), tornado=None, class_error={},
    )  # fmt: skip


REAL = """
[sweep]
config = "{config}"
draws = 16
class_ratio = 1.3
[[axis]]
key = "stator.gap"
values = ["2 mm", "3 mm", "4 mm"]
[[axis]]
key = "sieve.hole"
values = ["0.4 mm", "0.6 mm", "0.8 mm"]
along = {{ "sieve.pitch" = ["0.8 mm", "1.2 mm", "1.6 mm"] }}
"""


@functools.cache
def real() -> Sweep:
    """The demo mill over gap and hole, 9 points with 16 draws, really computed on coarse classes."""
    return computed(REAL.format(config=(CONFIGS / "demo.toml").as_posix()))


def computed(text: str) -> Sweep:
    """The sweep that a sweep file of this text asks for."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "plan.toml"
        file.write_text(text, encoding="utf-8")
        plan = read_plan(file)
        with open_journal(Path(folder) / "plan.points") as journal:
            run(plan, journal, workers=1)
            return collect(plan, journal)


def tornado_once(patch) -> None:
    """By pytest's monkeypatch: the tornado of one base mill is computed once; small sweeps take less than theirs."""
    real, known = gather._tornado, {}

    def tornado(problem, plan):
        arrays = (problem.mill, problem.edges, problem.feed)
        key = (*(a.tobytes() for a in arrays), repr(problem.parameters), plan.base.feed.rate_kg_s, plan.seed)
        if problem.calibration is not None:
            return real(problem, plan)
        if key not in known:
            known[key] = real(problem, plan)
        return known[key]

    patch.setattr(gather, "_tornado", tornado)


def unfinished(sweep: Sweep, missing) -> Sweep:
    """The same sweep as if these points had not been computed yet."""
    p = sweep.points
    status = p.status.copy()
    status[missing] = MISSING
    values = {n: np.where(status == MISSING, np.nan, v) for n, v in p.values.items()}
    q3 = np.where((status == MISSING)[:, None], np.nan, p.q3)
    return replace(sweep, points=replace(p, status=status, values=values, q3=q3))
