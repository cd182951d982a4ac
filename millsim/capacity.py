"""How much a mill takes: the limits, the loads on them, and the feed rate at which the first one binds."""

from math import log, pi

import numpy as np

from .chamber import NIP, SHEAR
from .jit import law
from .laws import drive
from .operate import settle, start_state

LIMITS = ("shaft power", "outlet temperature", "sieve", "chamber", "jam", "feed opening")
POWER, TEMPERATURE, SIEVE, CHAMBER, JAM, OPENING = range(len(LIMITS))
LEAST_OPEN = 0.4  # below this unblinded share a sieve counts as blinded (P5: warn when phi_b < 0.4)

BATCH_LEFT = 7  # columns of a batch history: time, kg left, T, casing T, shaft power, jam index, chamber load

OK, OVER, CANNOT, FAILED = 0, 1, 2, 3  # runs as asked; takes less than asked; does not run empty; not converged


@law
def chamber_capacity(m):
    """Charge [kg] at which the chamber counts as full: a share of the annulus at loose bulk density."""
    return m.chamber_fill * m.density * m.bulk_fraction * m.chamber_volume


@law
def bite_statistics(m, s, x, table, mass, screen):
    """Mean [J] and variance [J2] of the energy that nip shear takes from the rotor in one bar pass."""
    passes = m.n_bars * s.omega / (2.0 * pi)
    mean = variance = 0.0
    for i in range(x.size):
        if table[i, NIP] > 0.0:
            piece = m.density * pi / 6.0 * x[i] ** 3
            bites = mass[i] / piece * table[i, NIP] * screen[i] / passes
            energy = table[i, SHEAR] * piece
            mean += bites * energy
            variance += bites * energy * energy
    return mean, variance


@law
def jam_index(m, s, x, work):
    """The larger of the energy index of rigid bars and shaft power over what the motor gives for a moment."""
    table, _, _, mass, screen, _, _, p = work
    power = p[0].shaft / (m.overload * m.rated_power)
    if m.swinging > 0.0:  # hammers fold back: a bite never takes more than a hammer's own energy
        return power
    mean, variance = bite_statistics(m, s, x, table, mass, screen)
    KE = drive.kinetic_energy(m.inertia, s.omega)
    return max(power, drive.jam_energy_index(mean, variance, KE, m.jam_share))


@law
def fill_loads(m, s, x, work, loads):
    """Fill (6,) loads as shares of the limits, in the order of LIMITS; 1 binds."""
    p = work[7]
    loads[POWER] = p[0].shaft / m.rated_power
    loads[TEMPERATURE] = (s.T - m.T_room) / (m.T_limit - m.T_room) if m.T_limit > m.T_room else np.inf
    loads[SIEVE] = (1.0 - s.unblinded) / (1.0 - LEAST_OPEN)
    loads[CHAMBER] = s.M / chamber_capacity(m)
    loads[JAM] = jam_index(m, s, x, work)
    most = drive.opening_flow(m.density * m.bulk_fraction, m.feed_opening, m.feed_size)
    loads[OPENING] = s.F / most if most > 0.0 else np.inf
    if m.isothermal > 0.0:  # the first seconds: too soon for a motor or a sieve to get hot or blind
        loads[POWER] = loads[TEMPERATURE] = loads[SIEVE] = 0.0


@law
def _try_holdup(m, grid, feed, ln_M, F_asked, s, work, loads, tolerance):
    """Settle at a hold-up; return (ln of the highest load, the feed rate asked for counted as one; residual)."""
    s.M = np.exp(ln_M)
    residual, _ = settle(m, grid, feed, s, work, tolerance)
    fill_loads(m, s, grid[1], work, loads)
    return log(max(1e-12, max(loads.max(), s.F / F_asked))), residual


@law
def search_capacity(m, grid, feed, F_asked, s, work, loads, tolerance):
    """Fill the mill from nearly empty until a limit binds or the feed rate asked for (may be inf) is reached.

    Returns (code, residual); s, work and loads then hold the state found. Hold-up, unlike feed rate, always
    has an answer; loads rise with it, so the lowest hold-up at which one reaches 1 is the one a mill started
    empty comes to.
    """
    full = log(chamber_capacity(m))
    low = full + log(1e-7)
    start_state(m, np.exp(low), np.exp(low), s)
    s.at_rate = 0.0
    h_low, residual = _try_holdup(m, grid, feed, low, F_asked, s, work, loads, tolerance)
    if residual > tolerance:
        return FAILED, residual
    if h_low >= 0.0:
        return CANNOT, residual
    high, h_high = low, h_low
    while h_high < 0.0:
        low, h_low = high, h_high
        high = min(high + min(2.5, max(0.5, -0.9 * h_high)), full + 0.01)
        h_high, residual = _try_holdup(m, grid, feed, high, F_asked, s, work, loads, tolerance)
        if residual > tolerance:
            return FAILED, residual
    side = 0
    for _ in range(80):
        middle = low - h_low * (high - low) / (h_high - h_low) if side > -3 and side < 3 else 0.5 * (low + high)
        h, residual = _try_holdup(m, grid, feed, middle, F_asked, s, work, loads, tolerance)
        if residual > tolerance:
            return FAILED, residual
        if abs(h) < 1e-6 or high - low < 1e-9:
            break
        if h > 0.0:
            high, h_high, side = middle, h, max(1, side + 1)
        else:
            low, h_low, side = middle, h, min(-1, side - 1)
    return (OK if s.F >= F_asked * (1.0 - 1e-5) else OVER), residual


@law
def operate(m, grid, feed, F_asked, s, work, loads, tolerance):
    """State of the mill at the feed rate asked for [kg/s], or at its capacity where it takes less (or inf).

    Returns (code, residual): OK, OVER (a limit binds first), CANNOT (a limit binds with next to no feed),
    FAILED (not converged).
    """
    if F_asked < np.inf:
        start_state(m, F_asked, F_asked * 1.0, s)
        s.at_rate = 1.0
        residual, _ = settle(m, grid, feed, s, work, tolerance)
        if residual <= tolerance:
            fill_loads(m, s, grid[1], work, loads)
            if loads.max() <= 1.0:
                return OK, residual
    code, residual = search_capacity(m, grid, feed, F_asked, s, work, loads, tolerance)
    if code == OK:  # stand exactly at the rate asked for
        s.F, s.at_rate = F_asked, 1.0
        residual, _ = settle(m, grid, feed, s, work, tolerance)
        fill_loads(m, s, grid[1], work, loads)
        if residual > tolerance:
            return FAILED, residual
    return code, residual
