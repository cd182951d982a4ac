"""The chamber with discrete pieces: feed arrives at random, bars bite one piece at a time, the rotor slows.

A history begins empty at no-load speed, or with a charge, as a steady mill has it.
Pieces larger than SMALLEST_FOLLOWED of the feed are followed one by one; what is finer is a powder pool with the mean
rates of the balance. Time goes in steps of one bar spacing. The rotor speed is a state: strikes and bites take
energy from it, the motor gives power by its speed curve, up to its overload. Below STALL of the no-load speed
the mill has stalled; a full chamber counts the same. Many histories give the probability of it.
"""

from math import exp, log, pi

import numpy as np
from numba import prange

from ..base.numerics.jit import law, parallel_kernel, routine
from ..base.numerics.rng import start, uniform
from ..laws import breakage, cutting, motion
from ..mill.chamber import (
    AIRBORNE,
    C_EXPONENT,
    CONTACT,
    CURVE_POINTS,
    CUT_A,
    F_MAT,
    FINISHED,
    N_RATES,
    NIP,
    PAIR,
    PIN,
    SHEAR,
    STRIKE,
    WASTED,
    XW_MIN,
    grip,
    idle_power,
    open_to_pass,
    pass_open_hole,
)  # fmt: skip
from .bites import prop_weight
from .hits import look_up
from .loads import chamber_capacity
from .settle import plough_power

STALL = 0.3  # share of the no-load speed below which a motor of this class no longer recovers (assumed)
MOST_PIECES = 12000
# Columns of a piece; rates [1/s] in the tabulated state.
SIZE, MASS, STRIKES_S, ESCAPE_S, NIPS_S, BITE, PROP, FINISH, SHEAR_J, WASTED_J, FORCE, BITTEN = range(12)
PIECE_COLUMNS = 12
NIPPED = -1.0  # stands for the shatter share where a piece is sheared in a nip
FRAGMENT_BINS = 8
CALM, HALVINGS = 0.5, 40  # steps over the motor's time from which its answer is sought at the end of a step
TRACE_COLUMNS = 6  # time, mean torque, peak torque, speed, pieces, charge
STALLED, FULL, TOO_MANY = 1, 2, 3  # how a history may end; 0: it ran to its end
END, WATCHED, ARRIVED = range(3)  # what is kept of a history: how it ended, seconds until then, pieces that came
END_COLUMNS = 3


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
def motor_response(m):
    """How fast the motor brings the rotor back to its speed [1/s]: the steepest part of its curve, over I omega."""
    most = 0.0
    for i in range(CURVE_POINTS - 1):
        fall = m.curve_speed[i] - m.curve_speed[i + 1]
        if fall > 0.0 and m.curve_speed[i + 1] > 0.0:
            slope = (m.curve_power[i + 1] - m.curve_power[i]) / fall
            most = max(most, slope / (m.inertia * m.curve_speed[i + 1]))
    return most


@law
def turned(m, omega, drawn, dt, stiff):
    """Rotor speed [rad/s] after a step in which the chamber took `drawn` [J].

    stiff: the motor answers within the step, as with a light rotor: then its power is that at the end of the step,
    found by halving, since with that of the beginning the speed would swing about without end.
    """
    energy = 0.5 * m.inertia * omega * omega
    if not stiff:
        energy = energy + motor_power(m, omega) * dt - drawn
        return (2.0 * max(energy, 0.0) / m.inertia) ** 0.5
    low, high = 0.0, m.omega_0
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        if 0.5 * m.inertia * middle * middle > energy + motor_power(m, middle) * dt - drawn:
            high = middle
        else:
            low = middle
    return high


@law
def fragments(m, x, shattered, x_least, u, out):
    """Draw the pieces above x_least that a piece x breaks into; the rest of the mass is powder.

    shattered: share of such fractures that shatter, or NIPPED. Each of FRAGMENT_BINS size bins gets its expected
    number, all rounded with one draw u (systematic sampling), so the mean mass of every bin is that of the law. One
    draw may hold a little more or less than the parent: the powder pool lends and takes the difference. Fills out;
    returns how many.
    """
    width = log(x / x_least) / FRAGMENT_BINS
    phi = breakage.fines_share(x, m.fines_thickness)
    split = m.nip_exponent if shattered == NIPPED else m.split_exponent
    w = max(0.0, shattered)
    count, total, below = 0, u, 0.0
    for b in range(-1, FRAGMENT_BINS):
        high = x_least * exp((b + 1) * width)
        upto = breakage.finer_share(
            high, x, phi, w, split, m.daughter_exponent, m.fragment_floor, m.fines_exponent, m.fines_limit
        )
        if b >= 0:
            y = x_least * exp((b + 0.5) * width)
            before = int(total)
            total += (upto - below) * (x / y) ** 3
            for _ in range(int(total) - before):
                if count < out.size:
                    out[count] = y
                    count += 1
        below = upto
    return count


@law
def add_piece(m, s, rates, x, pieces, count, row):
    """Append a piece of size x with its rates in the tabulated state; returns the new count."""
    look_up(rates, log(x), row)
    piece = pieces[count]
    mass = m.density * pi / 6.0 * x**3
    piece[SIZE], piece[MASS], piece[STRIKES_S], piece[BITTEN] = x, mass, row[STRIKE], 0.0
    piece[ESCAPE_S] = row[CONTACT] * open_to_pass(m, s) * pass_open_hole(m, x) + row[AIRBORNE]
    piece[PROP] = grip(m, 2.0 * x) * m.bridge_grip
    piece[NIPS_S] = row[PAIR] / piece[PROP] if piece[PROP] > 0.0 else 0.0  # meetings of bar and pin
    piece[BITE] = row[NIP] / piece[NIPS_S] if piece[NIPS_S] > 0.0 else 0.0
    piece[FINISH], piece[SHEAR_J], piece[WASTED_J] = row[FINISHED], row[SHEAR] * mass, row[WASTED] * mass
    piece[FORCE] = cutting.shear_force(row[CUT_A] / m.cut_factor, x)
    return count + 1


@law
def mark_bitten(m, pieces, count, sites, factor, stream, n):
    """Let pieces fall into nips for one step; mark the largest of each nip, and the second largest, if they are bitten.

    The largest is bitten as far as it stands out of the gap by itself, the second as far as the largest props it.
    factor: seconds of the step times the reach ratio; sites (2, nips): work array. Returns the draws.
    """
    sites[:] = -1
    for j in range(count):
        if pieces[j, NIPS_S] > 0.0:
            if uniform(stream, n) < pieces[j, NIPS_S] * factor:
                at = int(uniform(stream, n + 1) * sites.shape[1])
                first, second = sites[0, at], sites[1, at]
                if first < 0 or pieces[j, SIZE] > pieces[first, SIZE]:
                    sites[0, at], sites[1, at] = j, first
                elif second < 0 or pieces[j, SIZE] > pieces[second, SIZE]:
                    sites[1, at] = j
            n += 2
    for i in range(sites.shape[1]):
        first, second = sites[0, i], sites[1, i]
        if first >= 0 and uniform(stream, n + 2 * i) < pieces[first, BITE]:
            pieces[first, BITTEN] = 1.0
        if second >= 0:
            x = pieces[second, SIZE]
            both = pieces[first, SIZE] + x
            stands = min(1.0, max(0.0, (both - m.gap) / x)) * min(1.0, both / m.face)  # and in line along the bar
            stands *= prop_weight(pieces[first, SIZE], m.gap)
            if uniform(stream, n + 2 * i + 1) < pieces[second, PROP] * stands:
                pieces[second, BITTEN] = 1.0
    return n + 2 * sites.shape[1]


@law
def _hit(m, k, row, x, v, stream, n):
    """One strike at tip speed v: (work J/kg, broken, share that shatters, draws)."""
    c = uniform(stream, n) ** C_EXPONENT
    work, W = motion.bar_work(v, k.kappa, k.e_bar, c), motion.bar_energy(v, k.kappa, c)
    if uniform(stream, n + 1) < breakage.breakage_probability(x, W, row[F_MAT], row[XW_MIN]):
        return work, True, breakage.shatter_share(m.shatter_slope, row[F_MAT] * (x * W - row[XW_MIN])), n + 2
    if uniform(stream, n + 2) < row[PIN]:
        W = motion.thrown_energy(v, k.kappa, k.e_bar, c) * k.survive * (1.0 - uniform(stream, n + 3) ** 2)
        if uniform(stream, n + 4) < breakage.breakage_probability(x, W, row[F_MAT], row[XW_MIN]):
            return work, True, breakage.shatter_share(m.shatter_slope, row[F_MAT] * (x * W - row[XW_MIN])), n + 5
    return work, False, 0.0, n + 5


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
def work_on_pieces(m, s, k, rates, pieces, count, factor, v, x_least, stream, n, new, row):
    """Bite the marked pieces, strike the others, let some out.

    Returns (count, mass lost to powder, mass out, work [J], peak torque, draws). From the last piece to the first: a
    broken one is replaced by the last, fragments join behind. factor: seconds of the step times the reach ratio.
    """
    lost = out = work = peak = 0.0
    for j in range(count - 1, -1, -1):
        piece = pieces[j]
        x, mass, broken, gone, shattered = piece[SIZE], piece[MASS], False, False, NIPPED
        pick = uniform(stream, n)
        n += 1
        if piece[BITTEN] > 0.0:
            piece[BITTEN] = 0.0
            broken = pick < piece[FINISH]
            work += piece[SHEAR_J] if broken else piece[WASTED_J]
            peak = max(peak, piece[FORCE] * m.R)
        elif pick < 1.0 - exp(-piece[STRIKES_S] * factor):
            look_up(rates, log(x), row)
            specific, broken, shattered, n = _hit(m, k, row, x, v, stream, n)
            work += specific * mass
        else:
            gone = uniform(stream, n) < 1.0 - exp(-piece[ESCAPE_S] * factor)
            n += 1
        if broken or gone:
            count -= 1
            for c in range(pieces.shape[1]):  # to assign a slice costs two seconds of compiling
                piece[c] = pieces[count, c]
        if gone:
            out += mass
        if broken:
            found = fragments(m, x, shattered, x_least, uniform(stream, n), new)
            n += 1
            lost += mass
            for i in range(min(found, MOST_PIECES - count)):
                lost -= m.density * pi / 6.0 * new[i] ** 3
                count = add_piece(m, s, rates, new[i], pieces, count, row)
    return count, lost, out, work, peak, n


@law
def feeding(arrivals, t):
    """How long [s] an even feed would take for what has been fed by time t: t itself, or that of handfuls."""
    if arrivals.every <= 0.0:
        return t
    handfuls = int(t / arrivals.every)
    return arrivals.every * (handfuls + min(1.0, (t - handfuls * arrivals.every) / arrivals.pour))


@law
def arrive(m, s, rates, arrivals, t, next_piece, pieces, count, stream, n, row):
    """Let the pieces due by time t of an even feed fall in; returns (time of the next, count, mass [kg], draws)."""
    mass = 0.0
    while next_piece < t and count < MOST_PIECES:
        x = arrivals.x[np.searchsorted(arrivals.rates, uniform(stream, n) * arrivals.rates[-1])]
        count = add_piece(m, s, rates, x, pieces, count, row)
        mass += pieces[count - 1, MASS]
        next_piece -= log(uniform(stream, n + 1)) / arrivals.rates[-1]
        n += 2
    return next_piece, count, mass, n


@law
def begin(m, s, rates, sizes, charge, u, pieces, row):
    """Put the pieces of a charge in; returns (count, mass [kg]).

    All sizes are rounded with one draw u (systematic sampling), so their mean number is that of the charge.
    """
    total, mass = u, 0.0
    count = int(mass)  # as in `follow_pieces`
    for i in range(sizes.size):
        before = int(total)
        total += charge[i]
        for _ in range(int(total) - before):
            if count < MOST_PIECES:
                count = add_piece(m, s, rates, sizes[i], pieces, count, row)
                mass += pieces[count - 1, MASS]
    return count, mass


@law
def record(trace, filled, upto, impulse, seconds, peak, omega, count, charge):
    """Fill trace rows up to `upto`: time, mean and peak torque, speed, pieces, charge."""
    every = trace[0, 0]
    for i in range(filled, upto):
        trace[i, 0] = (i + 1) * every
        trace[i, 1], trace[i, 2], trace[i, 3] = impulse / seconds, peak, omega
        trace[i, 4], trace[i, 5] = count, charge


@routine
def follow_pieces(m, s, k, rates, arrivals, powder, charge, seconds, stream, trace):
    """One history from a charge; returns (0 or how it ended, seconds until then, pieces that came).

    rates: Rates of state s; arrivals, powder: what falls in. trace (k, TRACE_COLUMNS) is filled at even times.
    """
    pieces, new, row = np.empty((MOST_PIECES, PIECE_COLUMNS)), np.empty(256), np.empty(N_RATES)
    sites = np.empty((2, max(1, int(m.n_pins))), np.int64)
    full = chamber_capacity(m)
    pool, t, omega, arrived = charge.powder, 0.0, charge.omega, 0
    n = 2 + int(t)  # a plain 2 would be a type of its own, and `arrive` compiled once more for it
    count, coarse = begin(m, s, rates, arrivals.x, charge.pieces, uniform(stream, 1), pieces, row)
    next_piece = -log(uniform(stream, 0)) / arrivals.rates[-1]
    trace[:, 0], stiff = seconds / trace.shape[0], motor_response(m)
    filled, impulse, peak, since = 0, 0.0, 0.0, 0.0
    fed = 0.0
    while t < seconds:
        dt = 2.0 * pi / (m.turn_bars * omega)
        t += dt
        before, due = count, feeding(arrivals, t)
        next_piece, count, mass, n = arrive(m, s, rates, arrivals, due, next_piece, pieces, count, stream, n, row)
        arrived += count - before
        coarse, pool = coarse + mass, pool + (powder.fed * dt if arrivals.every <= 0.0 else powder.fed * (due - fed))
        fed = due
        ratio = reach_ratio(m, s, pool + coarse, omega, m.feed_size)
        windage, bearings = idle_power(m, omega, s.T)
        drawn = (windage + bearings + max(0.0, pool) * powder.striking * ratio * (omega / s.omega) ** 2) * dt
        drawn += plough_power(m, max(0.0, pool + coarse), omega, omega * m.R) * dt
        n = mark_bitten(m, pieces, count, sites, ratio * dt, stream, n)
        count, lost, out, work, torque, n = work_on_pieces(
            m, s, k, rates, pieces, count, ratio * dt, omega * s.v / s.omega, powder.x_least, stream, n, new, row
        )
        coarse, drawn = coarse - lost - out, drawn + work
        pool = (pool + lost) * exp(-powder.exit_rate * ratio * dt)
        impulse, since = impulse + drawn / omega, since + dt
        peak = max(peak, max(torque, drawn / omega / dt))
        omega = turned(m, omega, drawn, dt, stiff * dt > CALM)
        upto = min(trace.shape[0], int(t / seconds * trace.shape[0]))
        if upto > filled:
            record(trace, filled, upto, impulse, since, peak, omega, count, pool + coarse)
            filled, impulse, peak, since = upto, 0.0, 0.0, 0.0
        if omega < STALL * m.omega_0 or pool + coarse > full or count >= MOST_PIECES:
            record(trace, filled, trace.shape[0], 0.0, 1.0, 0.0, 0.0, count, pool + coarse)
            return STALLED if omega < STALL * m.omega_0 else FULL if pool + coarse > full else TOO_MANY, t, arrived
    record(trace, filled, trace.shape[0], impulse, max(since, 1e-9), peak, omega, count, pool + coarse)
    return 0, t, arrived


@parallel_kernel
def run_pieces(m, s, k, rates, arrivals, powder, charge, seconds, seed, first, traces, ends):
    """Run traces.shape[0] histories from a charge, numbered from first.

    Fills traces (runs, k, TRACE_COLUMNS) and ends (runs, END_COLUMNS).
    """
    for r in prange(traces.shape[0]):
        stream = start(seed, first + r, 1)
        end, watched, arrived = follow_pieces(
            m[0], s[0], k[0], rates, arrivals, powder, charge, seconds, stream, traces[r]
        )
        ends[r, END], ends[r, WATCHED], ends[r, ARRIVED] = end, watched, arrived
