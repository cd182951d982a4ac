"""Bites in the balance are multiplied out: held here against the laws of the nip, class by class."""

import itertools
import math

import numpy as np
import pytest

from millsim.engines.bites import bitten_class, partners_of, props_of, reach_of
from millsim.laws import cutting
from millsim.laws.cutting import thinned

GAP, H = 1e-3, 0.02
MILL = np.zeros(1, [("gap", "f8"), ("face", "f8")])
MILL["gap"], MILL["face"] = GAP, H


@pytest.mark.parametrize("t", [-2.0, -1e-3, 0.0, 1e-12, 1e-4, 0.0299, 0.0301, 0.5, 40.0, 800.0])
def test_what_chance_thins(t):
    # (1 - e^-t) / t, e^-t and the first less the second, by expm1 and, where that cancels, by the series of the last.
    share, left, second = thinned(t)
    assert t * share == pytest.approx(-math.expm1(-t), rel=1e-14, abs=0.0)
    assert left == pytest.approx(math.exp(-t), rel=1e-14)
    series = sum((-t) ** k * k / math.factorial(k + 1) for k in range(1, 20))
    assert second == pytest.approx(-series if abs(t) < 1 else share - left, rel=3e-12, abs=0.0)


def partners(x, by_own, *others):
    """Those of a piece x; the numbers that stand still are taken from tables."""
    return partners_of(x, (x - GAP) / x, 1.0 / x, 1.0 / H, by_own, *others)


def charges():
    """A class of every kind: (inflow, nip, pair, pieces per kg in a nip, coarser props, larger pieces, size)."""
    return itertools.product(
        (1e-9, 1e-4, 0.3), (0.0, 20.0), (0.0, 0.2, 300.0), (10.0, 1e6), (0.0, 0.3, 60.0), (0.0, 2.0),
        (0.2, 0.8, 1.3, 4.0),
    )  # fmt: skip


def test_a_class_is_bitten_as_the_laws_of_the_nip_say():
    """Its charge is what it gets over what it loses, and its screen and bridge are those of that charge."""
    loss, out, tried = 3.0, 0.4, 0
    for inflow, nip, pair, window, count, larger, size in charges():
        x, alone = size * GAP, math.exp(-larger)
        clear = math.exp(-0.5 * larger)
        props = props_of(MILL[0], x)
        moments = count, count * 1.1 * GAP, count * (1.2 * GAP) ** 2
        coarser = (1.0 if props[2] > 0.0 else 1.5) * count  # where two alike reach across, all coarser ones do
        others = partners(x, props[2], coarser, coarser * 0.9 * GAP, *moments)
        in_line = coarser * (x + 0.9 * GAP) / H
        m, screen, bridge, none = bitten_class(inflow, loss, out, nip, pair, window, props, others, alone, clear)
        weight, line, by_own = props
        own, beside = window * m, window * line * m
        stands_out = others[1] / others[0] if others[0] > 0.0 else 0.0
        bridging = weight * clear * cutting.bridging(in_line, others[0], beside, stands_out, by_own)
        screening = cutting.screening(larger, own)
        assert m * (loss + out * (nip * screening + pair * bridging)) == pytest.approx(inflow, rel=1e-11)
        assert screen == pytest.approx(screening, rel=1e-12)
        assert none == pytest.approx(math.exp(-own), rel=1e-12)
        assert bridge == pytest.approx(bridging if pair > 0.0 else 0.0, rel=1e-11)
        tried += 1
    assert tried == 864


def test_props_stand_out_by_the_sum_of_the_sizes():
    """Two pieces that together just reach across the gap do not stand out of it; larger ones are wholly bitten."""
    two = 2.0, 2.0 * 0.6 * GAP, 2.0 * (0.6 * GAP) ** 2
    both, stood_out, first = partners(0.4 * GAP, 0.0, *two[:2], *two)
    assert both == pytest.approx(2.0 * GAP / H)
    assert abs(stood_out) < 1e-12 and first == pytest.approx(math.exp(-both))
    both, stood_out, _ = partners(0.9 * GAP, 1.0, 2.0, 4.0 * GAP, 2.0, 4.0 * GAP, 8.0 * GAP**2)
    assert stood_out == pytest.approx(both)
    assert partners(0.4 * GAP, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)[2] == 0.0


def test_who_reaches_across_changes_evenly_with_the_gap():
    """Of pieces even in ln x, the number that reaches across with one falls without steps as the gap gets wider."""
    edges = 1e-3 * 1.15 ** np.arange(-20, 8)
    n, i, x = edges.size - 1, 6, 1e-3 * 1.15**-13.5
    held = np.append(np.cumsum(np.ones(n)[::-1])[::-1], 0.0)  # one piece in each class, coarser than a bound
    found = []
    for gap in np.linspace(x, x + 1.1 * edges[-1], 400):
        at, part, size = reach_of(gap, x, i, edges)
        at = int(at)
        assert part == 0.0 or edges[at - 1] < gap - x < size < edges[at]
        found.append(held[at] + part * (held[at - 1] - held[at]))
    true = [n - i - 1 if g <= edges[i + 1] else max(0.0, np.log(edges[-1] / g) / np.log(1.15)) for g in
            np.linspace(x, x + 1.1 * edges[-1], 400) - x]  # fmt: skip
    assert np.allclose(found, true, atol=1e-9)
