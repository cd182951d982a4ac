"""The chamber with discrete pieces: feed arrives at random, bars bite one piece at a time, the rotor slows.

Pieces larger than a third of the feed are followed one by one; what is finer is a powder pool with the mean
rates of the balance. Time goes in steps of one bar spacing. The rotor speed is a state: strikes and bites take
energy from it, the motor gives power by its speed curve, up to its overload. Below STALL of the no-load speed
the mill has stalled. Many histories give the stall probability with an exact binomial interval.
"""

from math import exp, log, pi

import numpy as np
from numba import prange

from .chamber import C_EXPONENT, CURVE_POINTS, F_MAT, N_RATES, NIP, PIN, SHEAR, STRIKE, XW_MIN, piece_strength
from .histories import look_up
from .jit import law, parallel_kernel
from .laws import breakage, cutting, motion
from .operate import idle_power
from .rng import start, uniform

STALL = 0.3  # share of the no-load speed below which a motor of this class no longer recovers (assumed)
MOST_PIECES = 4000
FRAGMENT_BINS = 8
TRACE_COLUMNS = 5  # time, mean torque, peak torque, speed, pieces


@law
def motor_power(m, omega):
    """Shaft power [W] the motor gives at this speed: the speed curve read backwards, at most the overload."""
    i = 0
    while i < CURVE_POINTS - 2 and omega < m.curve_speed[i + 1]:
        i += 1
    fall = m.curve_speed[i] - m.curve_speed[i + 1]
    if fall <= 0.0:
        return m.overload * m.rated_power if omega < m.omega_0 else 0.0
    P = m.curve_power[i] + (m.curve_speed[i] - omega) / fall * (m.curve_power[i + 1] - m.curve_power[i])
    return min(max(P, 0.0), m.overload * m.rated_power)


@law
def fragments(m, x, q, x_least, stream, n, out):
    """Draw the pieces above x_least that a piece x breaks into; the rest of the mass is powder.

    Each of FRAGMENT_BINS size bins gets its expected number, rounded at random; a draw that exceeds the mass of
    the parent is drawn again. Fills out with sizes; returns (how many, draws used).
    """
    width = log(x / x_least) / FRAGMENT_BINS
    h_x = breakage.daughter_weight(x, q, m.fines_limit)
    for _ in range(20):
        count, volume = 0, 0.0
        for b in range(FRAGMENT_BINS):
            low, high = x_least * exp(b * width), x_least * exp((b + 1) * width)
            share = exp(breakage.daughter_weight(high, q, m.fines_limit) - h_x)
            share -= exp(breakage.daughter_weight(low, q, m.fines_limit) - h_x)
            y = (low * high) ** 0.5
            expected = share * (x / y) ** 3
            number = int(expected)
            if uniform(stream, n) < expected - number:
                number += 1
            n += 1
            for _ in range(number):
                if count < out.size:
                    out[count] = y
                    count += 1
                    volume += y**3
        if volume <= x**3:
            return count, n
    return 0, n


@law
def _bites(m, table, ln_low, step, sizes, count, sites, ratio, dt, stream, n, row):
    """Let pieces fall into nips for one step; sites[i] becomes the index of the largest piece in nip i, or -1."""
    for i in range(sites.size):
        sites[i] = -1
    for j in range(count):
        if sizes[j] <= m.gap:
            continue
        look_up(table, ln_low, step, log(sizes[j]), row)
        bite = bite_chance(m, sizes[j])
        if bite > 0.0 and uniform(stream, n) < row[NIP] / bite * ratio * dt:
            site = int(uniform(stream, n + 1) * sites.size)
            if sites[site] < 0 or sizes[j] > sizes[sites[site]]:
                sites[site] = j
        n += 2
    return n


@law
def bite_chance(m, x):
    """Chance that an edge bites a piece that is in its nip (grip and overlap)."""
    angle = cutting.nip_angle(0.5 * m.t_bar, 0.5 * m.d_pin, m.gap, x)
    return cutting.bite_probability(angle, m.bite_friction, m.nip_width) * cutting.overlap_share(x, m.gap)


@law
def _hit(m, k, row, x, v, stream, n):
    """One strike at tip speed v: (work J/kg, broken, daughter exponent, draws)."""
    c = uniform(stream, n) ** C_EXPONENT
    work = motion.bar_work(v, k.kappa, k.e_bar, c)
    if uniform(stream, n + 1) < breakage.breakage_probability(
        x, motion.bar_energy(v, k.kappa, c), row[F_MAT], row[XW_MIN]
    ):
        return work, True, k.q_bar, n + 2
    if uniform(stream, n + 2) < row[PIN]:
        W = motion.thrown_energy(v, k.kappa, k.e_bar, c) * k.survive * (1.0 - uniform(stream, n + 3) ** 2)
        if uniform(stream, n + 4) < breakage.breakage_probability(x, W, row[F_MAT], row[XW_MIN]):
            return work, True, k.q_pin, n + 5
    return work, False, k.q_bar, n + 5


@law
def reach_ratio(m, s, M, omega, x):
    """Strikes per second at charge M and speed omega over those of the tabulated state s, for pieces x."""
    bulk = m.density * m.bulk_fraction
    now = motion.layer_depth(M, bulk, m.R_stator, m.H)
    then = motion.layer_depth(s.M, bulk, m.R_stator, m.H)
    ratio = motion.exposure(now, m.scatter_depth) / motion.exposure(then, m.scatter_depth)
    ratio *= motion.engagement(m.gap, now, m.scatter_depth, x) / motion.engagement(m.gap, then, m.scatter_depth, x)
    return ratio * omega / s.omega


@law
def _work_on_pieces(
    m, k, table, ln_low, step, sizes, count, sites, ratio, dt, v, sigma, x_least, stream, n, new, row
):
    """Bite and strike every piece once; returns (count, mass lost to powder, work [J], peak torque, draws).

    From the last piece to the first: a broken one is replaced by the last, fragments join behind.
    """
    lost = work = peak = 0.0
    piece_mass = m.density * pi / 6.0
    for j in range(count - 1, -1, -1):
        x = sizes[j]
        mass = piece_mass * x**3
        look_up(table, ln_low, step, log(x), row)
        broken, q = False, m.nip_exponent
        for i in range(sites.size):
            if sites[i] == j and uniform(stream, n + i) < bite_chance(m, x):
                energy = row[SHEAR] * mass
                given = energy if m.swinging <= 0.0 else min(energy, cutting.hammer_energy(m.hammer_mass, v))
                work += given
                peak = max(peak, cutting.shear_force(sigma, x) * m.R)
                broken = given >= energy
        n += sites.size
        if not broken and uniform(stream, n) < 1.0 - exp(-row[STRIKE] * ratio * dt):
            specific, broken, q, n = _hit(m, k, row, x, v, stream, n + 1)
            work += specific * mass
        n += 1
        if broken:
            pieces, n = fragments(m, x, q, x_least, stream, n, new)
            count -= 1
            sizes[j] = sizes[count]
            lost += mass
            for i in range(min(pieces, MOST_PIECES - count)):
                sizes[count] = new[i]
                lost -= piece_mass * new[i] ** 3
                count += 1
    return count, lost, work, peak, n


@law
def follow_pieces(m, s, k, table, ln_low, step, arrivals, feed_x, powder, seconds, stream, trace):
    """One history from empty at no-load speed; returns (stalled, time of stall or end).

    arrivals (c,): cumulative pieces per second by feed size feed_x (c,), zero-width beyond the last;
    powder: (x_least, exit rate 1/s, striking power W/kg of the pool in state s).
    trace (k, TRACE_COLUMNS) is filled at even times; a stalled history ends early and holds its last values.
    """
    x_least, exit_rate, pool_power = powder[0], powder[1], powder[2]
    sizes, new = np.empty(MOST_PIECES), np.empty(256)
    sites = np.empty(max(1, int(m.n_pins)), np.int64)
    row = np.empty(N_RATES)
    _, _, _, sigma = piece_strength(m, s, m.feed_size)
    piece_mass = m.density * pi / 6.0
    count, pool, coarse, n, t = 0, 0.0, 0.0, 1, 0.0
    omega, next_piece = m.omega_0, -log(uniform(stream, 0)) / arrivals[-1]
    every, filled, impulse, peak, since = seconds / trace.shape[0], 0, 0.0, 0.0, 0.0
    while t < seconds:
        dt = 2.0 * pi / (m.n_bars * omega)
        t += dt
        while next_piece < t:
            u = uniform(stream, n) * arrivals[-1]
            if count < MOST_PIECES:
                sizes[count] = feed_x[np.searchsorted(arrivals, u)]
                coarse += piece_mass * sizes[count] ** 3
                count += 1
            next_piece -= log(uniform(stream, n + 1)) / arrivals[-1]
            n += 2
        M, v = pool + coarse + 1e-9, omega * m.R
        ratio = reach_ratio(m, s, M, omega, m.feed_size)
        windage, bearings = idle_power(m, omega, s.T)
        drawn = (windage + bearings + pool * pool_power * ratio * (omega / s.omega) ** 2) * dt
        n = _bites(m, table, ln_low, step, sizes, count, sites, ratio, dt, stream, n, row)
        count, lost, work, most, n = _work_on_pieces(
            m, k, table, ln_low, step, sizes, count, sites, ratio, dt, v, sigma, x_least, stream, n, new, row
        )
        coarse -= lost
        pool += lost
        drawn += work
        peak = max(peak, most)
        pool *= exp(-exit_rate * dt)
        energy = 0.5 * m.inertia * omega * omega + motor_power(m, omega) * dt - drawn
        impulse += drawn / omega
        peak = max(peak, drawn / omega / dt)
        since += dt
        omega = (2.0 * max(energy, 0.0) / m.inertia) ** 0.5
        while filled < trace.shape[0] and t >= (filled + 1) * every:
            trace[filled, 0], trace[filled, 1], trace[filled, 2] = (filled + 1) * every, impulse / since, peak
            trace[filled, 3], trace[filled, 4] = omega, count
            filled, impulse, peak, since = filled + 1, 1e-300, 0.0, 1e-300
        if omega < STALL * m.omega_0:
            for i in range(filled, trace.shape[0]):
                trace[i, 0], trace[i, 1], trace[i, 2] = (i + 1) * every, 0.0, 0.0
                trace[i, 3], trace[i, 4] = 0.0, count
            return True, t
    return False, t


@parallel_kernel
def run_pieces(m, s, k, table, ln_low, step, arrivals, feed_x, powder, seconds, seed, first, traces, stalled):
    """Run traces.shape[0] histories, numbered from first; fills traces (runs, k, TRACE_COLUMNS) and stalled (runs,)."""
    for r in prange(traces.shape[0]):
        stream = start(seed, first + r, 1)
        stopped, _ = follow_pieces(
            m[0], s[0], k[0], table, ln_low, step, arrivals, feed_x, powder, seconds, stream, traces[r]
        )
        stalled[r] = 1.0 if stopped else 0.0
