"""Rates and strengths of all size classes at once: what `chamber.size_rates` tells of one size, many times as fast.

What of a size does not depend on the state is tabulated once per mill, powers among it; what of a state does not depend
on the size is taken out of the loop; and in the loop is neither a branch nor a call of a library, so compiled code does
several classes at a time. Where a law needs no such help it is called. `tests/test_classes.py` holds every column to
1e-12 against the laws as they stand.
"""

from math import log, pi, sqrt

import numpy as np

from ..base.numerics.jit import law
from ..base.numerics.quick import quick_exp
from ..laws import air, cutting, heat, motion
from ..mill.chamber import (
    AIRBORNE,
    CONTACT,
    CUT_A,
    CUT_FROM,
    CUT_G,
    CUT_LEAST,
    CUT_ZONE,
    DUST_J,
    F_MAT,
    FINISHED,
    GRIP,
    GRIP_PAIR,
    N_RATES,
    NEVER,
    NIP,
    OPEN_HOLE,
    PAIR,
    PIN,
    SELF,
    SHEAR,
    STRIKE,
    THRESHOLD,
    WARMED,
    WASTED,
    WINDOW,
    XW_MIN,
    dust_of,
    open_to_pass,
)  # fmt: skip
from .obliquity import COS2
from .records import (
    ABOVE,
    BINS,
    BLOCK,
    BREAK,
    CHIP_J,
    DUST,
    DUSTS,
    ESCAPE,
    PIN_ABOVE,
    PIN_BREAK,
    PIN_SHATTER,
    SHATTER,
    SHRINK,
    SHRINKS,
    XI,
)  # fmt: skip

TAB = 14
(X, ROOT, DRAG, PER_X, PER_CUBE, PER_PIECE, FIRST, MEETS, GRIPS, GRIPS_PAIR, PASSES, LIFT, WINDOWS, DRIFT) = range(TAB)


def new_tab(n: int) -> np.ndarray:
    """Room for what `fill_tab` tabulates of n classes."""
    return np.empty(-(-n // BLOCK) * TAB * BLOCK)


@law
def fill_tab(m, edges, x, still, tab):
    """Tabulate what of each size does not depend on the state; still: as `chamber.fill_still` left it.

    Roots, powers and reciprocals of the size, threshold, chances at a pin, in its nip, at a hole and in the air, pieces
    per meeting of bar and pin and kg, and how fast a class is shrunk through.
    """
    tab[:] = 1.0
    for i in range(x.size):
        size, at = x[i], (i // BLOCK) * TAB * BLOCK + i % BLOCK
        piece = m.density * pi / 6.0 * size**3
        pin = motion.pin_share(m.n_pins, m.d_pin, size, m.R_stator) if m.n_pins > 0.0 else 0.0
        tab[at + X * BLOCK], tab[at + ROOT * BLOCK], tab[at + DRAG * BLOCK] = size, sqrt(size), size**motion.DRAG_POWER
        tab[at + PER_X * BLOCK], tab[at + PER_PIECE * BLOCK] = 1.0 / size, 1.0 / piece
        tab[at + PER_CUBE * BLOCK] = 1.0 / (m.density * size**3)
        tab[at + FIRST * BLOCK], tab[at + MEETS * BLOCK] = still[i, THRESHOLD], pin
        tab[at + GRIPS * BLOCK] = pin * still[i, GRIP]
        tab[at + GRIPS_PAIR * BLOCK] = pin * still[i, GRIP_PAIR] * m.bridge_grip
        tab[at + PASSES * BLOCK] = still[i, OPEN_HOLE]
        tab[at + LIFT * BLOCK] = max(0.0, 1.0 - m.shape * size / m.hole) ** 2
        tab[at + DRIFT * BLOCK] = -1.0 / (3.0 * log(edges[i + 1] / edges[i]))
        tab[at + WINDOWS * BLOCK] = (
            (1.0 - m.layer_speed_ratio) * (m.d_pin + size) / (2.0 * pi * m.R_stator) / piece * (m.face / m.H)
        )


@law
def fill_classes(m, s, k, flight, grid, work):
    """Fill work.table, work.escape and work.strikes, these as if nothing broke or chipped, from a frozen state.

    k, flight: of the state, as `strike_energies` and `strikes.flight_of` tell them.
    """
    open_, columns, table, strikes = open_to_pass(m, s), work.columns, work.table, work.strikes
    for first in range(0, grid.x.size, BLOCK):
        count = min(BLOCK, grid.x.size - first)
        row = first // BLOCK * TAB * BLOCK
        _fill_strikes(m, s, k, grid.tab, work.ages, first, count, open_, columns)
        _fill_strengths(m, flight, grid.tab, row, count, columns)
        if m.swinging > 0.0:
            _swing_back(m, s, grid.tab, row, count, columns)
        for i in range(count):
            for column in range(N_RATES):
                table[first + i, column] = columns[column * BLOCK + i]
            work.escape[first + i] = columns[ESCAPE * BLOCK + i]
            for b in range(BINS):
                strikes[first + i, b, XI] = strikes[first + i, b, CHIP_J] = 0.0
                strikes[first + i, b, BREAK] = strikes[first + i, b, SHATTER] = strikes[first + i, b, ABOVE] = 0.0
                strikes[first + i, b, PIN_BREAK] = strikes[first + i, b, PIN_SHATTER] = 0.0
                strikes[first + i, b, PIN_ABOVE] = 0.0
                strikes[first + i, b, DUST] = columns[(DUSTS + b) * BLOCK + i]
                strikes[first + i, b, SHRINK] = columns[(SHRINKS + b) * BLOCK + i]


@law
def _fill_strikes(m, s, k, tab, ages, first, count, open_, out):
    """Fill the columns of a block for what a piece meets: strikes, pins, wall, air, nips; how warm it is.

    In these loops all that is the same for all sizes is taken out of the records first: what is stored might otherwise
    be them. What is not known yet stands in for what is to come: of NIP the share that stands out is missing, and SHEAR
    is the temperature.
    """
    gap, loose, exposed, passes = m.gap, m.scatter_depth + k.depth, k.exposed, k.passes
    v_bar = (1.0 - m.layer_speed_ratio) * s.v
    Re_per_m = k.rho_air * v_bar / k.mu_air
    drag_per = 0.15 * Re_per_m**motion.DRAG_POWER
    stop = 4.0 * m.density / (3.0 * k.rho_air * v_bar)  # s per metre of piece over its drag coefficient
    face, d_pin, v_throw, pins = m.face, m.d_pin, k.v_throw, m.n_pins > 0.0
    film_still, film_moved = _film(m, k, Re_per_m)
    density, specific_heat, conductivity = m.density, m.specific_heat, m.conductivity
    heat_bar, heat_pin, apart = k.heat_bar, k.heat_pin, 0.0 if s.lumped > 0.0 else 1.0
    T_feed, T_chamber = m.T_feed, s.T
    contacts, lifted = m.sieve_share * m.wall_contacts, exposed * s.Q / m.chamber_volume
    row = first // BLOCK * TAB * BLOCK
    for i in range(count):
        at = row + i
        x = tab[at + X * BLOCK]
        engaged = exposed * quick_exp(-gap / (loose + x))
        reach, Re = passes * engaged, Re_per_m * x
        drag = 24.0 / Re * (1.0 + drag_per * tab[at + DRAG * BLOCK]) if Re < 1000.0 else 0.44
        tau = stop * x / drag
        hits_bar = motion.impact_efficiency(tau, v_bar, face)
        strike = reach * hits_bar
        pin = tab[at + MEETS * BLOCK] * (exposed * motion.impact_efficiency(tau, v_throw, d_pin)) if pins else 0.0
        film = (film_still + film_moved * tab[at + ROOT * BLOCK]) * tab[at + PER_X * BLOCK]
        t_warm = apart * heat.warming_time(x, density, specific_heat, conductivity, film)
        warmed = heat.warmed_share(t_warm, ages[first + i]) if apart > 0.0 else 1.0
        own = apart * heat.self_heating(strike * (heat_bar + pin * heat_pin), density, x, film)
        airborne = lifted * (1.0 - hits_bar) * tab[at + LIFT * BLOCK]
        out[STRIKE * BLOCK + i], out[PIN * BLOCK + i] = strike, pin
        out[WARMED * BLOCK + i], out[SELF * BLOCK + i] = warmed, own
        out[SHEAR * BLOCK + i] = T_feed + (T_chamber + own - T_feed) * warmed
        out[CONTACT * BLOCK + i], out[AIRBORNE * BLOCK + i] = contacts * strike, airborne
        out[ESCAPE * BLOCK + i] = contacts * strike * open_ * tab[at + PASSES * BLOCK] + airborne
        out[NIP * BLOCK + i], out[PAIR * BLOCK + i] = (
            reach * tab[at + GRIPS * BLOCK],
            reach * tab[at + GRIPS_PAIR * BLOCK],
        )
        out[FINISHED * BLOCK + i], out[WASTED * BLOCK + i] = 1.0, 0.0
        out[WINDOW * BLOCK + i] = engaged * tab[at + WINDOWS * BLOCK]


@law
def _fill_strengths(m, flight, tab, row, count, out):
    """Fill the columns of a block for what pieces as warm as that withstand: hits, edges, rubbing, bites."""
    gap, density, T_warm, T_cold = m.gap, m.density, m.temperature_warm, m.temperature_cold
    f_mat_warm, f_mat_log = m.rate_multiplier * m.f_mat_warm, log(m.f_mat_cold / m.f_mat_warm)
    xw_warm, xw_log = m.xw_min_warm, log(m.xw_min_cold / m.xw_min_warm)
    G_warm, Y, slope = m.fracture_energy, m.yield_stress, m.yield_slope
    crack_ratio, modulus, edge_radius, plough_factor = m.crack_ratio, m.modulus, m.edge_radius, m.plough_factor
    plough_ratio, cut_factor, fines_half = m.plough_ratio, m.cut_factor, 0.5 * m.fines_limit
    per_stiffness = 1.0 / m.pin_stiffness if m.pin_stiffness > 0.0 else 0.0
    pin_force, run_out = m.pin_force, m.run_out
    slow, fast = flight.idle + flight.throw * COS2[0], flight.idle + flight.throw * COS2[1]
    pin_rub, layer, attrition = flight.pin_rub, flight.layer, m.attrition_share
    for i in range(count):
        at = row + i
        x, T = tab[at + X * BLOCK], out[SHEAR * BLOCK + i]
        share = min((T_warm - min(T, T_warm + 40.0)) / (T_warm - T_cold), 1.0)
        f_mat, xw_softer = f_mat_warm * quick_exp(share * f_mat_log), quick_exp(share * xw_log)
        xw_min = xw_warm * xw_softer * tab[at + FIRST * BLOCK]
        sigma, G_c = cutting.yield_at(Y, slope, max(T, T_cold), T_warm), G_warm * xw_softer
        zone = cutting.process_zone(crack_ratio, modulus, G_c, sigma)
        r = min(edge_radius, zone)
        least, surface = plough_ratio * r, cutting.separation_energy(G_c, plough_factor, sigma, r)
        chip = cutting.chip_energy(least, cut_factor * sigma, zone, surface) * tab[at + PER_CUBE * BLOCK]
        wider = gap + min(cutting.shear_force(sigma, x), pin_force) * per_stiffness
        dust_J = cutting.cutting_energy(cut_factor, sigma, G_c, fines_half, density)
        rub, drift = 1.0 - out[PIN * BLOCK + i] * pin_rub, tab[at + DRIFT * BLOCK]
        dust_slow, dust_fast = (
            dust_of(attrition, dust_J, slow * rub - layer), dust_of(attrition, dust_J, fast * rub - layer)
        )  # fmt: skip
        out[F_MAT * BLOCK + i], out[XW_MIN * BLOCK + i] = f_mat, xw_min
        out[CUT_A * BLOCK + i], out[CUT_G * BLOCK + i] = cut_factor * sigma, surface
        out[CUT_ZONE * BLOCK + i], out[CUT_LEAST * BLOCK + i] = zone, least
        out[CUT_FROM * BLOCK + i] = chip if least <= 0.25 * x else NEVER
        out[DUST_J * BLOCK + i] = dust_J
        out[DUSTS * BLOCK + i], out[(DUSTS + 1) * BLOCK + i] = dust_slow, dust_fast
        out[SHRINKS * BLOCK + i] = drift * cutting.log_left(dust_slow)
        out[(SHRINKS + 1) * BLOCK + i] = drift * cutting.log_left(dust_fast)
        out[SHEAR * BLOCK + i] = cutting.shear_energy(sigma, density, x, f_mat, xw_min)
        out[NIP * BLOCK + i] *= cutting.overlap_share(x, wider, run_out)


@law
def _film(m, k, Re_per_m):
    """Heat transfer times the size of a piece: in still air, and what a root of the size adds [W/(m K)]."""
    still = m.film_factor * heat.film_coefficient(1.0, 0.0, k.rho_air, k.mu_air, air.CONDUCTIVITY, air.PRANDTL)
    v = Re_per_m * k.mu_air / k.rho_air
    moved = m.film_factor * heat.film_coefficient(1.0, v, k.rho_air, k.mu_air, air.CONDUCTIVITY, air.PRANDTL)
    return still, moved - still


@law
def _swing_back(m, s, tab, row, count, out):
    """Give the columns of a nip what hammers that lie back make of them, as in `chamber.fill_nip`."""
    laid, energy = (s.v / (s.omega * m.R)) ** 2, cutting.hammer_energy(m.hammer_mass, s.v)
    for i in range(count):
        given, shear = energy * tab[row + PER_PIECE * BLOCK + i], out[SHEAR * BLOCK + i]
        out[NIP * BLOCK + i], out[PAIR * BLOCK + i] = out[NIP * BLOCK + i] * laid, out[PAIR * BLOCK + i] * laid
        out[FINISHED * BLOCK + i] = cutting.hammer_bite(given, shear)
        out[WASTED * BLOCK + i] = min(given, shear)
