"""Figure of a day of production: powder made, outlet temperature and air, with the stops. Imports matplotlib."""

import numpy as np
from matplotlib.figure import Figure

from ...base.quantities.written import digits
from ...studies.day.answer import DayAnswer
from ...version import MODEL_VERSION, __version__
from ..words.day import DONE
from .style import BLACK, BLUE, GREEN, GREY, RED, SKY, frame, plain_style

LEAST_K = 10.0  # of the temperatures on the page
_LETTERS = {"bag": "B", "filter": "F", "sieve": "S", "pause": "P"}


def figure_of(a: DayAnswer) -> Figure:
    """Powder made, outlet temperature and air through the sieve over the day; stops shaded."""
    c, hours = a.course, a.course.t_s / 3600.0
    key = ", ".join(
        f"{letter} {DONE[what]}" for what, letter in _LETTERS.items() if any(what in s.done for s in c.stops)
    )
    foot = (
        f"millsim {__version__}, model {MODEL_VERSION} · config {a.config.sha256[:12]}{key and ' · stops: '}{key}\n"
        "Prediction, not a measurement. Central estimate; the error bar is the 80 % band of the day."
    )
    with plain_style():
        figure, (made, outlet, flow) = frame("A day of production", a.config.name, foot, rows=3, ratios=(1.4, 1.0, 1.0))
        made.plot(np.append(0.0, hours), np.append(0.0, c.made_kg), color=BLUE)
        if np.isfinite(a.low):
            reach = [[max(0.0, c.kg - a.low)], [max(0.0, a.high - c.kg)]]
            made.errorbar(hours[-1], c.kg, yerr=reach, color=BLUE, capsize=4, lw=1.4)
        end = (hours[-1], c.kg)
        made.annotate(f"{digits(c.kg, 3)} kg", end, xytext=(-8, -16), textcoords="offset points", ha="right")
        made.set(ylabel="Made / kg", ylim=(0, 1.2 * max(c.kg, a.high if np.isfinite(a.high) else 0.0)))
        outlet.plot(hours, c.outlet_K - 273.15, color=RED)
        _limit(outlet, a)
        low, high = outlet.get_ylim()
        spare = max(0.0, 0.5 * (LEAST_K - (high - low)))  # a degree is no mountain
        outlet.set(ylabel="Outlet / °C", ylim=(low - spare, high + spare))
        flow.plot(hours, c.air_m3_s * 3600.0, color=GREEN)
        most = 1.15 * 3600.0 * float(np.nanmax(c.air_m3_s))
        flow.set(ylabel="Air / (m³/h)", xlabel="Time since switching on / h", ylim=(0, most))
        flow.set_xlim(0, a.day.hours_s / 3600.0 * 1.01)
        for panel in (made, outlet, flow):
            for s in c.stops:
                panel.axvspan(s.at_s / 3600.0, (s.at_s + s.lasts_s) / 3600.0, color=SKY, alpha=0.3, lw=0)
        for s in c.stops:
            text = "".join(_LETTERS[d] for d in s.done)
            middle = (s.at_s + 0.5 * s.lasts_s) / 3600.0
            made.annotate(
                text, (middle, 1), xycoords=made.get_xaxis_transform(), xytext=(0, -11), textcoords="offset points",
                ha="center", fontsize=9, color=BLACK,
            )  # fmt: skip
        figure.align_ylabels((made, outlet, flow))
        return figure


def _limit(axes, a: DayAnswer) -> None:
    """The limit on heat, and what is advised, where they are near."""
    warm = float(np.nanmax(a.course.outlet_K))
    for T, words in ((a.limit.most_K, "limit"), (a.limit.advised_K, "advised at most")):
        if T - warm < 30.0 and not (words != "limit" and a.limit.advised_K == a.limit.most_K):
            axes.axhline(T - 273.15, color=GREY, ls=":", lw=1.2)
            axes.annotate(
                words, (0.01, T - 273.15), xycoords=axes.get_yaxis_transform(), xytext=(0, 2),
                textcoords="offset points", fontsize=9, color=GREY,
            )  # fmt: skip
