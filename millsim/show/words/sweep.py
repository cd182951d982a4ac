"""A sweep in words: what is about to be computed, what was, and what it shows at a glance."""

from collections import Counter
from pathlib import Path

import numpy as np

from ...base.quantities.written import digits, duration, join_words, table, wrap
from ...errors import MillsimError, NothingRuns
from ...explore.sweep.compute import row_type
from ...explore.sweep.reasons import alike, commonest
from ...explore.sweep.record import Sweep
from ...explore.sweep.runner import SweepReport
from ...record.limits import CANNOT, FAILED, GRINDING, LIMITS, MISSING, OK, OVER, STATUS_WORDS
from ...record.outputs import row_name, scalar, shown
from .json import picked

_GLANCE = ("x50_m", "x90_m", "throughput_kg_s", "gross_J_kg", "outlet_temperature_K")
_OFTEN = 3
THREAD_SHARE = 0.6  # of a further thread that is gained: some of the work is not done on two at once (measured)
GATHERING = 2.5  # memory that gathering and writing take, over the bytes of all rows (measured, a million points)
MUCH_GB = 2.0  # below this nothing is said


def before(plan, report: SweepReport, out: Path, points_file: Path) -> list[str]:
    """What will be computed, how long it may take, where it goes."""
    what = f"{report.planned} points ({sizes(plan)})"
    if plan.draws:
        what += f", each with {plan.draws} parameter draws"
    left = report.left
    tried = f", {report.computed} just computed to learn the pace" if report.computed else ""
    twins = f", {report.twins} the same as another one" if report.twins else ""
    lines = [f"{what}; {report.reused} known already{twins}{tried}, {left} to compute."]
    if report.torn or (report.damaged and report.anew):
        lines.append(_mended(report, points_file))
    if report.changed and report.reused < report.planned:
        lines += ["Since the last run of these points something has changed, so they are computed anew:"]
        lines += [f"  {row}" for row in report.changed[:8]]
        lines += [f"  and {len(report.changed) - 8} more"] if len(report.changed) > 8 else []
    if left:
        share = THREAD_SHARE if report.means == "threads" else 1.0
        seconds = left * report.pace_s / (1.0 + share * (report.workers - 1))
        means = "of the cluster" if report.means == "executor" else report.means
        workers = f"{report.workers} worker{'s' * (report.workers != 1)}"
        lines.append(f"About {duration(max(1, round(seconds)))} on {workers} ({means}).")
    lines.append(f"Results go to {out}; every point is kept in {points_file} as it comes.")
    memory_GB = GATHERING * report.planned * row_type(plan.engine, plan.draws).itemsize / 1e9
    if memory_GB > MUCH_GB:
        lines.append(f"Writing them at the end takes about {digits(memory_GB, 2)} GB of memory; fewer draws take less.")
    return lines


def sizes(plan) -> str:
    """How the points come about: "gap 5 x speed 5 x hole 3"."""
    names = [a.key.rpartition(".")[2].replace("_", " ") for a in plan.axes]
    if plan.design != "grid":
        text = f"{plan.design} over {join_words(names)}"
    else:
        text = " × ".join(f"{n} {len(a.values)}" for n, a in zip(names, plan.axes, strict=True))
    return text + (f" × {plan.replicates} seeds" if plan.engine == "montecarlo" else "")


def _mended(report: SweepReport, points_file: Path) -> str:
    parts = [f"{report.torn} torn bytes at its end"] if report.torn else []
    parts += [f"{report.damaged} damaged record{'s' if report.damaged > 1 else ''}"] if report.damaged else []
    return f"{points_file} held {join_words(parts)}; those points are computed again."


def after(report: SweepReport, sweep: Sweep) -> list[str]:
    """How many were computed, reused, failed, and why."""
    failed = int(np.count_nonzero(sweep.points.status == FAILED))
    twins = f", {report.twins} the same as another one" if report.twins else ""
    lines = [f"{report.computed} points computed, {report.reused} reused{twins}, {failed} failed."]
    for reason, count in alike(sweep.points.reason.values()).most_common(_OFTEN):
        lines.append(f"  {count} × {reason}")
    missing = int(np.count_nonzero(sweep.points.status == MISSING))
    return [*lines, f"{missing} points are not computed yet."] if missing else lines


def refuse_if_nothing_runs(sweep: Sweep) -> None:
    """Raise an error with the commonest reason when no point gives powder: NothingRuns where one was answered."""
    found, done = commonest(sweep), int(np.count_nonzero(sweep.points.status != MISSING))
    if found is not None and done:
        why, count = found
        error = NothingRuns if np.any(sweep.points.status == CANNOT) else MillsimError
        raise error(f"none of the {done} points gives any powder; the commonest reason, {count} times: {why}.")


def glance(sweep: Sweep) -> list[str]:
    """A table of lowest, as-built and highest value of the main outputs, and what binds how often."""
    p, runs = sweep.points, (sweep.points.status == OK) | (sweep.points.status == OVER)
    rows = []
    for name in _GLANCE:
        found = p.values[name][runs]
        found = found[np.isfinite(found)]
        if not found.size:
            continue
        as_built = sweep.as_built.values[name][0] if sweep.as_built.status[0] <= OVER else np.nan
        three = (found.min(), as_built, found.max())
        rows.append([row_name(name), *(str(shown(name, scalar(name, x))) if np.isfinite(x) else "none" for x in three)])
    lines = table(["", "lowest", "as built", "highest"], rows)
    binds = Counter(LIMITS[b] for b in p.binding[runs])
    lines.append("")
    lines.append("What limits it: " + join_words([f"{k} at {n}" for k, n in binds.most_common()]) + " points.")
    hardly = int(np.count_nonzero((p.status == CANNOT) & (p.binding == GRINDING)))
    cannot = int(np.count_nonzero(p.status == CANNOT)) - hardly
    over = int(np.count_nonzero(p.status == OVER))
    lines += [f"{hardly} points hardly grind: hardly any hit breaks or cuts pieces of this size."] if hardly else []
    lines += [f"{cannot} points do not run even with next to no feed."] if cannot else []
    lines += [f"{over} points take less than the feed rate asked for."] if over else []
    return lines


def text(sweep: Sweep) -> str:
    """The whole answer of the command."""
    title = f"Sweep of {sweep.name}: {sweep.count} points, {sweep.engine} engine, model {sweep.model_version}"
    lines = [title, "", *glance(sweep)]
    if sweep.class_error:
        error = max(sweep.class_error.get(n, 0.0) for n in ("x50_m", "x90_m", "gross_J_kg"))
        lines.append(f"Size classes cost at most {digits(100 * error, 1)} % in x50, x90 and energy (mill as built).")
    lines += calibrated(sweep)
    if not sweep.draw_count:
        lines.append("These are single answers; draws = 32 in [sweep] adds what is uncertain about them.")
    return "\n".join(lines) + "\n"


def calibrated(sweep: Sweep) -> list[str]:
    """What the mills of a sweep are calibrated on, if they are."""
    parameters = sweep.tornado.parameters if sweep.tornado else ()
    sources = dict.fromkeys(q.source for q in parameters if q.basis == "calibrated")
    if not sources:
        return []
    return wrap(
        f"Calibrated on {next(iter(sources))}. In mills unlike the one of that run (speed, sieve, gap, temperature, "
        "plastic) the calibration counts less, and the bands are wider."
    )


def to_json(sweep: Sweep, report: SweepReport, out: Path) -> dict:
    """The --json object."""
    s, names = sweep.points.status, [w.replace(" ", "_") for w in STATUS_WORDS]
    counts = {n: int(np.count_nonzero(s == code)) for code, n in enumerate(names)}
    return {
        "status": "ok", "file": str(out), "sha256": sweep.sha256,
        "points": sweep.count, **picked(report, "computed reused"), "counts": counts,
        "reasons": dict(alike(sweep.points.reason.values())),
        **picked(report, "changed workers", pace_s_per_point="pace_s"),
    }  # fmt: skip
