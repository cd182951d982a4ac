"""Figures of a calibration and of a comparison: sizes with residuals, parameters before and after."""

import textwrap
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, NullFormatter

from ...base.numerics.statistics import NORMAL_80
from ...base.quantities.written import capital, digits
from ...learn.calibration.compare import Point, RunComparison
from ...learn.calibration.fit import RunFit
from ...learn.calibration.whole import CalibrationReport
from ...record.date import date_words
from ...record.identity import forecast_sha256
from ...record.outputs import OUTPUTS
from ...version import MODEL_VERSION, __version__
from ..words.comparison import row_label
from ..words.parameters import parameter_label
from .prediction import write
from .style import BLACK, BLUE, GREY, ORANGE, RED, SKY, frame, frame_beside, plain_style

_UNDERSIZE = "Cumulative undersize\nby mass $Q_3$ / %"


def save_calibration(r: CalibrationReport, folder: Path, force: bool = False) -> list[Path]:
    """Draw the figures of a calibration into a folder; returns their paths."""
    fits = r.calibration.fits
    drawn = {f"calibration_sizes{f'_{i}' if i > 1 else ''}.png": sizes(r, fit) for i, fit in enumerate(fits, 1)}
    return write(drawn | {"calibration_parameters.png": parameters(r)}, folder, force)


def save_comparisons(found: list[RunComparison], folder: Path, force: bool = False) -> list[Path]:
    """Draw measured against predicted into a folder, a figure for each run; returns the paths."""
    drawn = {f"comparison{f'_{i}' if i > 1 else ''}.png": comparison(c) for i, c in enumerate(found, 1)}
    return write(drawn, folder, force)


def _made(r: CalibrationReport) -> str:
    """How to repeat a calibration: first line of its figures' feet."""
    effective = f"{r.calibration.posterior.effective:.0f} independent samples"
    return f"seed {r.calibration.seed} · millsim {__version__}, model {MODEL_VERSION} · {effective}"


def sizes(r: CalibrationReport, fit: RunFit) -> Figure:
    """Measured Q3 of a run with its errors, the model before and after, and what is left over."""
    with plain_style():
        foot = (
            f"{_made(r)} · run {fit.run.sha256[:12]}\nBands: 80 % of one more run; inner: parameters and the model's "
            "own error. Bars: one standard error, model and day in it."
        )
        figure, (top, low) = frame("Calibrated on a run: size of the product", fit.run.name, foot, 2, (3.2, 1.0))
        x = fit.model.problem.edges * 1e3
        block = next(b for b in fit.blocks if b.name == "product size")
        at = np.array([a for s in fit.run.product_sheets for a in s.apertures_m]) * 1e3
        _band(top, x, fit.curves.before, GREY, 0.22, "before")
        if r.bars:
            _band(top, x, fit.curves.after, ORANGE, 0.6, "with the day: what it cannot narrow")
            _band(top, x, fit.curves.same_day, "white", 1.0, None)
            _band(top, x, fit.curves.same_day, SKY, 0.5, "after: what measuring again would narrow")
        top.plot(x, 100 * fit.best.q3, color=BLUE, lw=2.2, label="best fit")
        top.errorbar(at, 100 * block.values, 100 * block.sd, fmt="o", color=BLACK, ms=5, capsize=3, label="measured")
        _residuals(low, at, (block.values - block.tell(fit.best)) * 100, 100 * block.sd)
        _size_axes(top, low, at)
        return figure


def _band(axes: Axes, x: np.ndarray, curves: np.ndarray, color: str, alpha: float, label: str | None) -> None:
    low, high = np.quantile(curves, [0.1, 0.9], axis=0)
    axes.fill_between(x, 100 * low, 100 * high, color=color, alpha=alpha, lw=0, label=label)


def _residuals(axes: Axes, at: np.ndarray, off: np.ndarray, sd: np.ndarray) -> None:
    """The strip below: measured less model with one standard error."""
    axes.axhline(0.0, color=BLUE, lw=1.2)
    axes.errorbar(at, off, sd, fmt="o", color=BLACK, ms=4.5, capsize=3)
    most = max(5.0, 1.15 * float(np.max(np.abs(off) + sd)))
    axes.set(ylim=(-most, most), ylabel="measured −\nmodel / %-pt")


def _size_axes(top: Axes, low: Axes, at: np.ndarray) -> None:
    top.set(xscale="log", xlim=(0.7 * at.min(), 1.5 * at.max()), ylim=(0, 103), ylabel=_UNDERSIZE)
    ticks = sorted(set(at.tolist()))
    low.set_xticks(ticks if len(ticks) <= 12 else ticks[::2])
    low.xaxis.set_major_formatter(FuncFormatter(lambda v, _: digits(v, 3)))
    low.xaxis.set_minor_formatter(NullFormatter())
    low.set_xlabel("Sieve aperture, particle size $x$ / mm")
    top.grid(True, alpha=0.25)
    top.legend(loc="upper left", frameon=False)


def parameters(report: CalibrationReport) -> Figure:
    """Scores of the parameters: what was thought before, what the runs left."""
    c, rows = report.calibration, report.rows
    with plain_style():
        foot = (
            f"{_made(report)}\nBars: 80 % of the probability; from the low end to the high end of a range: 95 % of "
            "what was thought before."
        )
        shown = [r for r in rows if r.main] + [r for r in rows if not r.main and r.determined][:10]
        figure, (axes,) = frame("What the run says of each parameter", ", ".join(f.run.name for f in c.fits), foot)
        places = np.arange(len(shown))[::-1]
        names = list(c.unknowns.names)
        for y, r in zip(places, shown, strict=True):
            i = names.index(r.name)
            low, high = (c.posterior.quantile(c.posterior.scores[:, i], q) for q in (0.1, 0.9))
            axes.plot([-1.28, 1.28], [y, y], color=GREY, lw=9, alpha=0.3, solid_capstyle="butt")
            if report.bars:
                axes.plot([low, high], [y, y], color=BLUE, lw=4, solid_capstyle="butt")
            axes.plot(c.posterior.mode.scores[i], y, "D", color=ORANGE, ms=6, mec=BLACK, mew=0.6)
        axes.plot([], [], color=GREY, lw=9, alpha=0.3, label="before")
        axes.plot([], [], color=BLUE, lw=4, label="after")
        axes.plot([], [], "D", color=ORANGE, ms=6, mec=BLACK, mew=0.6, ls="", label="best fit")
        axes.axvline(0.0, color=BLACK, lw=0.8)
        ends = {-2: "low end\nof its range", 0: "value\nbefore", 2: "high end\nof its range"}
        axes.set_xticks(range(-2, 3), [ends.get(k, "") for k in range(-2, 3)])
        words = [capital(parameter_label(r.name)) for r in shown]
        axes.set_yticks(places, [textwrap.fill(w, 42) for w in words])
        axes.set(xlim=(-2.6, 2.6), xlabel="Where a parameter lies in its range")
        axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.17), ncols=3, frameon=False, columnspacing=1.6)
        return figure


def comparison(c: RunComparison) -> Figure:
    """Measured Q3 against the stored prediction with its band, and beside it how far off every number lies."""
    with plain_style():
        p = c.prediction
        inside, count, expected = c.covered
        made = f"forecast {forecast_sha256(p)[:12]}, {date_words(p.date)} · run {c.run.sha256[:12]}"
        told = (
            f"{inside} of {count} numbers inside the {100 * p.band_level:.3g} % band, about {expected:.0f} expected; "
        )
        told = f"{told}hollow: not counted, as told by others or not judged." if count else "No band to judge by."
        foot = f"{made} · millsim {__version__}\nBars: one standard error. {told}"
        name = f"{p.mill_name}; {c.run.name}"
        figure, (top, low, side) = frame_beside("Measured against predicted", name, foot, (3.2, 1.0), (1.5, 1.0), 11.0)
        figure.set_figheight(max(5.6, 1.6 + 0.36 * len(_told(c))))
        if c.own_run:
            told = "calibrated on this very run:\nthat it agrees proves nothing"
            top.annotate(told, (0.98, 0.06), xycoords="axes fraction", ha="right", color=RED, fontsize=11)
        t, x = p.main.table, p.main.table.edges_m * 1e3
        top.fill_between(
            x, 100 * t.product_q3_low, 100 * t.product_q3_high, color=SKY, alpha=0.45, lw=0,
            label=f"predicted, {100 * p.band_level:.3g} % band" if np.isfinite(p.band_level) else None,
        )  # fmt: skip
        top.plot(x, 100 * t.product_q3, color=BLUE, lw=2.2, label="predicted")
        at = c.sieves_m * 1e3
        seen, sd, said = (np.array([getattr(q, n) for q in c.sieves]) * 100 for n in ("measured", "error", "predicted"))
        top.errorbar(at, seen, sd, fmt="o", color=BLACK, ms=5, capsize=3, label="measured")
        _residuals(low, at, seen - said, sd)
        bounds = (np.array([getattr(q, n) for q in c.sieves]) * 100 - said for n in ("low", "high"))
        low.fill_between(at, *bounds, color=SKY, alpha=0.45, lw=0)
        _size_axes(top, low, at)
        _off(side, c)
        return figure


def _told(c: RunComparison) -> list[Point]:
    """What was measured and can be set against the prediction."""
    return [p for p in c.points if np.isfinite(p.residual) and (p in c.counted or p.name in OUTPUTS)]


def _off(axes: Axes, c: RunComparison) -> None:
    """Every number that was measured and has a band: how far off it is, in combined standard errors."""
    told = _told(c)
    full, places = set(map(id, c.independent)), np.arange(len(told))[::-1]
    most = max(3.0, *(1.15 * abs(p.residual) for p in told)) if told else 3.0
    axes.axvspan(-NORMAL_80, NORMAL_80, color=SKY, alpha=0.45, lw=0)
    axes.axvline(0.0, color=BLUE, lw=1.2)
    for y, p in zip(places, told, strict=True):
        color = BLACK if p.inside else ORANGE
        axes.plot([0.0, p.residual], [y, y], color=color, lw=1.2)
        axes.plot(p.residual, y, "o", color=color, ms=6, mfc=color if id(p) in full else "white")
    names = [textwrap.fill(row_label(p.name), 24) for p in told]
    axes.set_yticks(places, names, fontsize=8.5, linespacing=0.95)
    axes.set(
        xlim=(-most, most), ylim=(-0.6, len(told) - 0.4), xlabel="Measured − predicted\n/ combined standard errors"
    )
    axes.annotate("inside", (0.0, 1.0), xycoords=("data", "axes fraction"), xytext=(0, 4), textcoords="offset points",
                  ha="center", color=GREY)  # fmt: skip
    axes.grid(True, axis="x", alpha=0.25)
