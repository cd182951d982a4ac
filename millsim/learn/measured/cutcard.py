"""A material card from a cut test: cut factor, yield and fracture energy by the edge that cut, for the law of cutting.

The law asks w = (C sigma min(1, zone/h) + G/h) / rho for chips h thick (see laws/cutting.md). One chip size tells w
alone: cut factor C and fracture energy are then moved together, as on the card copied from. Two sizes or more tell the
slope of the work per area of cut over h, C sigma, from what is left at h = 0, the fracture energy (the method of Patel,
Blackman & Williams 2009, Eng. Fract. Mech. 76:2711, abstract). Of yield stress and C that is the product alone: how
they share it rests on what the card copied from knows of each, and the note of the yield stress says so. Edges of
several radii would tell sigma by their ploughing, but only as far as its factor is known, which is assumed.
"""

from dataclasses import replace
from math import exp, log, sqrt

import numpy as np

from ...base.quantities.params import Param
from ...base.reading.cells import rounded
from ...errors import InputError, Problem
from ...mill.cards import Card
from ...mill.cards.spec import MATERIAL
from .cutlaw import SAW, SAW_MIDDLE, cut_J_kg
from .cuttest import BenchCut, CutTest
from .standing import standing

CHIP = 0.3  # plus or minus, of the size of chips: dust has many (assumed)
APART = 2.0  # ratio of chip sizes from which they tell volume from face
OPEN = 3.0  # a parameter that the sizes leave open by more than this factor is not told by them
MEASURED, YIELD = ("cut_factor", "fracture_energy"), "yield_stress"
_FREE = (
    f"taken as {SAW[0]:g} to {SAW[1]:g} times (assumed), in the middle {SAW_MIDDLE:.1f} times, what the bare cut "
    "takes: a saw rubs on the sides of the cut, and cuts chips twice"
)


def cut_card(test: CutTest, base: Card, edge: str) -> Card:
    """The base card with cut factor, yield and fracture energy as measured with an edge: blunt, bevelled or toothed.

    InputError, with what to do, where the test is an upper bound only or says no size of the chips.
    """
    if problems := _useless(test):
        raise InputError(problems)
    told = _by_sizes(test, base, edge)
    found = told or _together(test, base, edge)
    new = [_param(base[name], limits, words) for name, (limits, words) in zip(MEASURED, found, strict=True)]
    new += [_yield(base, new[0], bool(told), len({c.chip_m for c in test.cuts}))]
    new[0] = _cut_factor(base, new[0], new[-1])
    title = f"{base.title}, cut test {test.name}"
    note = (
        f"Measured in the cut test: {', '.join(MEASURED)}, with a {edge} edge, and yield_stress as far as its note "
        f"says. All else as on the card it was copied from, {base.title}."
    )
    return base.copied(base.merged(new), title, note, told_beside(base, test, edge, new[:2]), edge)


def told_beside(base: Card, test: CutTest, edge: str, measured: list[Param]) -> str:
    """How the parameters `MEASURED` stand to those of the card they were copied from, in a sentence."""
    return f"Cut test {test.name}, {edge} edge, {stands(base, measured)}."


def _yield(base: Card, C: Param, told: bool, sizes: int) -> Param:
    """The yield stress as the product C sigma leaves it, where the cuts told that; C: at the card's yield stress.

    ln C and ln sigma are independent and normal as the card has them, two standard deviations at the limits; their sum
    is measured (sum of normal numbers, by hand).
    """
    own, cut = base[YIELD], base["cut_factor"]
    if not told:
        why = "one size of chips tells nothing of it" if sizes == 1 else "these sizes of chips leave it open"
        return replace(own, note=f"{why}: as on the card copied from")
    s = {n: _two_sd(p) / 2.0 for n, p in (("sigma", own), ("C", cut), ("product", C))}
    share = s["sigma"] ** 2 / sum(v * v for v in s.values())
    value = own.value * exp(share * log(C.value / cut.value))
    wide = exp(2.0 * s["sigma"] * sqrt(1.0 - share))
    product = "{} to {} MPa".format(*(rounded(1e-6 * own.value * v) for v in (C.low, C.high)))
    note = (
        f"cuts tell cut_factor times yield_stress alone, {product}; how the two share it rests on the card copied from"
    )
    spec = MATERIAL[YIELD]
    low, high, value = (min(max(float(f"{v:.4g}"), spec.low), spec.high) for v in (value / wide, value * wide, value))
    return replace(own, value=value, low=low, high=high, note=note)


def _cut_factor(base: Card, C: Param, sigma: Param) -> Param:
    """The cut factor, told at the card's yield stress, with what the yield stress leaves open of it."""
    if sigma.value == base[YIELD].value and sigma.low == base[YIELD].low:
        return C
    by, wide = base.value(YIELD) / sigma.value, exp(np.hypot(_two_sd(C), _two_sd(sigma)) - _two_sd(C))
    return _param(C, (C.value * by, C.low * by / wide, C.high * by * wide), C.source)


def _two_sd(p: Param) -> float:
    """Half the width of a range, of the logarithm."""
    return 0.5 * log(p.high / p.low)


def stands(card: Card, measured: list[Param]) -> str:
    """How the test stands to a card, in one line."""
    said = [
        standing(what, (card[p.name].low, card[p.name].high), (p.low, p.high), unit)
        for p, what, unit in zip(measured, ("cut factor", "fracture energy"), ("", "J/m2"), strict=True)
    ]
    return "; ".join(said)


def _useless(test: CutTest) -> list[Problem]:
    """Why a cut test is not enough for a card."""
    found = []
    if not test.is_net:
        hint = "measure the saw's idle power as power_idle"
        found.append(Problem(test.name, "", "idle power is in it: an upper bound gives no card", hint=hint))
    if test.at == "mains" and test.efficiency is None:
        hint = "give --efficiency, or measure at the shaft"
        found.append(Problem(test.name, "", "the saw motor's loss is in it: an upper bound gives no card", hint=hint))
    if any(c.chip_m is None for c in test.cuts):
        hint = 'sieve the dust and say its median with --chip "0.1 mm", or add a column chip_um'
        found.append(Problem(test.name, "", "the size of the chips is not known", hint=hint))
    return found


def _together(test: CutTest, base: Card, edge: str):
    """Limits (value, low, high) and words of cut factor and fracture energy from one chip size: both by one factor."""
    from scipy.optimize import brentq

    h = float(np.exp(np.log(_chips(test)).mean()))
    C, G_c = (base.value(n) for n in MEASURED)

    def factor(w: float, chip: float) -> float:
        return exp(brentq(lambda s: log(cut_J_kg(base, edge, chip, C * exp(s), G_c * exp(s)) / w), -12.0, 12.0))

    w, relative = test.at_shaft_J_kg, test.relative_95()
    low, high = w * max(1.0 - relative, 0.05) / SAW[1], w * (1.0 + relative) / SAW[0]
    around = (h * (1.0 - CHIP), h, h * (1.0 + CHIP))
    ends = min(factor(low, x) for x in around), max(factor(high, x) for x in around)
    three = (factor(w / SAW_MIDDLE, h), *ends)
    words = (
        f"{_what(test, edge)}: one factor for both: chips of {rounded(h * 1e6)} um tell the work alone; in the ratio "
        f"of the card copied from, at its yield stress; energies {_FREE}"
    )
    return [(tuple(value * s for s in three), words) for value in (C, G_c)]


def _by_sizes(test: CutTest, base: Card, edge: str):
    """As `_together`, from two chip sizes or more, each parameter by itself; None where they do not tell them apart."""
    from scipy.optimize import least_squares

    chips = _chips(test)
    if chips.max() < APART * chips.min():
        return None
    eta = test.at_shaft_J_kg / test.mean_J_kg
    w = np.array([eta * c.net_J_kg / SAW_MIDDLE for c in test.cuts])
    own = np.array([_own(c, h, edge, base) for c, h in zip(test.cuts, chips, strict=True)])

    def off(z: np.ndarray) -> np.ndarray:
        told = [cut_J_kg(base, edge, h, exp(z[0]), exp(z[1])) for h in chips]
        return np.log(np.array(told) / w) / own

    fit = least_squares(off, [log(base.value(n)) for n in MEASURED])
    scatter = max(1.0, 2.0 * fit.cost / max(1, chips.size - 2))
    bend = fit.jac.T @ fit.jac
    if np.linalg.cond(bend) > 1e10:
        return None
    common = float(np.mean([c.common_J_kg / c.net_J_kg for c in test.cuts]))
    spread = 1.96 * np.sqrt(np.diag(np.linalg.inv(bend)) * scatter + common**2)
    if (spread > log(OPEN)).any():
        return None
    words = (
        f"{_what(test, edge)}: chips of {rounded(chips.min() * 1e6)} to {rounded(chips.max() * 1e6)} um tell the two "
    )
    words += f"apart, at the yield stress of the card copied from; energies {_FREE}"
    wide = SAW[1] / SAW_MIDDLE, SAW_MIDDLE / SAW[0]
    return [
        ((exp(z), exp(z - s) / wide[0], exp(z + s) * wide[1]), words)
        for z, s in zip(fit.x, spread.tolist(), strict=True)
    ]


def _chips(test: CutTest) -> np.ndarray:
    """Sizes of the chips [m], one per cut; all known: see `_useless`."""
    return np.array([c.chip_m for c in test.cuts], dtype=float)


def _own(cut: BenchCut, h: float, edge: str, base: Card) -> float:
    """Standard error in ln w of one cut: its instruments, and by its chips' size what the law makes of it."""
    C, G_c = (base.value(n) for n in MEASURED)
    a, b = (cut_J_kg(base, edge, h * k, C, G_c) for k in (1.0 - CHIP, 1.0 + CHIP))
    chip = 0.5 * abs(log(a / b)) / sqrt(3.0)
    own = sqrt(max(0.0, cut.se_J_kg**2 - cut.common_J_kg**2)) / cut.net_J_kg
    return max(0.01, sqrt(own**2 + chip**2))


def _what(test: CutTest, edge: str) -> str:
    count = len(test.cuts)
    return f"cut test {test.name}, {count} cut{'s' * (count != 1)} with a {edge} edge"


def _param(base: Param, limits: tuple[float, ...], words: str) -> Param:
    spec = MATERIAL[base.name]
    value, low, high = (min(max(float(f"{v:.4g}"), spec.low), spec.high) for v in limits)
    return replace(base, value=value, low=low, high=high, basis="measured", source=words, scale="log", note="")
