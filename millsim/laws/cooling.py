"""Cooling: how much air, how cold a cooler, how long until hot, how much coolant. Closed forms, no compiled code.

Heat balances of the first law, one lump at a time; "handbook" in a source line means any text on heat transfer. What
names no source is derived from the balance it states.
"""

from math import inf, log


def air_rise(P: float, Q: float, rho: float, cp: float) -> float:
    """Temperature rise [K] of an air flow Q [m3/s] that carries P [W] away: P / (rho Q cp). First law."""
    return P / (rho * Q * cp)


def air_for_rise(P: float, rise: float, rho: float, cp: float) -> float:
    """Air flow [m3/s] that carries P [W] away while it warms by `rise` [K]: P / (rho cp rise). First law."""
    return P / (rho * cp * rise)


def blower_for_flow(Q: float, dp_fan: float, Q_max: float, k_square: float, k_linear: float) -> float:
    """Pressure [Pa] a blower must add for a flow Q: k2 Q^2 + k1 Q - dp (1 - (Q/Q_max)^2); inverse of `air.air_flow`.

    Below zero: the rotor's own fan moves more than Q.
    """
    return k_square * Q * Q + k_linear * Q - dp_fan * (1.0 - (Q / Q_max) ** 2)


def mixed_air(T_room: float, T_cooler: float, recirculated: float) -> float:
    """Temperature [K] of fresh air with a share of recirculated air from a cooler (equal specific heats)."""
    return (1.0 - recirculated) * T_room + recirculated * T_cooler


def cooler_outlet(T_in: float, T_room: float, recirculated: float) -> float:
    """Temperature [K] the recirculated share must leave its cooler at for a mixture of T_in; inverse of `mixed_air`."""
    return (T_in - (1.0 - recirculated) * T_room) / recirculated


def time_to(T_from: float, T_to: float, T_end: float, time_constant: float) -> float:
    """Time [s] in which a heat store on its way from T_from to T_end passes T_to: -tau ln(1 - way).

    way = (T_to - T_from) / (T_end - T_from). Lumped store, handbook. Infinite where it never gets there; negative
    where it has been there before.
    """
    if T_end == T_from:
        return inf
    way = (T_to - T_from) / (T_end - T_from)
    return -time_constant * log(1.0 - way) if way < 1.0 else inf


def coolant_ratio(
    feed: float, mill: float, latent: float, gas_cp: float, T_boil: float, T_gas: float, practice: float
) -> float:
    """Kilograms of coolant per kilogram of feed: practice (feed + mill) / (latent + gas_cp (T_gas - T_boil)).

    feed: heat [J/kg] taken out of the feed; mill: heat [J/kg] of milling that the coolant is to carry too; practice:
    more than the ideal, for leaks and cold parts. First law; that practice takes more: from memory.
    """
    return practice * (feed + mill) / (latent + gas_cp * (T_gas - T_boil))


def gas_volume(mass: float, molar_mass: float, T: float, R: float = 8.314462618, p: float = 101325.0) -> float:
    """Volume [m3] of an ideal gas of `mass` [kg] at T [K], p [Pa]: m R T / (M p)."""
    return mass * R * T / (molar_mass * p)


def air_for_oxygen(gas: float, least: float, outside: float) -> float:
    """Fresh air [m3/s] that keeps a room fed with `gas` [m3/s] above an oxygen share: gas least / (outside - least).

    Well mixed, steady: (air outside) / (air + gas) = least. Real rooms mix badly: cold gas lies on the floor.
    """
    return gas * least / (outside - least)


def air_for_gas(gas: float, most: float) -> float:
    """Fresh air [m3/s] that keeps the share of a `gas` [m3/s] below `most`: gas (1 - most) / most. As above."""
    return gas * (1.0 - most) / most


def amplification(gain: float) -> float:
    """By how much a feedback of this loop gain enlarges a small disturbance: 1 / (1 - gain); infinite from 1 on."""
    return 1.0 / (1.0 - gain) if gain < 1.0 else inf
