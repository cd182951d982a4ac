"""Turning the flows of either engine into the figures people ask for: one set of formulas for both."""

from dataclasses import dataclass
from math import sqrt

import numpy as np

from ..base.numerics import psd
from ..base.quantities.scalar import Scalar
from ..engines.records import POWERS
from ..engines.settle import balance_temperature
from ..mill.chamber import idle_power, idle_speed, socket_power
from ..record.outputs import scalar

NAN = float("nan")

LEDGER_OUT = {  # where strikes and nips put their energy: term of the ledger -> field of FLOWS
    "bar impact heat": "bar_heat",
    "chips cut": "chip_cut",
    "dust rubbed off": "dust_cut",
    "path friction heat": "path_heat",
    "pin impact heat": "pin_heat",
    "nip shear": "nip_work",
}


@dataclass(frozen=True)
class Figures:
    """What an engine found, ready for the formulas: values and their standard errors (0 when exact)."""

    flows: dict[str, float]  # FLOWS fields, kg/s and W
    flows_se: dict[str, float]
    q3: np.ndarray
    q3_se: np.ndarray
    holdup_kg: float
    holdup_se: float
    residence_s: float
    residence_se: float
    fed_kg_s: float  # feed rate, or the charge of a batch over its time


def size_error(edges: np.ndarray, q3: np.ndarray, q3_se: np.ndarray, p: float) -> float:
    """Standard error of x_p: that of Q3 there over the slope of the curve (delta method). NaN if undetermined."""
    x = psd.curve_x_at(edges, q3, p)
    i = int(np.clip(np.searchsorted(edges, x), 1, edges.size - 1))
    slope = (q3[i] - q3[i - 1]) / np.log(edges[i] / edges[i - 1])
    se = np.interp(np.log(x), np.log(edges), q3_se)
    return float(x * se / slope) if slope > 0 else NAN


def powers_from(figures: Figures, frozen: np.void) -> tuple[np.void, float]:
    """POWERS record of these flows at the frozen state with powers `frozen`; standard error of the shaft power."""
    p = np.zeros(1, POWERS)[0]
    for name in ("windage", "bearings", "plough", "warmed", "offset"):
        p[name] = frozen[name]
    p["striking"], p["nip"] = figures.flows["work"], figures.flows["nip_work"]
    p["layer_drive"] = max(0.0, -figures.flows["rub"]) + frozen["plough"]
    p["shaft"] = sum(p[name] for name in ("windage", "bearings", "striking", "nip", "layer_drive"))
    return p, figures.flows_se["work"] + figures.flows_se["nip_work"]


def scalars(
    figures: Figures, mill: np.void, state: np.void, powers: np.void, shaft_se: float, edges: np.ndarray, jam: float,
    temperature: tuple[float, float],
) -> dict[str, Scalar]:  # fmt: skip
    """All predicted figures by name, with standard errors; capacity is added by the caller."""
    f, se, F = figures.flows, figures.flows_se, float(state["F"])
    hits, above = f["bar_hits"] + f["pin_hits"], f["bar_above"] + f["pin_above"]
    idle_windage, idle_bearings = idle_power(mill, idle_speed(mill, state["T"]), state["T"])
    electrical, idle = socket_power(mill, float(powers["shaft"])), socket_power(mill, idle_windage + idle_bearings)
    socket_se = _socket_error(mill, float(powers["shaft"]), shaft_se)
    x = {p: psd.curve_x_at(edges, figures.q3, p) for p in (0.1, 0.5, 0.9)}
    x_se = {p: size_error(edges, figures.q3, figures.q3_se, p) for p in x}
    span = (x[0.9] - x[0.1]) / x[0.5]
    powder = (powers["warmed"] * temperature[0] + powers["offset"], powers["warmed"] * temperature[1])
    values = {
        "x10_m": (x[0.1], x_se[0.1]), "x50_m": (x[0.5], x_se[0.5]), "x90_m": (x[0.9], x_se[0.9]),
        "span": (span, sqrt(x_se[0.9] ** 2 + x_se[0.1] ** 2 + (span * x_se[0.5]) ** 2) / x[0.5]),
        "throughput_kg_s": (F, 0.0), "capacity_kg_s": (NAN, NAN),
        "holdup_kg": (figures.holdup_kg, figures.holdup_se),
        "hits_per_particle": (hits / figures.fed_kg_s, (se["bar_hits"] + se["pin_hits"]) / figures.fed_kg_s),
        "hits_above_threshold_share": (above / hits if hits > 0 else 0.0, _share_error(f, se)),
        "gross_J_kg": (electrical / F, socket_se / F), "net_J_kg": ((electrical - idle) / F, socket_se / F),
        "shaft_power_W": (float(powers["shaft"]), shaft_se),
        "electrical_power_W": (electrical, socket_se), "idle_power_W": (idle, 0.0),
        "outlet_temperature_K": max(temperature, powder), "air_temperature_K": temperature,
        "powder_temperature_K": powder,
        "air_flow_m3_s": (float(state["Q"]), 0.0),
        "open_sieve_share": (float(state["unblinded"]), 0.0), "speed_rad_s": (float(state["omega"]), 0.0),
        "tip_speed_m_s": (float(state["v"]), 0.0), "residence_s": (figures.residence_s, figures.residence_se),
        "jam_index": (jam, 0.0),
    }  # fmt: skip
    return {name: scalar(name, v, se=float(e)) for name, (v, e) in values.items()}


def _socket_error(mill: np.void, shaft: float, shaft_se: float) -> float:
    """Standard error of the power from the socket."""
    if mill["no_load"] <= 0.0:
        return shaft_se / float(mill["efficiency"])
    return float(socket_power(mill, shaft + shaft_se) - socket_power(mill, shaft))


def _share_error(f: dict[str, float], se: dict[str, float]) -> float:
    """Upper bound of the standard error of the share of hits above the threshold."""
    hits, above = f["bar_hits"] + f["pin_hits"], f["bar_above"] + f["pin_above"]
    if above <= 0.0:
        return 0.0
    relative = (se["bar_above"] + se["pin_above"]) / above + (se["bar_hits"] + se["pin_hits"]) / hits
    return above / hits * relative


def ledger(figures: Figures, powers: np.void, shaft_se: float) -> tuple[dict[str, Scalar], dict[str, Scalar]]:
    """(what goes in at the shaft by cause, where it goes), in watts; the two sums agree to rounding."""
    f, se = figures.flows, figures.flows_se

    def watt(name: str, value: float, error: float = 0.0) -> Scalar:
        return Scalar(float(value), "W", name, se=float(error))

    going_in = {
        "windage": watt("windage", powers["windage"]),
        "bearings": watt("bearings", powers["bearings"]),
        "striking": watt("striking the charge", powers["striking"], se["work"]),
        "nip": watt("shearing in the nip", powers["nip"], se["nip_work"]),
        "layer drive": watt("driving the layer", powers["layer_drive"]),
    }
    out = {
        "air drag heat": watt("air drag heat", powers["windage"]),
        "bearing heat": watt("bearing heat", powers["bearings"]),
        **{name: watt(name, f[field], se[field]) for name, field in LEDGER_OUT.items()},
        "wall rub heat": watt("wall rub heat", max(0.0, f["rub"]) + powers["plough"], se["rub"]),
    }
    return going_in, out


def temperature_of(mill: np.void, state: np.void, powers: np.void, shaft_se: float) -> tuple[float, float]:
    """Outlet temperature [K] that the heat balance gives these powers, and its standard error."""
    T = balance_temperature(mill, state, powers)
    more = powers.copy()
    more["shaft"] += 1.0
    return float(T), float(balance_temperature(mill, state, more) - T) * shaft_se
