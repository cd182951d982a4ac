"""Turning the flows of either engine into the figures people ask for: one set of formulas for both."""

from dataclasses import dataclass
from math import sqrt

import numpy as np

from ..base.numerics import psd
from ..base.numerics.uncompiled import by_field
from ..base.quantities.scalar import Scalar
from ..engines.aside import rows, socket_powers
from ..engines.records import POWERS
from ..engines.settle import balance_temperature
from ..mill.chamber import socket_power
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


def size_error(edges: np.ndarray, q3: np.ndarray, q3_se: np.ndarray, x: float) -> float:
    """Standard error of a percentile x: that of Q3 there over the slope of the curve (delta method). NaN if
    undetermined.
    """
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


def values_of(
    figures: Figures, mill: np.void, state: np.void, powers: np.void, edges: np.ndarray, jam: float, air_K: float
) -> dict[str, float]:
    """All predicted figures by name; capacity is added by the caller."""
    f, s, p = figures.flows, by_field(state), by_field(powers)
    F, T, shaft = s["F"], s["T"], p["shaft"]
    hits, above = f["bar_hits"] + f["pin_hits"], f["bar_above"] + f["pin_above"]
    electrical, idle = socket_powers(*rows(mill), shaft, T)
    x10, x50, x90 = psd.curve_xs_at(edges, figures.q3, (0.1, 0.5, 0.9))
    powder_K = p["warmed"] * air_K + p["offset"]
    return {
        "x10_m": x10, "x50_m": x50, "x90_m": x90, "span": (x90 - x10) / x50,
        "throughput_kg_s": F, "capacity_kg_s": NAN, "holdup_kg": figures.holdup_kg,
        "hits_per_particle": hits / figures.fed_kg_s,
        "hits_above_threshold_share": above / hits if hits > 0 else 0.0,
        "gross_J_kg": electrical / F, "net_J_kg": (electrical - idle) / F,
        "shaft_power_W": shaft, "electrical_power_W": electrical, "idle_power_W": idle,
        "outlet_temperature_K": max(air_K, powder_K), "air_temperature_K": air_K, "powder_temperature_K": powder_K,
        "air_flow_m3_s": s["Q"], "open_sieve_share": s["unblinded"], "speed_rad_s": s["omega"], "tip_speed_m_s": s["v"],
        "residence_s": figures.residence_s, "jam_index": jam,
    }  # fmt: skip


def errors_of(
    values: dict[str, float], figures: Figures, mill: np.void, powers: np.void, shaft_se: float, edges: np.ndarray,
    air_se: float,
) -> dict[str, float]:  # fmt: skip
    """Standard errors of those figures by name; what is not among them is exact."""
    se, F, span, x50 = figures.flows_se, values["throughput_kg_s"], values["span"], values["x50_m"]
    socket = _socket_error(mill, values["shaft_power_W"], shaft_se)
    x10_se, x50_se, x90_se = (
        size_error(edges, figures.q3, figures.q3_se, values[n]) for n in ("x10_m", "x50_m", "x90_m")
    )
    powder_se = float(powers["warmed"]) * air_se
    warmer_powder = values["powder_temperature_K"] > values["air_temperature_K"]
    return {
        "x10_m": x10_se, "x50_m": x50_se, "x90_m": x90_se,
        "span": sqrt(x90_se**2 + x10_se**2 + (span * x50_se) ** 2) / x50,
        "capacity_kg_s": NAN, "holdup_kg": figures.holdup_se, "residence_s": figures.residence_se,
        "hits_per_particle": (se["bar_hits"] + se["pin_hits"]) / figures.fed_kg_s,
        "hits_above_threshold_share": _share_error(figures.flows, se),
        "gross_J_kg": socket / F, "net_J_kg": socket / F, "shaft_power_W": shaft_se, "electrical_power_W": socket,
        "outlet_temperature_K": powder_se if warmer_powder else air_se, "air_temperature_K": air_se,
        "powder_temperature_K": powder_se,
    }  # fmt: skip


def scalars(values: dict[str, float], se: dict[str, float]) -> dict[str, Scalar]:
    """Figures by name with unit, words and standard error."""
    return {name: scalar(name, v, se=float(se.get(name, 0.0))) for name, v in values.items()}


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


def ledger(
    f: dict[str, float], se: dict[str, float], powers: np.void, shaft_se: float
) -> tuple[dict[str, Scalar], dict[str, Scalar]]:
    """(what goes in at the shaft by cause, where it goes) of flows f, in watts; the two sums agree to rounding."""

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
