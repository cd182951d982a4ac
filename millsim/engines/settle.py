"""Finding the state a mill settles in: hold-up, temperature, sieve, speed and air that agree with each other.

The unknown state goes round a loop: frozen state -> rates -> balance -> power, heat, pegging -> new state.
Three questions are asked of the loop: what hold-up does a feed rate need (s.at_rate = 1), what feed rate does a
hold-up carry (s.at_rate = 0, which has an answer even where the mill would flood), and at what hold-up does a limit
bind (s.at_rate = -1).
"""

from math import exp, log, pi
from typing import NamedTuple

import numpy as np

from ..base.numerics.jit import law
from ..laws import air, cutting, drive, heat, motion, sieving
from ..mill.chamber import CONTACT, SELF, WARMED, feedback_air, feedback_speed, idle_power
from .anderson import accelerate
from .balance import march
from .loads import fill_loads, grinding_load, heat_load, highest_load
from .records import ANSWER, FED, HISTORY, UNKNOWNS, scale_flows
from .strikes import fill_rates

HURRY, CALM, MAX_TURNS = 60, 140, 400  # turns that are accelerated; up to the next, steps of 0.3; then of 0.1
PATIENCE, HOPELESS = 40, 3.0  # turns spent on a state with that load on grinding or heat: it need not settle
HOT_PATIENCE, TOO_HOT = 20, 1.5  # the same with that load on heat, where the charge is held: it is over the limit
NEARLY = 0.01  # residual after HURRY turns at a given rate: there is a state, and small steps find it
STUCK = 0.3  # of the residual after HURRY turns: what is left at CALM of a state between two others, which takes ages
CLOSELY, INEXACT = 1e-12, 0.01  # ln of a held charge by small steps, at the closest; the same, of the residual
AT_RATE, PATIENTLY = 1.0, 2.0  # of s.at_rate: the feed rate is given; the same, also where that settles slowly
CLOSE = 1e-7  # ln of the load below a limit, at most, at which a mill is at it
LIMIT_TURNS = 30  # in which a limit is found or sought otherwise
STALLS = 0.3  # of the residual before: where the feed rate that keeps a charge is farther, it is found in every turn
FAR_OFF = 0.1  # residual of a first guess that is too far from the state to tell a slope
YOUNGER = 0.3  # of the age that answers, to which what is foreseen may bring it down


class Aim(NamedTuple):
    """Where a limit is sought: d ln load / d ln charge, ln of the charges [kg] between, feed rate asked for [kg/s]."""

    rise: float
    low: float
    high: float
    F_asked: float


@law
def peg_rate(m, s, grid, table, mass):
    """Pegging events per open hole and second: near-size pieces (0.9-1.1 hole) that touch the sieve.

    Source: assumed, the band of sizes that peg in screening (from memory).
    """
    contacts, x, edges = 0.0, grid.x, grid.edges
    low, high = log(0.9 * m.hole / m.shape), log(1.1 * m.hole / m.shape)
    for i in range(x.size):
        a, b = log(edges[i]), log(edges[i + 1])
        overlap = min(b, high) - max(a, low)
        if overlap > 0.0:
            pieces = mass[i] / (m.density * pi / 6.0 * x[i] ** 3)
            contacts += overlap / (b - a) * table[i, CONTACT] * pieces
    sticky = sieving.stickiness(s.T, m.glass_temperature)
    return contacts * m.open_share / m.n_holes * m.peg_probability * sticky


@law
def plough_power(m, M, omega, v):
    """Power [W] of bars that drive through a layer deeper than the gap, at a charge M [kg]."""
    depth = motion.layer_depth(M, m.density * m.bulk_fraction, m.R_stator, m.H)
    passes = motion.bar_pass_rate(m.n_bars, omega, m.layer_speed_ratio) * m.swept_share
    return motion.ploughing_power(M, passes, m.gap, depth, m.layer_speed_ratio, v)


@law
def shaft_power(m, s, flows, p):
    """Fill a POWERS record from the flows of a frozen state; what the wall cannot give back the layer is driven by."""
    p.windage, p.bearings = idle_power(m, s.omega, s.T)
    p.striking, p.nip = flows.work, flows.nip_work
    p.plough = plough_power(m, s.M, s.omega, s.v)
    p.layer_drive = max(0.0, -flows.rub) + p.plough
    p.shaft = p.windage + p.bearings + p.striking + p.nip + p.layer_drive


@law
def air_capacity(s):
    """Heat the air carries per kelvin [W/K]: its flow at chamber temperature times density and specific heat."""
    return s.Q * air.air_density(s.T) * air.SPECIFIC_HEAT


@law
def leaving_warmth(m, work):
    """How warm the charge leaves, T_out = warmed T + offset: mean over what passes the sieve, by mass."""
    table, escape, mass, p = work.table, work.escape, work.mass, work.powers[0]
    total = warmed = offset = 0.0
    for i in range(mass.size):
        out = escape[i] * mass[i]
        total += out
        warmed += out * table[i, WARMED]
        offset += out * ((1.0 - table[i, WARMED]) * m.T_feed + table[i, WARMED] * table[i, SELF])
    p.warmed, p.offset = 1.0, 0.0
    if total > 0.0:
        p.warmed, p.offset = warmed / total, offset / total


@law
def balance_temperature(m, s, p):
    """Chamber temperature [K] at which the heat of all power but the bearings' leaves by charge, air and casing."""
    UA = heat.series_conductance(m.inner_heat_transfer * m.inner_area, m.casing_heat_loss)
    return heat.chamber_temperature(
        p.shaft - p.bearings, s.F, m.specific_heat, m.heat_exponent_share, m.T_feed, p.warmed, p.offset,
        air_capacity(s), m.T_air_in, UA, m.T_room,
    )  # fmt: skip


@law
def hammer_tip_speed(m, omega, p):
    """Effective tip speed [m/s]: that of the rotor, less what light swinging hammers lose to their work."""
    v = omega * m.R
    if m.swinging <= 0.0:
        return v
    per_blow = (p.striking + p.nip + p.plough) / (m.all_bars * omega / (2.0 * pi))
    return v * cutting.hammer_speed_share(per_blow, cutting.hammer_energy(m.hammer_mass, v))


@law
def total(values):
    """Their sum, one after another."""
    found = 0.0
    for i in range(values.size):
        found += values[i]
    return found


@law
def evaluate(m, grid, feed, s, work, close, slope):
    """One turn of the loop at state s: fill rates, charge, flows and powers; return (total charge [kg], slope).

    With the hold-up given (not s.at_rate) the feed rate s.F is set to the one that keeps it, but for `close` in ln of
    the charge, and what is left is taken in proportion: charge, flows and feed rate. Only nip screening makes the
    charge a non-linear function of the feed rate; slope: by which ln charge falls short of it, to begin with and as it
    was last found.
    """
    fill_rates(m, s, grid, work)
    fed, charge, low, high, before, ln_F_before = work.kept[FED], 0.0, -np.inf, np.inf, 0.0, 0.0
    for turn in range(100):
        for i in range(fed.size):
            fed[i] = s.F * feed[i]
        march(m, grid, work, fed, 0.0, work.mass, work.mass, work.flows[0])
        charge = total(work.mass)
        miss = log(s.M / charge)
        if s.at_rate > 0.0 or abs(miss) < close or high - low < 1e-14:
            break
        ln_F = log(s.F)
        if turn > 0 and abs(ln_F - ln_F_before) > 1e-14:
            slope = min(-0.2, (miss - before) / (ln_F - ln_F_before))
        ln_F_before, before = ln_F, miss
        if miss > 0.0:
            low = ln_F
        else:
            high = ln_F
        ln_F -= miss / slope  # secant; the charge grows at least in proportion to the feed rate
        if ln_F <= low or ln_F >= high:
            ln_F = 0.5 * (low + high)
        s.F = exp(ln_F)
    if s.at_rate <= 0.0:
        ratio = s.M / charge
        s.F, charge = s.F * ratio, s.M
        for i in range(work.mass.size):
            work.mass[i] *= ratio
        scale_flows(work.flows[0], ratio)
    s.residence = charge / s.F
    shaft_power(m, s, work.flows[0], work.powers[0])
    leaving_warmth(m, work)
    return charge, slope


@law
def fill_ages(mass, F, ages):
    """Fill the mean age by class [s]: (charge coarser than it) / F.

    A gram that is at size x has come down through the coarser sizes, and spends there, on average, the coarser
    charge over the feed rate.
    """
    above = 0.0
    for i in range(mass.size - 1, -1, -1):
        ages[i] = (above + 0.5 * mass[i]) / F
        above += mass[i]


@law
def answering_speed(m, omega, P):
    """Speed [rad/s] that answers a speed omega at which the charge takes P [W]: where motor and charge then meet.

    One step towards it, for a charge that takes less at less speed: the motor's answer to P alone overshoots.
    """
    answer = feedback_speed(m, P)
    droop = answer - feedback_speed(m, drive.power_at_speed(P, 1.01 * omega, omega))
    return omega + (answer - omega) / (1.0 + droop / (0.01 * omega))


@law
def response(m, grid, s, work, new):
    """Fill `new` with the state that answers state s: what heat, pegging, motor and hammers make of its flows."""
    p = work.powers[0]
    new.T = m.T_room if m.isothermal > 0.0 else balance_temperature(m, s, p)
    new.unblinded = sieving.unblinded_share(peg_rate(m, s, grid, work.table, work.mass), m.clear_rate)
    new.omega = answering_speed(m, s.omega, p.shaft)
    new.v = hammer_tip_speed(m, new.omega, p)  # of the speed that answers, or it lags a turn behind


@law
def start_state(m, F, M, s):
    """A first guess: room temperature, clean sieve, no-load speed."""
    s.F, s.M, s.unblinded, s.omega = F, M, 1.0, m.omega_0
    s.T = m.T_room if m.isothermal > 0.0 else m.T_room + 10.0
    s.v = m.omega_0 * m.R
    s.Q = feedback_air(m, s)
    s.residence, s.lumped = M / F, 0.0


@law
def _first_ages(work, z):
    """Begin with the ages that are known, over that of dust; where none are, with the residence time and free bites."""
    n = work.ages.size
    for i in range(n):
        if work.ages[0] == 0.0:
            work.screen[i], work.bridge[i], work.above[i], z[UNKNOWNS + i] = 1.0, 0.0, 0.0, 1.0
        else:
            z[UNKNOWNS + i] = work.ages[i] / work.ages[0]
        z[UNKNOWNS + n + i] = work.above[i]


@law
def _pack(s, scale, z):
    z[0] = log(s.M) if s.at_rate != 0.0 else 0.0
    z[1], z[2], z[3], z[4] = s.T / 100.0, log(s.unblinded), s.omega / scale, s.v / (scale * 0.1)
    z[5] = log(s.F / s.M) if s.at_rate <= 0.0 else 0.0


@law
def _unpack(z, scale, m, s):
    if s.at_rate != 0.0:
        s.M = exp(z[0])
    if s.at_rate <= 0.0:
        s.F = s.M * exp(z[5])
    s.T, s.unblinded = 100.0 * max(0.5, z[1]), exp(min(0.0, z[2]))
    s.omega, s.v = scale * max(0.05, z[3]), scale * 0.1 * max(0.05, z[4])
    s.Q = feedback_air(m, s)


@law
def _bound(before, answer, turn, z):
    """Keep what is tried next from leaps: a factor e^2 in mass (at first it is a guess), 50 K, a third in the rest.

    Ages stay above a share of what the state before answers, and below the residence time.
    """
    for q in range(UNKNOWNS):
        leap = 0.5 if q == 1 else 0.3 if 2 <= q <= 4 else 2.0 if turn > 0 else np.inf
        z[q] = before[q] + min(leap, max(-leap, z[q] - before[q]))
    for q in range(UNKNOWNS, z.size):
        z[q] = min(1.0, max(YOUNGER * answer[q], z[q]))


@law
def _given_up(m, s, work, turn, residual, hurried):
    """Whether a state is not turned to the end: it costs too much, is too hot, floods, or creeps between two others.

    hurried: the residual after HURRY turns, infinite before.
    """
    if s.at_rate < 0.0 and turn >= LIMIT_TURNS:
        return True
    hot = heat_load(m, s)
    if s.at_rate <= 0.0 and turn >= HOT_PATIENCE and hot > TOO_HOT:
        return True
    if turn == PATIENCE and max(grinding_load(m, s, work), hot) > HOPELESS:
        return True
    at_rate = s.at_rate == AT_RATE and residual > NEARLY
    return (turn == HURRY and at_rate) or (turn == CALM and residual > STUCK * hurried)


@law
def settle(m, grid, feed, s, work, tolerance):
    """Turn the loop until the state answers itself within tolerance; return (residual, turns).

    With s.at_rate the feed rate s.F is given and the hold-up found; otherwise the hold-up s.M is given and the
    feed rate found. s holds the first guess and then the solution; `work` the rates, charge, flows and powers that
    belong to it. The residual is the largest relative change one more turn would make to state, ages or feed rate.
    Where acceleration goes in circles, small plain steps settle a given hold-up, and a feed rate whose state is NEARLY
    found; beyond flooding a feed rate has none, so there the search for one ends (see `settle_rate`).
    """
    no_loads = work.mass  # they are filled where a limit is sought
    return find_state(m, grid, feed, s, work, tolerance, Aim(1.0, 0.0, 0.0, 1.0), no_loads)


@law
def _charge_at_limit(m, grid, s, work, aim, loads):
    """Charge [kg] at which the highest load would be that of a limit, seen from state s; ln of the highest load now."""
    fill_loads(m, s, grid.x, work, loads)
    h = highest_load(loads, s.F / aim.F_asked)
    return exp(min(aim.high, max(aim.low, log(s.M) - (h + 0.5 * CLOSE) / aim.rise))), h


@law
def find_state(m, grid, feed, s, work, tolerance, aim, loads):
    """As `settle`; where s.at_rate is negative find the hold-up at which a limit binds, and fill loads."""
    ages, room, new, n = work.ages, work.turns, work.states[ANSWER], work.ages.size
    Z, G, A, b, z, answer, known = room[0], room[1], room[2], room[3, 0], room[3, 1], room[3, 2], room.shape[2]
    _first_ages(work, z)
    scale, count, residual, best, mixing = m.omega_0, 0, np.inf, np.inf, 1.0
    close, slope, hurried, h = np.inf, -1.0, np.inf, 0.0
    _pack(s, scale, z)
    for turn in range(MAX_TURNS):
        count = 0 if turn == 1 and s.at_rate > 0.0 and best > FAR_OFF else count
        _unpack(z, scale, m, s)
        _pack(s, scale, z)
        F_before = s.F
        for i in range(n):
            ages[i], work.above[i] = z[UNKNOWNS + i] * s.M / s.F, z[UNKNOWNS + n + i]
        charge, slope = evaluate(m, grid, feed, s, work, close, slope)
        response(m, grid, s, work, new)
        new.M, new.F, new.at_rate = charge, s.F, s.at_rate
        _pack(new, scale, answer)
        if s.at_rate < 0.0:
            M, h = _charge_at_limit(m, grid, s, work, aim, loads)
            answer[0] = log(M)
        calm = 1.0 if turn < HURRY else 0.3 if turn < CALM else 0.1
        fill_ages(work.mass, charge, answer[UNKNOWNS : UNKNOWNS + n])
        for i in range(n):
            answer[UNKNOWNS + n + i] = work.above[i]
        residual = abs(log(s.F / F_before))
        for q in range(known):
            change = abs(answer[q] - z[q])
            if not change < np.inf:
                return np.inf, turn + 1
            residual = max(residual, change)
        if residual <= tolerance and -CLOSE <= h <= 0.0:
            return residual, turn + 1
        hurried = residual if turn == HURRY else hurried
        if _given_up(m, s, work, turn, residual, hurried):
            break
        if close < np.inf or (turn > 0 and abs(log(s.F / F_before)) > STALLS * best) or calm < 1.0:
            count = 0 if close == np.inf else count
            close = max(CLOSELY, min(close, INEXACT * residual))
        if calm < 1.0:
            count, mixing = 0, calm
        elif residual > 3.0 * best or turn % 40 == 39:  # the history misleads: start it anew, more carefully
            count, best, mixing = 0, residual, max(0.1, 0.6 * mixing)
        best = min(best, residual)
        if count == HISTORY:
            count -= 1
            for i in range(count):
                for q in range(known):
                    Z[i, q], G[i, q] = Z[i + 1, q], G[i + 1, q]
        for q in range(known):
            Z[count, q], G[count, q] = z[q], answer[q] - z[q]
        count += 1
        accelerate(Z, G, count, mixing, z, A, b)
        _bound(Z[count - 1], answer, turn, z)
        if s.at_rate < 0.0:
            z[0] = min(aim.high, max(aim.low, z[0]))
    return residual, turn + 1
