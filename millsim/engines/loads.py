"""What a settled mill bears: how full it counts as, what a bite takes, and the load on each limit."""

from math import log, pi

import numpy as np

from ..base.numerics.jit import kernel, law
from ..laws import drive
from ..mill.chamber import FINISHED, NIP, PAIR, SHEAR
from ..record.limits import CHAMBER, GRINDING, HARDLY_J_KG, JAM, LEAST_OPEN, OPENING, POWER, SIEVE, TEMPERATURE


@law
def chamber_capacity(m):
    """Charge [kg] at which the chamber counts as full: a share of the annulus at loose bulk density."""
    return m.chamber_fill * m.density * m.bulk_fraction * m.chamber_volume


@law
def bite_statistics(m, s, x, work):
    """Mean [J] and variance [J2] of the energy that nip shear takes from the rotor in one bar pass."""
    table, mass, screen = work.table, work.mass, work.screen
    passes = m.turn_bars * s.omega / (2.0 * pi)
    mean = variance = 0.0
    for i in range(x.size):
        bite = table[i, NIP] * screen[i] + table[i, PAIR] * work.bridge[i]
        if bite > 0.0:
            piece = m.density * pi / 6.0 * x[i] ** 3
            bites = mass[i] / piece * bite * table[i, FINISHED] / passes
            energy = table[i, SHEAR] * piece
            mean += bites * energy
            variance += bites * energy * energy
    return mean, variance


@law
def jam_index(m, s, x, work):
    """The larger of the energy index of rigid bars and shaft power over what the motor gives for a moment."""
    power = work.powers[0].shaft / (m.overload * m.rated_power)
    if m.swinging > 0.0:  # hammers fold back: a bite never takes more than a hammer's own energy
        return power
    mean, variance = bite_statistics(m, s, x, work)
    KE = drive.kinetic_energy(m.inertia, s.omega)
    return max(power, drive.jam_energy_index(mean, variance, KE, m.jam_share))


@law
def grinding_load(m, s, work):
    """What strikes, nips and the layer take per kg of powder, over what is no grinding any more; 0 in a cold start."""
    p = work.powers[0]
    if m.isothermal > 0.0:
        return 0.0
    return np.inf if s.F <= 0.0 else (p.striking + p.nip + p.layer_drive) / s.F / HARDLY_J_KG


@law
def heat_load(m, s):
    """Rise of the chamber over the room, over what the limit allows; 0 in a cold start."""
    return 0.0 if m.isothermal > 0.0 else (s.T - m.T_room) / (m.T_limit - m.T_room)


@kernel
def fill_loads(m, s, x, work, loads):
    """Fill (7,) loads as shares of the limits, in the order of LIMITS; 1 binds."""
    p = work.powers[0]
    loads[POWER] = p.shaft / m.rated_power
    hottest = max(s.T, p.warmed * s.T + p.offset)  # chamber, or the powder that leaves
    loads[TEMPERATURE] = (hottest - m.T_room) / (m.T_limit - m.T_room) if m.T_limit > m.T_room else np.inf
    loads[SIEVE] = (1.0 - s.unblinded) / (1.0 - LEAST_OPEN)
    loads[CHAMBER] = s.M / chamber_capacity(m)
    loads[JAM] = jam_index(m, s, x, work)
    most = drive.opening_flow(m.density * m.bulk_fraction, m.feed_opening, m.feed_size)
    loads[OPENING] = s.F / most if most > 0.0 else np.inf
    loads[GRINDING] = grinding_load(m, s, work)
    if m.isothermal > 0.0:  # the first seconds: too soon for a motor or a sieve to get hot or blind
        loads[POWER] = loads[TEMPERATURE] = loads[SIEVE] = 0.0


@law
def first_highest(loads, count):
    """Which of the first loads is the highest; the first of several, or of those that are no number."""
    at = 0
    for i in range(1, count):
        if loads[at] == loads[at] and not loads[i] <= loads[at]:
            at = i
    return at


@law
def highest_load(loads, asked):
    """ln of the highest load, but for what a kilogram costs, which is judged where a search ends.

    asked: feed rate over the one asked for, a limit of its own.
    """
    return log(max(1e-12, max(loads[first_highest(loads, GRINDING)], asked)))
