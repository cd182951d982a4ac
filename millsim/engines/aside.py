"""What a settled state says beside its balance.

A call from Python with single records costs as much as a dozen of these laws, one with arrays of them next to nothing.
So these kernels take arrays (1,), which `rows` makes of records, and answer all at once.
"""

import numpy as np

from ..base.numerics.jit import kernel
from ..laws import breakage, heat
from ..mill.chamber import SELF, STRIKES, WARMED, idle_power, idle_speed, piece_strength, socket_power, strike_energies
from .loads import chamber_capacity
from .records import POWERS
from .settle import air_capacity, balance_temperature


def rows(*records: np.void) -> list[np.ndarray]:
    """Each record as an array (1,) on the same memory."""
    return [np.asarray(r).reshape(1) for r in records]


@kernel
def socket_powers(mill, shaft, T):
    """Power [W] from the socket at a shaft power [W], and that of the empty mill at T [K]."""
    m = mill[0]
    windage, bearings = idle_power(m, idle_speed(m, T), T)
    return socket_power(m, shaft), socket_power(m, windage + bearings)


@kernel
def still_temperatures(mill, state, powers):
    """Air and powder [K] of a settled mill, or batch, if its work set no heat free."""
    m, s, p = mill[0], state[0], powers[0]
    if s.lumped > 0.0:
        T = min(m.T_room, m.T_feed)
        return T, T
    none = np.zeros(1, POWERS)
    none[0] = p
    none[0].shaft, none[0].offset = p.bearings, (1.0 - p.warmed) * m.T_feed
    T = balance_temperature(m, s, none[0])
    return T, p.warmed * T + none[0].offset


@kernel
def warming_of(mill, state, powers):
    """Chamber temperature [K] while the casing is still as the room, and the time constant [s] of its way from there.

    Air and charge follow at once, the casing stores.
    """
    m, s, p = mill[0], state[0], powers[0]
    inner, by_air = m.inner_heat_transfer * m.inner_area, air_capacity(s)
    carried = by_air + s.F * m.specific_heat * p.warmed
    constant = m.casing_capacity / (m.casing_heat_loss + inner * carried / (carried + inner))
    cold = heat.chamber_temperature(
        p.shaft - p.bearings, s.F, m.specific_heat, m.heat_exponent_share, m.T_feed, p.warmed, p.offset, by_air,
        m.T_air_in, inner, m.T_room,
    )  # fmt: skip
    return cold, constant


@kernel
def fill_warmup(mill, state, powers, time, warmest):
    """Fill time (n,) [s] from a cold start and the warmer of air and powder (n,) [K] there."""
    s, p = state[0], powers[0]
    cold, constant = warming_of(mill, state, powers)
    for i in range(time.size):
        time[i] = 5.0 * constant * i / (time.size - 1.0)
        T = heat.lumped_warmup(cold, s.T, time[i], constant)
        warmest[i] = max(p.warmed * T + p.offset, T)


@kernel
def full_charge(mill):
    """Charge [kg] at which the chamber counts as full."""
    return chamber_capacity(mill[0])


@kernel
def size_floor(mill, state, x, table):
    """Smallest size [m] that the hardest impact of a state can break."""
    m, s, k = mill[0], state[0], np.zeros(1, STRIKES)
    strike_energies(m, s, k[0])
    hardest = s.v * (1.0 - k[0].kappa)
    if m.n_pins > 0.0:
        hardest = max(hardest, k[0].v_throw)
    floor = x[0]
    for _ in range(3):  # fines are warmer and tougher than feed; the threshold is that of the floor itself
        i = np.argmin(np.abs(np.log(x / floor)))
        T = m.T_feed + (s.T + table[i, SELF] - m.T_feed) * table[i, WARMED]
        xw_min = piece_strength(m, T, m.threshold_size)[1]
        floor = breakage.size_floor(xw_min, m.threshold_size, m.threshold_exponent, hardest)
    return floor
