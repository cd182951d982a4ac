"""Figures of a sweep: which there are, what they are called, their titles and feet; save_all draws them.

No matplotlib before something is drawn.
"""

import math
from collections.abc import Sequence
from importlib import import_module
from pathlib import Path

import numpy as np

from ...base.quantities.written import capital, digits, join_words
from ...explore.sweep.reasons import refuse_if_nothing_runs
from ...explore.sweep.record import Sweep
from ...record.export import refuse_any_existing
from ...record.files import holds, write_together
from ...record.limits import CANNOT, FAILED, LIMITS, MISSING, OVER
from ...record.outputs import output_of
from .cut import Cut, Ruler, Scale, least_span, rate_asked

MAPS = {  # name in files: output
    "x50": "x50_m",
    "rate": "throughput_kg_s",
    "energy": "gross_J_kg",
    "temperature": "outlet_temperature_K",
}
TRADES = {  # name in files: outputs across, up and as colour
    "energy": ("gross_J_kg", "throughput_kg_s", "x50_m"),
    "x50": ("x50_m", "throughput_kg_s", "gross_J_kg"),
}
NOTHING = 1e-5  # a relative error not worth telling
TORNADOS = ("x50", "rate", "energy")

BAND_WORDS = "Band: 80 % of {count} draws over the stated ranges and errors (10 % below, 10 % above)."


def file_names(made, target=None, svg: bool = False) -> list[str]:
    """Every file name that save_all may write for a sweep or the plan of one; target: of a choice from it."""
    return [f"{name}.{suffix}" for name in _drawings(made, target) for suffix in _suffixes(svg)]


def save_all(
    sweep: Sweep, folder: Path | str, force: bool = False, svg: bool = False, choice=None, again: bool = False
) -> list[Path]:
    """Draw every figure there is data for into a folder (made if missing); the paths written.

    choice: a `choose.record.Choice`; the figures then show what meets its target, in files of their own. The same
    sweep gives the same bytes. All are drawn before the first is written, so who stops it finds none. again: a figure
    that stands there as it would be drawn is no fault. Raises InputError where no point runs, or where a file exists,
    without force.
    """
    from .prediction import render

    refuse_if_nothing_runs(sweep, f"sweep of {sweep.name}", "to draw")
    drawings = _drawings(sweep, choice and choice.target)
    if sweep.tornado is None:
        drawings = {name: how for name, how in drawings.items() if how[0] != "tornado"}
    folder = Path(folder)
    paths = [folder / f"{name}.{suffix}" for name in drawings for suffix in _suffixes(svg)]
    if not (force or again):
        refuse_any_existing(paths)
    files = {}
    told = {"choice": choice} if choice is not None else {}
    for name, (module, function, outputs) in drawings.items():
        drawn = getattr(import_module(f".{module}", __package__), function)(sweep, *outputs, **told)
        for suffix in _suffixes(svg) if drawn is not None else ():
            files[f"{name}.{suffix}"] = render(drawn, suffix)
    there = {name for name, data in files.items() if again and holds(folder / name, [data])}
    write_together({name: data for name, data in files.items() if name not in there}, folder, force)
    return [folder / name for name in files]


def _suffixes(svg: bool) -> tuple[str, ...]:
    return ("png", "svg") if svg else ("png",)


def _drawings(made, target) -> dict[str, tuple[str, str, tuple]]:
    """Name of the file: (module, function, outputs)."""
    varied = sum(len(set(axis.values)) > 1 for axis in made.axes)
    kind = "line" if varied < 2 else "map" if made.design == "grid" else "points"
    maps, trades = dict(MAPS), dict(TRADES)
    if target is not None and target.window is not None:
        maps = {"yield": "yield", **maps}
        trades = {"yield": ("yield", "throughput_kg_s", "x50_m"), **trades}
    head = "choice_" if target is not None else ""
    found = {f"{head}{kind}_{name}": ("map", "sweep_map", (output,)) for name, output in maps.items()}
    found |= {f"{head}pareto_{name}": ("pareto", "trade_off", outputs) for name, outputs in trades.items()}
    if target is None:
        found |= {f"tornado_{name}": ("tornado", "tornado", (MAPS[name],)) for name in TORNADOS}
    return found


def title_of(output: str, rulers: Sequence[Ruler | None]) -> str:
    """Title of a map, a line or of points: what over what."""
    head = output_of(output).head
    long = f"{head} over {join_words([r.name for r in rulers if r])}"
    return long if len(long) <= 78 else head


def notes_of(sweep: Sweep, c: Cut, choice=None) -> list[str]:
    """What the figure is for and what it holds still, as lines below the title."""
    notes = [f"Target: {choice.target.title}"] if choice is not None else []
    moved = [f"{join_words(list(r.along))} changes with {r.name}" for r in (c.x, c.y, c.panel) if r and r.along]
    held = [f"held: {join_words(list(c.held))}"] if c.held else []
    off = [
        f"the mill as built has {r.name} {r.built_text}: not on this picture"
        for r in (c.x, c.y)
        if r and not np.isfinite(r.built)
    ]
    few = [f"{len(c.panels)} of {len(c.panel.values)} values of {c.panel.name} are shown"] if _some(c) else []
    asked = rate_asked(sweep) if (np.asarray(sweep.points.status) == OVER).any() else ""
    asks = [f"feed rate asked for: {asked}"] if asked else []
    holds = [f"{_where(c, choice)} {LIMITS[c.holders[0]]} limits the rate"] if len(c.holders) == 1 else []
    told = "; ".join([*held, *moved, *few, *off, *asks, *holds, *_flat(c)])
    return [*notes, f"{capital(told)}."] if told else notes


def _flat(c: Cut) -> list[str]:
    """That a map is of one value, which its one colour alone does not say."""
    seen = c.value[np.isfinite(c.value)]
    if seen.size < 2:
        return []
    low, high = float(seen.min()), float(seen.max())
    if least_span(c.scale.unit, low, high) == (low, high):
        return []
    middle = 0.5 * (low + high)
    value = f"{middle:.0f}" if c.scale.unit == "°C" else digits(middle, 2)
    return [f"as good as the same wherever it runs: {value} {c.scale.unit}".rstrip()]


def _where(c: Cut, choice) -> str:
    """Of which cells it holds what is said of all that are fine."""
    if (c.why < 0).all():
        return "everywhere"
    if choice is not None:
        return "where the target is met"
    left = {c.reasons[k].text for k in np.unique(c.why[c.why >= 0])}
    return "so far as computed," if left == {"not computed"} else "where it runs as asked"


def _some(c: Cut) -> bool:
    return c.panel is not None and len(c.panels) < len(c.panel.values)


def foot_words(
    sweep: Sweep, outputs: Sequence[str], error: np.ndarray | None = None, unit: str = "", band: str = ""
) -> str:
    """The foot of a figure: how it was made, of how many points, how wrong it may be, and what the band is.

    error: standard errors of means over replicates, in `unit`.
    """
    status = np.asarray(sweep.points.status)
    failed, missing = int(np.isin(status, (CANNOT, FAILED)).sum()), int((status == MISSING).sum())
    count = f"{status.size} point{'s' if status.size > 1 else ''}" + (f", {failed} without an answer" if failed else "")
    count += f", {missing} not computed" if missing else ""
    engine = {"montecarlo": "Monte Carlo"}.get(sweep.engine, sweep.engine)
    made = f"{engine} engine · seed {sweep.seed} · {count} · millsim {sweep.version}, model {sweep.model_version}"
    told = " ".join([*error_words(sweep, outputs, error, unit), band or "Drawn without a band."])
    return f"{made} · config {sweep.base_sha256[:12]}\nPredictions, not measurements. {told}"


def built_band_words(sweep: Sweep, scale: Scale) -> str:
    """The band of the mill as built, for a map, which has none of its own; "" without draws."""
    if not scale.band_text:
        return ""
    ends = f"{scale.band_text} {scale.unit}".strip()
    return f"80 % of {sweep.draw_count} draws of the parameters give {ends} for the mill as built."


def error_words(sweep: Sweep, outputs: Sequence[str], error: np.ndarray | None, unit: str) -> list[str]:
    """How wrong the figures of these outputs may be by the way they were computed."""
    found = []
    if sweep.replicates > 1:
        found.append(f"Mean of {sweep.replicates} seeds.")
    if error is not None and np.isfinite(error).any() and np.nanmax(error) > NOTHING:
        found.append(f"Largest standard error shown: {f'{digits(float(np.nanmax(error)), 2)} {unit}'.strip()}.")
    noisy: list[str] = []
    for name in outputs if error is None or not np.isfinite(error).any() else ():
        se, value = sweep.points.se.get(name), sweep.points.values.get(name)
        if se is not None and value is not None and (good := np.isfinite(se) & (value != 0) & np.isfinite(value)).any():
            most = float(np.max(np.abs(se[good] / value[good])))
            noisy += [f"{digits(100 * most, 2)} % of {output_of(name).short}"] if most > NOTHING else []
    found += [f"Monte Carlo standard error up to {join_words(noisy)}."] if noisy else []
    wrong = {n: abs(e) for n in outputs if math.isfinite(e := sweep.class_error.get(n, math.nan)) and abs(e) > NOTHING}
    if wrong:
        each = [f"{digits(100 * e, 2)} % of {output_of(n).short}" for n, e in wrong.items()]
        found.append(f"Error by the size classes, for the mill as built: {join_words(each)}.")
    return found
