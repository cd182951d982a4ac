"""Figures of bench tests: breakage over energy, idle power over speed, the price of a cut. Imports matplotlib."""

import math
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, NullFormatter

from ...base.numerics.statistics import wilson
from ...base.quantities.written import digits
from ...learn.measured.binary import band
from ...learn.measured.cuttest import CutTest
from ...learn.measured.droptest import DropGroup, DropTest
from ...learn.measured.idlemodel import IdleModel
from ...learn.measured.idlerun import IdleFit
from ...version import __version__
from ..words.bench import WH
from .page import key_below
from .prediction import write
from .style import (
    BLACK,
    BLUE,
    GREEN,
    GREY,
    ORANGE,
    PURPLE,
    RED,
    SKY,
    frame,
    frame_side,
    legend_below,
    note_above,
    plain_style,
)

_MOTOR_W = 1500.0  # shown up to, or half more than the motor asked about


def save_drop(test: DropTest, folder: Path, force: bool = False) -> list[Path]:
    """Draw a drop test into a folder, one figure per temperature, which its name tells; the paths written."""
    names = [f"droptest_{_celsius(g):.4g}C.png" if len(test.groups) > 1 else "droptest.png" for g in test.groups]
    drawn = {name: drop_figure(test, g) for name, g in zip(names, test.groups, strict=True)}
    return write(drawn, folder, force, "--plots")


def save_idle(fit: IdleFit, model: IdleModel | None, folder: Path, force: bool = False) -> Path:
    """Draw an idle run into a folder; the path written."""
    return write({"idle.png": idle_figure(fit, model)}, folder, force, "--plots")[0]


# --- drop test -------------------------------------------------------------------------------------------


def drop_figure(test: DropTest, g: DropGroup) -> Figure:
    """Share of pieces broken against energy per mass: counts with their limits, fitted curve with its band."""
    T = "" if math.isnan(_celsius(g)) else f" at {_celsius(g):.0f} °C"
    size = f"pieces of about {digits(g.size_m * 1e3, 2)} mm" if g.one_size else "pieces of several sizes"
    foot = (
        f"{g.trials.pieces} trials, {g.trials.broken} broken · millsim {__version__}\nMeasurement. Bars: 95 % limits "
        "of a share (Wilson); energy as the hammer brings it, rebound not deducted."
    )
    with plain_style():
        notes = 2 if g.selection is not None else 0
        figure, (axes,) = frame(f"How hard a piece must be hit{T}", f"{test.sheet.name}, {size}", foot, notes=notes)
        _energy_axis(axes, g)
        if g.selection is not None:
            _curve(axes, g)
        else:
            _bracket(axes, g)
        _counts(axes, g)
        axes.set(ylim=(-3, 103), ylabel="Pieces broken by one drop / %", yticks=range(0, 101, 10))
        legend_below(axes, 3)
        return figure


def _celsius(g: DropGroup) -> float:
    return g.temperature_K[0] - 273.15


def _energy_axis(axes: Axes, g: DropGroup) -> None:
    """Logarithmic energies wide enough for all trials, the threshold and the median."""
    found = [v.W for v in g.levels]
    if g.selection is not None:
        found += [g.selection.u_50 / g.size_m, *g.W_50(0.95)]
    found = [v for v in found if 0 < v < math.inf]
    low, high = min(found) / 1.6, max(found) * 1.6
    axes.set(xscale="log", xlim=(low, high), xlabel="Energy per mass of the piece $W$ / (J/kg)")
    for mantissas in ((1, 2, 5), (1, 1.5, 2, 3, 4, 5, 7)):
        ticks = [t for t in (m * 10.0**e for e in range(-1, 8) for m in mantissas) if low <= t <= high]
        if len(ticks) > 3:
            break
    axes.set_xticks(ticks)
    axes.xaxis.set_major_formatter(FuncFormatter(lambda v, _: digits(v)))
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.minorticks_off()


def _counts(axes: Axes, g: DropGroup) -> None:
    """Shares with Wilson limits; levels of several drops a piece as open squares."""
    for several, style in ((False, {"fmt": "o", "mfc": BLACK}), (True, {"fmt": "s", "mfc": "white"})):
        levels = [v for v in g.levels if (v.hits > 1) == several]
        if not levels:
            continue
        n, k = np.array([v.tested for v in levels]), np.array([v.broken for v in levels])
        low, high = wilson(k, n)
        share = k / n
        axes.errorbar(
            [v.W for v in levels], 100 * share, 100 * np.clip([share - low, high - share], 0, None), ms=6, mec=BLACK,
            ecolor=BLACK, elinewidth=1.1, capsize=3, ls="", zorder=5,
            label="broken after several drops" if several else "counted, 95 % limits", **style,
        )  # fmt: skip
        for v in levels:
            at_top = v.broken > 0.9 * v.tested
            axes.annotate(
                f"{v.broken}/{v.tested}", (v.W, 100 * v.broken / v.tested), xytext=(7, -12 if at_top else 5),
                textcoords="offset points", fontsize=9, color=BLACK, zorder=6,
                bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.75, "pad": 0.8},
            )  # fmt: skip


def _curve(axes: Axes, g: DropGroup) -> None:
    s = g.selection
    W = np.geomspace(*axes.get_xlim(), 400)
    low, high = band(g.trials, s, W * g.size_m)
    axes.fill_between(W, 100 * low, 100 * high, color=SKY, alpha=0.35, lw=0, label="fit, 95 % band")
    axes.plot(W, 100 * s.share(W * g.size_m), color=BLUE, lw=2.4, label="selection function, best fit")
    half = s.u_50 / g.size_m
    axes.plot([axes.get_xlim()[0], half], [50, 50], color=RED, lw=1.3, ls=":")
    note_above(axes, half, f"half break: {digits(half)} J/kg", RED, 0)
    seen = s.limits["u_min"][0.95][0] > 0
    threshold = s.u_min / g.size_m
    if threshold > axes.get_xlim()[0]:
        words = f"threshold: {digits(threshold)} J/kg" + ("" if seen else " (not told from none)")
        note_above(axes, threshold, words, PURPLE, 1)


def _bracket(axes: Axes, g: DropGroup) -> None:
    """Where the median lies when no curve can be fitted."""
    if g.kind == "one level":
        return
    low, high = g.W_50()
    left, right = axes.get_xlim()
    words = {
        "separated": "half break somewhere here",
        "few": "half break somewhere here",
        "none broken": "none broke: half break at more than was tried",
        "all broken": "all broke: half break at less than was tried",
    }[g.kind]
    ends = {"none broken": (g.drops.W.max(), right), "all broken": (left, g.drops.W.min())}
    a, b = ends.get(g.kind, (max(low, left), min(high, right)))
    axes.axvspan(a, b, color=SKY, alpha=0.3, lw=0, label=words)


# --- idle run --------------------------------------------------------------------------------------------


def idle_figure(fit: IdleFit, model: IdleModel | None) -> Figure:
    """Idle watts against speed: readings, the fit and its terms, and the model's range if a mill is given."""
    meter = f"meter ± {fit.meter * 100:g} %{' (assumed)' if fit.meter_assumed else ''}"
    foot = (
        f"{fit.omega.size} readings · {meter} · millsim {__version__}\n"
        f"Measurement. Bars: the meter's limits. Watts at the {fit.place}."
    )
    name = fit.name if model is None else f"{fit.name}; {model.mill_name}"
    with plain_style():
        figure, (axes,) = frame("What the empty mill draws", name, foot)
        rpm = 30 / math.pi
        top = 1.12 * float(fit.omega[-1])
        omega = np.linspace(0.0, top, 200)
        if model is not None:
            low, now, high = model.watts(omega)
            axes.plot(omega * rpm, now, color=GREY, ls=(0, (1, 1.2)), label="model as configured")
        highest = 1.15 * float((fit.power_W + fit.error_W).max())
        if fit.distinct > 1:
            parts = fit.parts(omega)
            axes.plot(omega * rpm, sum(parts.values()), color=BLUE, lw=2.4, label="fit, sum")
            loss = ("motor loss", PURPLE, (0, (5, 1, 1, 1, 1, 1)))
            for term, color, style in (("bearings", GREEN, "--"), ("windage", ORANGE, "-."), loss):
                if term != "motor loss" or fit.has_loss:
                    axes.plot(omega * rpm, parts[term], color=color, ls=style, lw=2.0, label=term)
            highest = max(highest, 1.02 * float(sum(parts.values())[-1]))
        if model is not None:
            cut = f", up to {digits(float(high[-1]), 2)} W" if high[-1] > highest else ""
            axes.fill_between(omega * rpm, low, high, color=GREY, alpha=0.15, lw=0, label=f"model's range{cut}")
        axes.errorbar(
            fit.omega * rpm, fit.power_W, fit.error_W, fmt="o", ms=6, color=BLACK, capsize=3, zorder=5,
            ls="", label="measured",
        )  # fmt: skip
        axes.set(xlim=(0, top * rpm), ylim=(0, highest), xlabel="Speed / rpm", ylabel="Idle power / W")
        legend_below(axes, 3)
        return figure


# --- cut test --------------------------------------------------------------------------------------------


def cut_figure(test: CutTest, motor_W: float | None) -> Figure:
    """What a kilogram of dust costs in each cut, beside what a motor makes at that price."""
    kind = "net of idle" if test.is_net else "idle included, an upper bound for the cut"
    foot = (
        f"{len(test.cuts)} cuts · Wh/kg {kind} · millsim {__version__}\n"
        "Measurement. Bars: one standard error; bands: 95 % limits."
    )
    with plain_style():
        figure, (left, right) = frame_side("What a kilogram of dust costs", test.name, foot, (1.2, 1.0), share=False)
        _cuts(left, test)
        _affordable(right, test, motor_W)
        key_below(figure, left.get_legend_handles_labels()[0] + right.get_legend_handles_labels()[0], 2)
        return figure


def _cuts(axes: Axes, test: CutTest) -> None:
    """The readings, over the size of the chips where it is known."""
    sized = all(c.chip_m for c in test.cuts)
    y = np.array([c.net_J_kg if test.is_net else c.gross_J_kg for c in test.cuts]) / WH
    x = np.array([c.chip_m * 1e3 for c in test.cuts] if sized else [c.line for c in test.cuts], float)
    se, mean, half = np.array([c.se_J_kg for c in test.cuts]) / WH, test.mean_J_kg / WH, test.relative_95()
    if not (sized and np.ptp(x) > 0):  # with chips of several sizes there is no one price
        axes.axhspan(
            mean * max(0.0, 1 - half), mean * (1 + half), color=SKY, alpha=0.3, lw=0, label="mean, 95 % limits"
        )
        axes.axhline(mean, color=BLUE, lw=2.0)
    if test.model_J_kg is not None:
        low, high = (v / WH for v in test.model_J_kg)
        axes.axhspan(low, high, facecolor="none", edgecolor=GREEN, hatch="///", lw=0.8, label="bare cut, by the card")
    axes.errorbar(x, y, se, fmt="o", ms=6, color=BLACK, capsize=3, ls="", zorder=5, label="cuts")
    if test.is_net:
        gross = [c.gross_J_kg / WH for c in test.cuts]
        axes.plot(x, gross, "o", ms=6, mfc="white", mec=BLACK, label="the same with idle power")
    _cut_axis(axes, x, sized)
    axes.set(ylim=(0, 1.12 * max(axes.dataLim.y1, mean)), ylabel="Energy per mass of dust / (Wh/kg)")


def _cut_axis(axes: Axes, x: np.ndarray, sized: bool) -> None:
    if not sized:
        axes.set(xlabel="Row of the sheet", xlim=(x.min() - 0.7, x.max() + 0.7))
        axes.set_xticks(x, [f"{v:g}" for v in x])
        return
    sizes = np.unique(x)
    axes.set(xscale="log", xlim=(x.min() / 1.6, x.max() * 1.6), xlabel="Size of the chips, their median / mm")
    axes.set_xticks(sizes, [digits(v, 3) for v in sizes])
    axes.minorticks_off()


def _affordable(axes: Axes, test: CutTest, motor_W: float | None) -> None:
    """Dust per hour over the power of a motor, if every watt cuts."""
    watts = np.linspace(0.0, max(_MOTOR_W, 1.5 * (motor_W or 0.0)), 60)
    rate, low, high = (np.array(v) * 3.6e6 for v in zip(*(test.most_kg_s(w) for w in watts), strict=True))
    high = np.where(np.isfinite(high), high, 3.0 * rate)
    axes.fill_between(watts, low, high, color=ORANGE, alpha=0.25, lw=0, label="what a motor makes at that price, 95 %")
    axes.plot(watts, rate, color=ORANGE, lw=2.2, ls="--", label="if every watt cuts")
    if motor_W is not None:
        made = test.most_kg_s(motor_W)[0] * 3.6e6
        label = f"{digits(motor_W)} W: {digits(made)} g/h"
        axes.plot(motor_W, made, "*", ms=14, color=BLACK, mec="white", zorder=6, label=label)
    axes.set(
        xlim=(0, watts[-1]), ylim=(0, 1.1 * float(high[-1])), xlabel="Power at the shaft / W", ylabel="Dust / (g/h)"
    )
