"""What keeps a mill below a temperature: air, a cooler, colder feed, pauses. Each as a dictionary of figures in SI.

Infinite where nothing of the kind does it, or where none is needed; the words tell which.
"""

from collections.abc import Callable
from math import inf, isfinite, isnan, nan

import numpy as np

from ...engines.settle import air_capacity
from ...forecast.outcome import solve_batch, warming
from ...laws import air, cooling, heat
from .coolants import DRY_ICE, NITROGEN, Coolant, coolant_per_kg
from .coolants import PRACTICE as PRACTICE  # this and the next are read by the words
from .coolants import gas_per_kg as gas_per_kg
from .stand import MOST_BLOWER, Case, Settled, air_losses, changed, crossing, idle, inlet_flow, shut_off, with_air

COLDEST_AIR = 150.0  # K, where the search for a cooler ends
SHARE_ROUND = 0.9  # of the air through the cooler, where the config lets none go round (an example)
LEAST_OXYGEN, OXYGEN = 0.195, 0.209  # too little by 29 CFR 1910.146 (from memory), and the share in air (handbook)
MOST_CO2 = 0.005  # eight hours a day: Directive 2006/15/EC (from memory)


def air_needed(case: Case, mill: np.ndarray, here: Settled | None) -> dict[str, float]:
    """Air and blower that keep the limit, and the outlet at twice the present air.

    air_needed_m3_s: at the inlet, infinite where MOST_BLOWER is too little, 0 where next to none will do.
    """
    twice = with_air(case, mill, 2.0 * inlet_flow(mill[0], here.s)) if here else None
    found = {"doubled_K": inf if twice is None else case.outlet(twice)}
    low = -shut_off(mill[0])
    span = MOST_BLOWER - low

    def over(u: float) -> float:
        return case.outlet(changed(mill, blower=low + span * u * u)) - case.limit_K

    now = ((float(mill["blower"][0]) - low) / span) ** 0.5
    enough = here is not None and here.outlet_K <= case.limit_K
    u = crossing(over, 1e-3, now, ends=True) if enough else crossing(over, now, 1.0, kept=True)
    if isnan(u):
        return {**found, "air_needed_m3_s": 0.0 if enough else inf, "blower_needed_Pa": -inf if enough else inf}
    pressure = low + span * u * u
    new = changed(mill, blower=pressure)
    s = case.settle(new)
    flow = inlet_flow(new[0], s.s) if s else inf
    losses = air_losses(new[0], s.s) if s else {}
    return {
        **found, "air_needed_m3_s": flow, "blower_needed_Pa": pressure,
        **{f"needed_{name}_Pa": value for name, value in losses.items()},
    }  # fmt: skip


def cooler(case: Case, mill: np.ndarray, recirculated: float) -> dict[str, float]:
    """Cooler outlet [K] at which a recirculated share keeps the limit, and the heat [W] the cooler takes.

    -inf: no cooler does it; inf: it may be as warm as the limit.
    """

    def over(T_in: float) -> float:
        return case.outlet(changed(mill, T_air_in=T_in)) - case.limit_K

    T_in = _from_now(over, COLDEST_AIR, float(mill["T_air_in"][0]), case.limit_K)
    if not isfinite(T_in):
        return {"cooler_K": T_in, "cooler_W": nan}
    T_cooler = float(cooling.cooler_outlet(T_in, float(mill["T_room"][0]), recirculated))
    s = case.settle(changed(mill, T_air_in=T_in))
    duty = recirculated * float(air_capacity(s.s)) * (float(s.s["T"]) - T_cooler) if s else nan
    return {"cooler_K": T_cooler, "cooler_W": duty} if duty > 0.0 else {"cooler_K": inf, "cooler_W": nan}


def _from_now(over: Callable[[float], float], coldest: float, now: float, warmest: float) -> float:
    """Temperature at which the limit is just kept, sought from the present one: colder where it is over, else warmer.

    inf: as warm as you like; -inf: not even at the coldest.
    """
    if over(now) <= 0.0:
        found = crossing(over, now, warmest, ends=True) if warmest > now else nan
        return inf if isnan(found) else found
    found = crossing(over, coldest, now, kept=True)
    return -inf if isnan(found) else found


def unchilled(m: np.void) -> float:
    """Temperature [K] the feed has before it is chilled: the room's, or its own where it is warmer."""
    return max(float(m["T_feed"]), float(m["T_room"]))


def enthalpy(m: np.void, T_from: float, T_to: float) -> float:
    """Heat [J/kg] of the feed from one temperature to another."""
    return float(heat.enthalpy_rise(m["specific_heat"], m["heat_exponent_share"], T_from, T_to))


def coolant_for(m: np.void, c: Coolant, T_cold: float, mill_J_kg: float = 0.0, T_gas: float | None = None) -> float:
    """Kilograms of coolant per kilogram of feed to chill it to T_cold [K], and to carry mill_J_kg of milling.

    T_gas: where the gas leaves [K]; as cold as the feed if not given, which asks for the most. inf: too cold for it.
    """
    return coolant_per_kg(c, enthalpy(m, T_cold, unchilled(m)), T_cold, mill_J_kg, T_gas)


def chilled(case: Case, mill: np.ndarray, here: Settled | None) -> dict[str, float]:
    """Feed temperature that keeps the limit, coolant for it, and coolant that carries all heat in place of air.

    feed_K: inf: the feed may be as warm as the limit; -inf: not even at 77 K.
    """
    m = mill[0]

    def over(T: float) -> float:
        return case.outlet(changed(mill, T_feed=T)) - case.limit_K

    T = _from_now(over, NITROGEN.T_K, float(m["T_feed"]), case.limit_K)
    needed = isfinite(T) and T < unchilled(m)
    per_kg = here.heat_W / float(here.s["F"]) if here and case.rate_kg_s else nan
    base = unchilled(m)
    return {
        "feed_K": T,
        "dry_ice": coolant_for(m, DRY_ICE, T) if needed else 0.0 if T > 0.0 else inf,
        "nitrogen": coolant_for(m, NITROGEN, T) if needed else 0.0 if T > 0.0 else inf,
        "iced_K": case.outlet(changed(mill, T_feed=DRY_ICE.T_K)),
        "iced_dry_ice": coolant_for(m, DRY_ICE, DRY_ICE.T_K),
        "own_dry_ice": coolant_for(m, DRY_ICE, float(m["T_feed"])),
        "own_nitrogen": coolant_for(m, NITROGEN, float(m["T_feed"])),
        "all_dry_ice": coolant_for(m, DRY_ICE, base, per_kg, case.limit_K),
        "all_nitrogen": coolant_for(m, NITROGEN, base, per_kg, case.limit_K),
    }


def fresh_air(c: Coolant, gas_m3_s: float) -> float:
    """Fresh air [m3/s] for a room that takes in this much gas: oxygen for nitrogen, carbon dioxide's own limit."""
    if c is DRY_ICE:
        return cooling.air_for_gas(gas_m3_s, MOST_CO2)
    return cooling.air_for_oxygen(gas_m3_s, LEAST_OXYGEN, OXYGEN)


def schedule(case: Case, mill: np.ndarray, here: Settled) -> dict[str, float]:
    """Minutes of milling from a cold start and of pauses, where the steady state is over the limit.

    Two closed forms bracket the truth. run_s and so on: air and charge are as hot as they get at once, the casing
    follows (the model). most_*: all heat goes through the casing, one store as warm as the outlet. A pause lasts
    until the store has lost half of its rise over the room (assumed); running empty, or stopped with the air off.
    """
    m, s, p = mill[0], here.s, here.p
    empty = idle(mill, case.off)
    C, UA, room = float(m["casing_capacity"]), float(m["casing_heat_loss"]), float(m["T_room"])
    inner = float(m["inner_heat_transfer"] * m["inner_area"])
    carried = float(air_capacity(s) + s["F"] * m["specific_heat"] * p["warmed"])
    by_idle = empty.Q_m3_s * air.air_density(empty.chamber_K) * air.SPECIFIC_HEAT
    cold, tau = warming(m, s, p)
    end = float(s["T"])
    cold = here.still_K[0] + (cold - here.still_K[0]) * here.warmer / here.power
    limit = min(case.limit_K, (case.limit_K - float(p["offset"])) / float(p["warmed"]))
    casing_end, casing_idle = ((inner * T + UA * room) / (inner + UA) for T in (end, empty.chamber_K))
    tau_idle = C / (UA + inner * by_idle / (by_idle + inner))
    way = (limit - cold) / (end - cold)
    two = _cycle(cold, limit, end, tau, room + way * (casing_end - room), casing_idle, room, tau_idle, C / UA)
    one = _cycle(
        room, case.limit_K, here.outlet_K, C / (carried + UA), case.limit_K, empty.chamber_K, room, C / (by_idle + UA),
        C / UA,
    )  # fmt: skip
    two["mean_kg_s"], one["mean_kg_s"] = (float(s["F"]) * c.pop("share") for c in (two, one))
    return {**two, **{f"most_{k}": v for k, v in one.items()}}


def _cycle(start, limit, end, tau, casing, casing_idle, room, tau_idle, tau_stop) -> dict[str, float]:
    """First run, next runs, pauses and the share of the time milled, of one store with these temperatures [K]."""
    half = room + 0.5 * (casing - room)
    warm = start + 0.5 * (limit - start)  # the run begins half-way, as the casing does
    run = max(0.0, cooling.time_to(start, limit, end, tau))
    again = max(0.0, cooling.time_to(warm, limit, end, tau)) if run > 0.0 else 0.0
    stopped = cooling.time_to(casing, half, room, tau_stop) if casing > room else 0.0
    emptied = cooling.time_to(casing, half, casing_idle, tau_idle) if casing_idle < half else inf
    pause = min(stopped, max(0.0, emptied))
    share = again / (again + pause) if isfinite(again) and again + pause > 0.0 else 0.0 if run == 0.0 else 1.0
    return {"run_s": run, "next_s": again, "pause_stop_s": stopped, "pause_idle_s": emptied, "share": share}


def batch_passes(case: Case, mill: np.ndarray) -> dict[str, float]:
    """When the config's batch passes the limit [s] (inf: never), and its casing at the end [K]."""
    batch = case.problem.config.feed.batch
    assert batch is not None
    o = solve_batch(case.problem, *batch, mill=mill)
    here, t = case.settle(mill), o.history["end"]
    air_K, factor = (here.still_K[0], here.warmer) if here else (nan, nan)
    T, casing = (air_K + factor * (o.history[name] - air_K) for name in ("T", "T_casing"))
    over = np.flatnonzero(case.limit_K < T)
    return {"run_s": float(t[over[0]]) if over.size else inf, "casing_K": float(casing[-1])}
