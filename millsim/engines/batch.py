"""A batch in the mill: a charge put in at once, milled and sieved out over time.

Each step freezes the chamber (hold-up, temperature, sieve, speed) and takes one L-stable second-order step of
the balance (SDIRK2, gamma = 1 - 1/sqrt 2; Alexander 1977, SIAM J. Numer. Anal. 14:1006). Where that would leave
a class negative, two backward Euler half steps are taken instead, which cannot. Both keep mass exactly.
"""

from math import exp, sqrt

import numpy as np

from ..base.numerics.jit import kernel, law
from ..laws import air, sieving
from ..mill.chamber import balanced_speed, feedback_air, overload_share
from .balance import FLOWS, OBLIQUITY, fill_rates, fill_strikes, march
from .capacity import chamber_capacity, jam_index
from .settle import air_capacity, hammer_tip_speed, peg_rate, shaft_power

GAMMA = 1.0 - 1.0 / sqrt(2.0)


@law
def add_flows(total, flows, seconds):
    """Add flows times seconds to a FLOWS record of totals (kg and J)."""
    total.bar_hits += seconds * flows.bar_hits
    total.pin_hits += seconds * flows.pin_hits
    total.bar_above += seconds * flows.bar_above
    total.pin_above += seconds * flows.pin_above
    total.bar_fractures += seconds * flows.bar_fractures
    total.pin_fractures += seconds * flows.pin_fractures
    total.chips += seconds * flows.chips
    total.nips += seconds * flows.nips
    total.tries += seconds * flows.tries
    total.exits += seconds * flows.exits
    total.work += seconds * flows.work
    total.bar_heat += seconds * flows.bar_heat
    total.chip_cut += seconds * flows.chip_cut
    total.path_heat += seconds * flows.path_heat
    total.pin_heat += seconds * flows.pin_heat
    total.rub += seconds * flows.rub
    total.nip_work += seconds * flows.nip_work


@law
def implicit_stage(m, grid, work, start, step, stage, flows):
    """Solve (I - step G) stage = start with the frozen rates in work."""
    edges, x, chip_share = grid
    table, escape, strikes, _, screen, _, k, _, _ = work
    march(m, k[0], edges, x, table, escape, chip_share, strikes, start / step, 1.0 / step, stage, screen, flows)


@law
def advance(m, grid, work, mass, h, product, dwell, totals):
    """Advance mass (n,) by h seconds; add what left to product (n,), kg s to dwell (n,), flows to totals.

    Leaves in work the nip screening averaged over the step.
    """
    escape, screen = work[1], work[4]
    one, two = np.empty_like(mass), np.empty_like(mass)
    flows = np.zeros(2, FLOWS)
    implicit_stage(m, grid, work, mass, GAMMA * h, one, flows[0])
    screen_one = screen.copy()
    implicit_stage(m, grid, work, mass + (1.0 - GAMMA) / GAMMA * (one - mass), GAMMA * h, two, flows[1])
    first, second = (1.0 - GAMMA) * h, GAMMA * h
    if two.min() < 0.0 or one.min() < 0.0:
        implicit_stage(m, grid, work, mass, 0.5 * h, one, flows[0])
        screen_one[:] = screen
        implicit_stage(m, grid, work, one, 0.5 * h, two, flows[1])
        first = second = 0.5 * h
    product += escape * (first * one + second * two)
    dwell += first * one + second * two
    screen[:] = (first * screen_one + second * screen) / h
    add_flows(totals, flows[0], first)
    add_flows(totals, flows[1], second)
    mass[:] = two


@law
def freeze(m, grid, s, work, mass, T_casing, t, h):
    """Bring state s and the rates in work up to date for a step of h seconds centred on time t.

    Charge and chamber gas are one heat store, the casing another; power is that of the step before.
    """
    edges, x, _ = grid
    table, escape, strikes, _, _, _, k, p, ages = work
    s.M, s.residence = mass.sum(), t
    s.Q = feedback_air(m, s)
    fill_rates(m, s, k[0], x, ages, table, escape)
    fill_strikes(k[0], edges, x, table, OBLIQUITY, strikes)
    s.unblinded = sieving.unblinded_share(peg_rate(m, s, x, edges, table, mass), m.clear_rate)
    if m.isothermal <= 0.0:
        inner = m.inner_heat_transfer * m.inner_area
        carried = air_capacity(s)
        store = s.M * m.specific_heat + m.chamber_volume * air.air_density(s.T) * air.SPECIFIC_HEAT
        heat_in = p[0].shaft - p[0].bearings
        T_end = (heat_in + carried * m.T_air_in + inner * T_casing) / (carried + inner)
        s.T = T_end + (s.T - T_end) * exp(-h * (carried + inner) / store)
    fill_rates(m, s, k[0], x, ages, table, escape)
    fill_strikes(k[0], edges, x, table, OBLIQUITY, strikes)


@kernel
def run_batch(m, grid, charge, ends, s, work, product, dwell, totals, energies, states, screens, left):
    """Mill a charge (n,) [kg] through the step ends (k,) [s]; s holds the state to start from.

    Fills product (n,), dwell (n,) [kg s], totals FLOWS [kg, J], energies (4,) [J] windage, bearings, shaft, layer
    drive; per step: states (k,) STATE (F is the outflow), screens (k, n), left (k, BATCH_LEFT).
    """
    mass = charge.copy()
    gas = m.chamber_volume * air.air_density(m.T_room) * air.SPECIFIC_HEAT
    store = charge.sum() * m.specific_heat
    s.T = m.T_room if m.isothermal > 0.0 else (store * m.T_feed + gas * m.T_room) / (store + gas)
    s.lumped = 1.0
    T_casing, t = m.T_room, 0.0
    inner = m.inner_heat_transfer * m.inner_area
    step = np.zeros(1, FLOWS)
    p = work[7]
    p[0].windage = p[0].bearings = p[0].shaft = 0.0
    for q in range(ends.size):
        h = ends[q] - t
        freeze(m, grid, s, work, mass, T_casing, t + 0.5 * h, h)
        before = mass.sum()
        step[0] = np.zeros(1, FLOWS)[0]
        advance(m, grid, work, mass, h, product, dwell, step[0])
        add_flows(totals, step[0], 1.0)
        work[5][0] = np.zeros(1, FLOWS)[0]
        add_flows(work[5][0], step[0], 1.0 / h)
        shaft_power(m, s, work[5][0], p[0])
        energies[0] += h * p[0].windage
        energies[1] += h * p[0].bearings
        energies[2] += h * p[0].shaft
        energies[3] += h * p[0].layer_drive
        s.F = (before - mass.sum()) / h
        states[q] = s
        screens[q] = work[4]
        T_end = (inner * s.T + m.casing_heat_loss * m.T_room) / (inner + m.casing_heat_loss)
        T_casing = T_end + (T_casing - T_end) * exp(-h * (inner + m.casing_heat_loss) / m.casing_capacity)
        work[3][:] = mass
        left[q, 0], left[q, 1], left[q, 2], left[q, 3], left[q, 4] = ends[q], mass.sum(), s.T, T_casing, p[0].shaft
        labours = overload_share(m, p[0].shaft, s.omega)
        left[q, 5], left[q, 6] = max(labours, jam_index(m, s, grid[1], work)), before / chamber_capacity(m)
        s.omega = balanced_speed(m, p[0].shaft, s.omega)
        s.v = hammer_tip_speed(m, s, p[0])
        t = ends[q]
