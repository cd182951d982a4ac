"""A batch in the mill: a charge put in at once, milled and sieved out over time.

Each step freezes the chamber (hold-up, temperature, sieve, speed) and takes one L-stable second-order step of
the balance (SDIRK2, gamma = 1 - 1/sqrt 2; Alexander 1977, SIAM J. Numer. Anal. 14:1006). Where that would leave
a class negative, two backward Euler half steps are taken instead, which cannot. Both keep mass exactly.
"""

from math import exp, sqrt

import numpy as np

from ..base.numerics.jit import kernel, law, routine
from ..laws import air, sieving
from ..mill.chamber import balanced_speed, feedback_air, overload_share
from .balance import march
from .loads import chamber_capacity, jam_index
from .records import FLOWS, add_flows
from .search import copy_state
from .settle import HOPELESS, air_capacity, hammer_tip_speed, peg_rate, shaft_power
from .strikes import fill_rates

GAMMA = 1.0 - 1.0 / sqrt(2.0)
LEAST_RISE_K, HOTTEST_K = 150.0, 1000.0  # over the room; at all: beyond it no card says what its feed is like


@routine
def implicit_stage(m, grid, work, start, step, stage, flows):
    """Solve (I - step G) stage = start with the frozen rates in work."""
    march(m, grid, work, np.zeros_like(start), 1.0 / step, start, stage, flows)


@routine
def advance(m, grid, work, mass, h, product, dwell, totals):
    """Advance mass (n,) by h seconds; add what left to product (n,), kg s to dwell (n,), flows to totals.

    Leaves in work the nip screening averaged over the step.
    """
    escape, screen, bridge = work.escape, work.screen, work.bridge
    one, two = np.empty_like(mass), np.empty_like(mass)
    flows = np.zeros(2, FLOWS)
    implicit_stage(m, grid, work, mass, GAMMA * h, one, flows[0])
    screen_one, bridge_one = screen.copy(), bridge.copy()
    implicit_stage(m, grid, work, mass + (1.0 - GAMMA) / GAMMA * (one - mass), GAMMA * h, two, flows[1])
    first, second = (1.0 - GAMMA) * h, GAMMA * h
    if not (two.min() >= 0.0 and one.min() >= 0.0):  # less than nothing, or no number where nips count on less
        implicit_stage(m, grid, work, mass, 0.5 * h, one, flows[0])
        screen_one[:], bridge_one[:] = screen, bridge
        implicit_stage(m, grid, work, one, 0.5 * h, two, flows[1])
        first = second = 0.5 * h
    product += escape * (first * one + second * two)
    dwell += first * one + second * two
    screen[:] = (first * screen_one + second * screen) / h
    bridge[:] = (first * bridge_one + second * bridge) / h
    add_flows(totals, flows[0], first)
    add_flows(totals, flows[1], second)
    mass[:] = two


@routine
def freeze(m, grid, s, work, mass, T_casing, t, h):
    """Bring state s and the rates in work up to date for a step of h seconds centred on time t.

    Charge and chamber gas are one heat store, the casing another; power is that of the step before.
    """
    p = work.powers[0]
    s.M, s.residence = mass.sum(), t
    s.Q = feedback_air(m, s)
    fill_rates(m, s, grid, work)
    s.unblinded = sieving.unblinded_share(peg_rate(m, s, grid, work.table, mass), m.clear_rate)
    if m.isothermal <= 0.0:
        inner = m.inner_heat_transfer * m.inner_area
        carried = air_capacity(s)
        store = s.M * m.specific_heat + m.chamber_volume * air.air_density(s.T) * air.SPECIFIC_HEAT
        heat_in = p.shaft - p.bearings
        T_end = (heat_in + carried * m.T_air_in + inner * T_casing) / (carried + inner)
        s.T = T_end + (s.T - T_end) * exp(-h * (carried + inner) / store)
    fill_rates(m, s, grid, work)


@law
def runaway_temperature(m):
    """Temperature [K] at which a batch has run away: so far over its limit that it is no powder that is milled."""
    return min(HOTTEST_K, m.T_room + max(LEAST_RISE_K, HOPELESS * (m.T_limit - m.T_room)))


@routine
def freeze_up_to(m, grid, s, work, mass, T_casing, t, end, T_most):
    """As `freeze`, from time t to an end [s]: the one given, or an earlier one where the charge gets to T_most.

    Warming slows down within a step, so a straight line leads to a little above T_most.
    """
    T, unblinded = s.T, s.unblinded
    freeze(m, grid, s, work, mass, T_casing, 0.5 * (t + end), end - t)
    if not s.T > T_most > T:
        return end
    end = t + (end - t) * (T_most - T) / (s.T - T)
    s.T, s.unblinded = T, unblinded
    freeze(m, grid, s, work, mass, T_casing, 0.5 * (t + end), end - t)
    return end


@routine
def back_to(m, grid, s, work, state, screen, bridge):
    """Bring state and rates back to those of an earlier step."""
    copy_state(state, s)
    fill_rates(m, s, grid, work)
    work.screen[:], work.bridge[:] = screen, bridge


@kernel
def run_batch(
    m, grid, charge, ends, most_jam, s, work, product, dwell, totals, energies, states, screens, bridges, history
):
    """Mill a charge (n,) [kg] through the step ends (k,) [s]; s holds the state to start from, most_jam ends it.

    Fills product (n,), dwell (n,) [kg s], totals FLOWS [kg, J], energies POWERS [J]; per step: states (k,) STATE (F is
    the outflow), screens and bridges (k, n), history (k,) BATCH_STEP. Returns the number of steps done: fewer than k
    where the batch jams or runs away (the last step ends as it does), or a step has no answer (the last but that).
    """
    mass, T_most = charge.copy(), runaway_temperature(m)
    part, time = np.empty_like(mass), np.empty_like(mass)
    gas = m.chamber_volume * air.air_density(m.T_room) * air.SPECIFIC_HEAT
    store = charge.sum() * m.specific_heat
    s.T = m.T_room if m.isothermal > 0.0 else (store * m.T_feed + gas * m.T_room) / (store + gas)
    s.lumped = 1.0
    T_casing, t = m.T_room, 0.0
    inner = m.inner_heat_transfer * m.inner_area
    step = np.zeros(1, FLOWS)
    p = work.powers[0]
    p.windage = p.bearings = p.shaft = 0.0
    for q in range(ends.size):
        end = freeze_up_to(m, grid, s, work, mass, T_casing, t, ends[q], T_most)
        h = end - t
        before = mass.sum()
        step[0] = np.zeros(1, FLOWS)[0]
        part[:], time[:] = 0.0, 0.0
        advance(m, grid, work, mass, h, part, time, step[0])
        if not np.isfinite(mass.sum() + s.T):
            if q:
                back_to(m, grid, s, work, states[q - 1], screens[q - 1], bridges[q - 1])
            return q
        product += part
        dwell += time
        add_flows(totals, step[0], 1.0)
        work.flows[0] = np.zeros(1, FLOWS)[0]
        add_flows(work.flows[0], step[0], 1.0 / h)
        shaft_power(m, s, work.flows[0], p)
        energies.windage += h * p.windage
        energies.bearings += h * p.bearings
        energies.shaft += h * p.shaft
        energies.plough += h * p.plough
        energies.layer_drive += h * p.layer_drive
        s.F = (before - mass.sum()) / h
        states[q] = s
        screens[q], bridges[q] = work.screen, work.bridge
        T_end = (inner * s.T + m.casing_heat_loss * m.T_room) / (inner + m.casing_heat_loss)
        T_casing = T_end + (T_casing - T_end) * exp(-h * (inner + m.casing_heat_loss) / m.casing_capacity)
        work.mass[:] = mass
        done = history[q]
        done.end, done.left, done.T, done.T_casing, done.shaft = end, mass.sum(), s.T, T_casing, p.shaft
        done.jam = max(overload_share(m, p.shaft, s.omega), jam_index(m, s, grid.x, work))
        done.chamber = before / chamber_capacity(m)
        s.omega = balanced_speed(m, p.shaft, s.omega)
        s.v = hammer_tip_speed(m, s.omega, p)
        if done.jam > most_jam or s.T >= T_most or end < ends[q]:
            return q + 1
        t = end
    return ends.size
