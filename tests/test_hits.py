"""The tables that Monte Carlo reads say what the laws say: at nodes to rounding, between them to a stated error."""

import functools
from math import exp

import mills
import numpy as np
import pytest

from millsim.engines import hits, montecarlo
from millsim.engines.histories import passes
from millsim.laws import breakage, motion
from millsim.mill.chamber import (
    C_EXPONENT,
    CONTACT,
    DUST_J,
    F_MAT,
    N_RATES,
    NIP,
    PAIR,
    PIN,
    STILL,
    STRIKE,
    XW_MIN,
    fill_still,
    pass_open_hole,
    size_rates,
)
from millsim.mill.edges import chip_of, main_cut

STEADY = ("demo", "pla", "swinging", "tight_jam")
COLUMN = {hits.HIT: STRIKE, hits.TO_PIN: PIN, hits.OF_DUST: DUST_J, hits.BITE: NIP, hits.BITE_PAIR: PAIR}


@functools.cache
def tables(name):
    """(problem, outcome, tables of its state, ln of the lowest node, step)."""
    p, o = mills.problem(name), mills.outcome(name)
    return p, o, *montecarlo._compiled_steps(p.mill, o.steps, p.edges)


def law_at(name, x):
    """(row of the laws, Blow) of a size in the state of a mill."""
    p, o, steps = tables(name)[:3]
    m, s, k = p.mill[0], o.steps.states[0], steps.hits[0]
    still, row = np.empty(STILL), np.empty(N_RATES)
    fill_still(m, x, pass_open_hole(m, x), still)
    age = np.interp(np.log(x), 0.5 * np.log(p.edges[1:] * p.edges[:-1]), o.steps.ages[0])
    size_rates(m, s, k, x, age, still, row)
    return row, hits.blow_of(m, k, steps.open_[0])


def off(name, ln_x, fallen):
    """Errors of the columns read for a size whose ln has since fallen by so much, over the largest value nearby."""
    p, _, steps, ln_low, step = tables(name)
    table, x = steps.hit_tables[0], exp(ln_x - fallen)
    node, f = hits.place(ln_low, 1.0 / step, table.shape[0], ln_x)
    law, blow = law_at(name, x)
    want = {column: law[c] for column, c in COLUMN.items()}
    want |= {hits.FIRM: law[F_MAT] * x * blow.square, hits.C_BREAK: law[XW_MIN] / (x * blow.square)}
    largest = table[max(0, node - 20) : node + 21].max(axis=0)
    return [abs(hits.read(table, node, f, c) - value) / max(largest[c], 1e-30) for c, value in want.items()]


@pytest.mark.parametrize("name", mills.NAMES)
def test_between_nodes_the_table_is_the_law(name):
    # Class errors are some 3e-3. In the middle of what a row serves, and at its end, where it is half of SLACK off: the
    # mean and the worst of 200 sizes, bites right at the gap among them. A batch has half the nodes.
    edges = mills.problem(name).edges
    sizes = np.random.default_rng(5).uniform(np.log(edges[1]), np.log(edges[-1]), 200)
    for fallen, worst, mean in ((0.5 * hits.SLACK, 3e-4, 1e-5), (hits.SLACK, 6e-4, 5e-5)):
        errors = np.array([off(name, ln_x, fallen) for ln_x in sizes])
        assert errors.max() < worst and errors.mean(axis=0).max() < mean


@pytest.mark.parametrize("name", STEADY)
def test_chips_of_the_table_are_those_of_the_law(name):
    # At nodes, so without the error between them: share and cost of a chip to 1e-10, and none where there is none.
    p, _, steps, ln_low, step = tables(name)
    m, k, table = p.mill[0], steps.hits[0], steps.hit_tables[0]
    chips = 0
    for node in range(40, table.shape[0], 120):
        law, x = steps.tables[0][node], exp(ln_low + node * step)
        blow = hits.blow_of(m, k, steps.open_[0])
        for c in (0.3, 0.6, 0.8, 0.9, 0.99):
            share, _, cost = chip_of(m, main_cut(m, k, law), law, x, c * blow.square)
            assert (c > table[node, hits.C_CHIP]) == (share > 0.0)
            if c > max(table[node, hits.C_CHIP], table[node, hits.C_FULL]):
                w = table[node, hits.CHIP_W]
                mine = min(0.05, (c - table[node, hits.C_CHIP]) / w)
                assert mine == pytest.approx(share, rel=1e-10)
                assert mine * w * k["edge_share"] * blow.square == pytest.approx(cost, rel=1e-10)
                chips += 1
    assert chips > 0 or name == "tight_jam"  # whose blunt rotor takes no chips


def test_a_blow_is_the_law_of_any_obliquity():
    # Energies of a hit go with cos^2: the Blow of a state gives what the laws give, to rounding.
    p, _, steps = tables("demo")[:3]
    k = steps.hits[0]
    blow = hits.blow_of(p.mill[0], k, 0.5)
    law, x = law_at("demo", 1e-3)[0], 1e-3
    for c in np.random.default_rng(2).uniform(0, 1, 50):
        W = motion.bar_energy(k["v"], k["kappa"], c)
        assert blow.square * c == pytest.approx(W, rel=1e-12)
        assert blow.work * c == pytest.approx(motion.bar_work(k["v"], k["kappa"], k["e_bar"], c), rel=1e-12)
        thrown = motion.thrown_energy(k["v"], k["kappa"], k["e_bar"], c)
        assert blow.idle + blow.throw * c == pytest.approx(thrown, rel=1e-12)
        firm, c_break = law[F_MAT] * x * blow.square, law[XW_MIN] / (x * blow.square)
        broken = breakage.breakage_probability(x, W, law[F_MAT], law[XW_MIN])
        assert breakage.breakage_probability(1.0, c, firm, c_break) == pytest.approx(broken, rel=1e-9, abs=1e-14)


def test_obliquity_is_drawn_from_its_law():
    # cos^2 to the power of 5 is uniform: share below each tenth within 4 standard errors (1 in 1700 for all ten).
    u = np.random.default_rng(1).random((40_000, 3))
    drawn = np.array([hits.drawn_cos2(*row) for row in u]) ** round(1.0 / C_EXPONENT)
    for q in np.arange(0.1, 1.0, 0.1):
        assert np.mean(drawn < q) == pytest.approx(q, abs=4 * np.sqrt(q * (1 - q) / drawn.size))


@pytest.mark.parametrize("z", [0.05, 0.5, 0.85])
def test_thinned_tries_pass_as_often_as_all_would(z):
    # Best chance times the share of drawn tries that pass is the mean chance of the balance, to 4 standard errors.
    m = mills.problem("demo").mill[0]
    x, n = z * m["hole"] / m["shape"], 20_000
    passed = np.mean([passes(m, x, 12345, 3 * i) for i in range(n)])
    want = pass_open_hole(m, x) / hits.best_chance(m, x)
    assert 0.02 < want < 0.98
    assert passed == pytest.approx(want, abs=4 * np.sqrt(want * (1 - want) / n))


@pytest.mark.parametrize("name", STEADY)
def test_what_leaves_is_the_best_chance_and_the_air(name):
    p, _, steps, ln_low, step = tables(name)
    m, blow = p.mill[0], hits.blow_of(p.mill[0], steps.hits[0], steps.open_[0])
    for node in range(0, steps.hit_tables.shape[1], 97):
        law, x = steps.tables[0][node], exp(ln_low + node * step)
        assert law[CONTACT] == pytest.approx(blow.tries * law[STRIKE], rel=1e-12)
        tried = law[CONTACT] * blow.open_ * hits.best_chance(m, x)
        assert steps.hit_tables[0][node, hits.LEAVING] >= tried * (1 - 1e-12)
