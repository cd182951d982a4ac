"""What a drop test says: per temperature the selection function of the mill, the usual curves, the classical sums.

Energies are per mass of piece, W = m_hammer g h / m_piece, without a deduction for rebound; sizes are diameters of
spheres of the same volume. What a free impact takes is less: `free_impact`. Owns the analysis; reading is in
dropsheet, fitting in binary and staircase.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import exp, inf, isnan, log, sqrt

import numpy as np

from ...laws import breakage
from ...mill.cards import Card
from .binary import (
    LINKS,
    Link,
    Selection,
    Trials,
    bracket,
    counting_limits,
    few_limits,
    fit_link,
    fit_selection,
    kind,
    pool,
)
from .dropsheet import GRAVITY, Drops, DropSheet
from .staircase import NotOfThisKind, SpearmanKaerber, Staircase, dixon_mood, spearman_kaerber, staircase_step

SQUEEZE = (1.0, 3.0)  # energy of a drop over that of a free impact that breaks as many (assumed, see `free_impact`)
MIDDLE = sqrt(SQUEEZE[0] * SQUEEZE[1])
SAME_TEMPERATURE_K = 8.0  # temperatures closer than this are one test
SAME_SIZE = 1.1  # largest over smallest piece up to which they count as of one size
MOST_LEVELS = 12  # more heights than this are gathered into bins for the table and the figure
BINS = 8
FASTEST_M_S = 200.0  # no bar strikes faster; pieces that seem to need more are first a slip of a unit (assumed)
FEW = 8  # fewer pieces than this bear an interval, and no curve (assumed)
ODD_CHANCE = 0.05  # chance below which the misfit, or the later drops, are called out


def free_impact(low: float, high: float) -> tuple[float, float]:
    """Limits of the energy that a free impact takes, from those of a drop hammer's: over 3 and over 1 (assumed).

    A squeeze loads two contacts where a free impact loads one, so that the same force takes up to twice the energy; of
    what the hammer brings, up to a third goes into anvil and rebound and never into the piece: 2 / (2/3) = 3. Never
    less than 1: both break by the same force, and the hammer has no other energy than this. In the middle, on a scale
    of factors, MIDDLE.
    """
    return low / SQUEEZE[1], high / SQUEEZE[0]


@dataclass(frozen=True)
class Level:
    """Trials at one energy (or in one bin): mean height [m], mean W [J/kg], tested and broken, hits of each."""

    height_m: float
    W: float
    tested: int
    broken: int
    hits: int


@dataclass(frozen=True)
class Classical:
    """A classical estimate in J/kg: W that breaks half, its spread, and the staircase or sum it came from."""

    W_50: float
    low: float  # one standard deviation of the tolerance (staircase) or one standard error (sum) below
    high: float
    of: Staircase | SpearmanKaerber
    on_log: bool


@dataclass(frozen=True)
class Reference:
    """Pieces of a known material hit by the same hammer: what is told of the others is told as a ratio to them.

    group: the trials on them; half_J_kg: (value, low, high) of the energy per mass that breaks half of them in one free
    impact, by their card. What a squeeze takes beyond a free impact is the same for both (assumed) and drops out.
    """

    title: str
    group: "DropGroup"
    half_J_kg: tuple[float, float, float]


@dataclass(frozen=True)
class DropGroup:
    """The test at one temperature [K] (mean, lowest, highest; NaN where none was given).

    kind as in binary.kind, or "few" where there are too few pieces for a curve; bracket_u and counting_u [J m/kg] bound
    the u that breaks half, and few_u where counts do not; classical and why_not by name of the method; later: (broken,
    expected, chance) of the drops on pieces that had survived one, or None; reference: what energies are told relative
    to, where pieces of it were hit too.
    """

    temperature_K: tuple[float, float, float]
    drops: Drops
    trials: Trials
    levels: tuple[Level, ...]
    size_m: float
    one_size: bool
    kind: str
    bracket_u: tuple[float, float]
    counting_u: tuple[float, float]
    selection: Selection | None
    links: tuple[Link, ...]
    links_why: str
    classical: dict[str, Classical]
    why_not: dict[str, str]
    misfit_chance: float
    later: tuple[float, float, float] | None
    few_u: tuple[float, float] = (0.0, inf)
    reference: Reference | None = None

    @property
    def limits_u(self) -> tuple[float, float]:
        """95 % limits of the u that breaks half without a curve: by counts alone, where few, with a shape assumed."""
        sure = self.counting_u[0] > 0.0 and self.counting_u[1] < inf
        return self.counting_u if sure or self.few_u == (0.0, inf) else self.few_u

    def W_50(self, level: float | None = None) -> tuple[float, float]:
        """Energy per mass [J/kg] that breaks half of the pieces: limits at a level, or the estimate twice.

        Without a finite estimate: what the counts bound (at any level), or the bracket for level None.
        """
        if self.selection is None:
            low, high = self.bracket_u if level is None else self.limits_u
        else:
            low, high = (self.selection.u_50,) * 2 if level is None else self.selection.limits["u_50"][level]
        return low / self.size_m, high / self.size_m

    @property
    def is_bounded(self) -> bool:
        """Whether there are 95 % limits of the energy that breaks half, on one side at least."""
        return self.selection is not None or self.limits_u != (0.0, inf)

    def free(self) -> tuple[float, float]:
        """Energy per mass [J/kg] that breaks half in one free impact: 95 % limits, or of these pieces where unbounded.

        Beside a reference: its card's, times the ratio of the two; errors add as squares of logarithms (independent).
        """
        ends = self.W_50(0.95) if self.is_bounded else self.W_50()
        if self.reference is None:
            return free_impact(*ends)
        r = self.reference
        low, high = _product(
            ends, _inverse(r.group.W_50(0.95) if r.group.is_bounded else r.group.W_50()), r.half_J_kg[1:]
        )
        return low, high

    def ratio(self) -> tuple[float, float]:
        """Limits of the energy per mass that breaks half, over that of the reference pieces."""
        assert self.reference is not None
        other = self.reference.group
        pair = (g.W_50(0.95) if g.is_bounded else g.W_50() for g in (self, other))
        mine, theirs = pair
        return _product(mine, _inverse(theirs))

    def speeds(self) -> tuple[float, float]:
        """Speeds [m/s] of a free impact that breaks half: from the 95 % limits, by `free_impact`.

        Where the counts bound it on no side: from the bracket of these very pieces.
        """
        low, high = self.free()
        return sqrt(2.0 * low), sqrt(2.0 * high)

    @property
    def is_too_fast(self) -> bool:
        """Whether half break only above FASTEST_M_S: the middle of the speeds, or the only limit there is."""
        low, high = self.speeds()
        return (low if high == inf else sqrt(low * high)) > FASTEST_M_S

    @property
    def is_reversed(self) -> bool:
        """Whether harder drops broke fewer pieces, over all drops and by more than one standard error of chance.

        By the covariance of ln W and broken (score test of no slope), which exists where no curve can be fitted.
        """
        x, drops = np.log(self.drops.W), self.drops.n * self.drops.hits
        away, share = x - np.average(x, weights=drops), self.drops.k.sum() / drops.sum()
        chance = sqrt(float(share * (1.0 - share) * (drops * away**2).sum()))
        return self.kind != "one level" and float((self.drops.k * away).sum()) < -chance


def _inverse(limits: tuple[float, float]) -> tuple[float, float]:
    low, high = limits
    return 1.0 / high, (1.0 / low if low > 0.0 else inf)


def _product(*factors: tuple[float, ...]) -> tuple[float, float]:
    """Limits of a product of independent factors, each known between limits: squares of logarithms add."""
    if any(not low > 0.0 or high == inf for low, high in factors):
        low, high = 1.0, 1.0
        for a, b in factors:
            low, high = low * a, high * b
        return low, high
    middle = sum(0.5 * log(low * high) for low, high in factors)
    half = sqrt(sum((0.5 * log(high / low)) ** 2 for low, high in factors))
    return exp(middle - half), exp(middle + half)


@dataclass(frozen=True)
class DropTest:
    """A drop test with its analysis, warmest group first."""

    sheet: DropSheet
    groups: tuple[DropGroup, ...]


def analyse(sheet: DropSheet) -> DropTest:
    """Fit every temperature of a drop test, and what was dropped on reference pieces beside it."""
    groups = tuple(_groups(sheet.drops, sheet.grouped))
    if sheet.reference is None:
        return DropTest(sheet, groups)
    (known,) = _groups(sheet.reference.drops, sheet.grouped, apart=False)
    card = sheet.reference.card
    beside = Reference(card.title, known, card_half(card, known))
    return DropTest(sheet, tuple(replace(g, reference=beside) for g in groups))


def card_half(card: Card, group: DropGroup) -> tuple[float, float, float]:
    """Energy per mass [J/kg] at which half of the group's pieces break in one free impact, by a card.

    At the group's temperature, or warm where it has none: (value, low, high) of the card's ranges.
    """
    x, at = group.size_m, [card.value(f"temperature_{slot}") for slot in ("warm", "cold")]
    T = at[0] if isnan(group.temperature_K[0]) else group.temperature_K[0]

    def half(f_end: str, xw_end: str) -> float:
        f, xw = (
            breakage.log_between(T, *at, *(getattr(card[f"{name}_{slot}"], end) for slot in ("warm", "cold")))
            for name, end in (("f_mat", f_end), ("xw_min", xw_end))
        )
        xw = breakage.threshold_at(x, xw, card.value("threshold_size"), card.value("threshold_exponent"))
        return float(xw + log(2.0) / f) / x

    return half("value", "value"), half("high", "low"), half("low", "high")


def _groups(drops: Drops, grouped: bool, apart: bool = True) -> Iterator[DropGroup]:
    """The drops by temperature, or all together."""
    T = drops.temperature_K
    for chosen in _by_temperature(T) if apart else [np.ones(T.size, dtype=bool)]:
        yield _group(drops.only(chosen), grouped)


def _by_temperature(T: np.ndarray) -> list[np.ndarray]:
    """Which trials (m,) belong to one temperature, warmest first: a new one where the sorted values leave a gap."""
    if np.isnan(T).all():
        return [np.ones(T.size, dtype=bool)]
    values = np.sort(T)[::-1]
    edges = values[1:][-np.diff(values) > SAME_TEMPERATURE_K]
    number = (T[:, None] <= edges).sum(axis=1)
    return [number == i for i in range(edges.size + 1)]


def _group(drops: Drops, grouped: bool) -> DropGroup:
    T = drops.temperature_K
    t = pool(drops.u, drops.n, drops.k, drops.hits)
    found = kind(t)
    found = "few" if found == "overlap" and t.pieces < FEW else found
    selection = fit_selection(t) if found == "overlap" else None
    some = 0 < t.broken < t.pieces
    links, links_why = _links(drops)
    classical, why_not = _classical(drops, grouped)
    levels = _levels(drops)
    return DropGroup(
        temperature_K=(round(float(T.mean()), 6), round(float(T.min()), 6), round(float(T.max()), 6)),
        drops=drops,
        trials=t,
        levels=levels,
        size_m=float(np.exp(np.average(np.log(drops.size_m), weights=drops.n))),
        one_size=bool(drops.size_m.max() <= SAME_SIZE * drops.size_m.min()),
        kind=found,
        bracket_u=bracket(t),
        counting_u=counting_limits(t),
        selection=selection,
        links=links,
        links_why=links_why,
        classical=classical,
        why_not=why_not,
        misfit_chance=_misfit_chance(t, selection),
        later=_later(drops, selection),
        few_u=few_limits(t) if some and selection is None else (0.0, inf),
    )


def _links(drops: Drops) -> tuple[tuple[Link, ...], str]:
    """Logit, probit and complementary log-log on ln W, for comparison; or why not."""
    if drops.hits.max() > 1:
        return (), "several drops a row, without saying at which of them a piece broke"
    t = pool(drops.W, drops.n, drops.k)
    fits = [fit_link(name, np.log(t.u), t.n, t.k) for name in LINKS]
    if any(f is None for f in fits):
        return (), "there is no finite estimate"
    return tuple(f for f in fits if f is not None), ""


def _misfit_chance(t: Trials, fit: Selection | None) -> float:
    """Chance of a worse misfit if the fitted function were true; NaN where the levels hold too few pieces to tell."""
    from scipy.stats import chi2

    if fit is None or fit.dof < 1 or t.pieces < 5 * t.u.size:
        return float("nan")
    return float(chi2.sf(fit.deviance, fit.dof))


def _later(drops: Drops, fit: Selection | None) -> tuple[float, float, float] | None:
    """(broken, expected, two-sided chance) of the later drops, if there are at least ten."""
    later = drops.only(drops.later)
    if fit is None or later.n.sum() < 10:
        return None
    p = fit.share(later.u, later.hits)
    broken, expected, variance = later.k.sum(), (later.n * p).sum(), (later.n * p * (1.0 - p)).sum()
    from statistics import NormalDist

    z = abs(broken - expected) / sqrt(variance) if variance > 0 else (inf if broken > expected else 0.0)
    return float(broken), float(expected), 2.0 * (1.0 - NormalDist().cdf(z)) if z < inf else 0.0


# --- levels ----------------------------------------------------------------------------------------------


def _levels(drops: Drops) -> tuple[Level, ...]:
    """The trials by drop energy, or in bins of about equal numbers where there are too many energies."""
    energy = np.round(drops.energy_J, 9)
    keys, place = np.unique(np.stack([energy, drops.hits], axis=1), axis=0, return_inverse=True)
    place = place.ravel()
    if len(keys) > MOST_LEVELS:
        order = np.argsort(drops.W, kind="stable")
        place = np.empty(order.size, dtype=int)
        place[order] = np.minimum(np.arange(order.size) * BINS // order.size, BINS - 1)
    return tuple(sorted((_level(drops.only(place == i)) for i in np.unique(place)), key=lambda level: level.W))


def _level(d: Drops) -> Level:
    mean = np.average(np.stack([d.height_m, d.W]), axis=1, weights=d.n)
    return Level(float(mean[0]), float(mean[1]), int(d.n.sum()), int(d.k.sum()), int(d.hits.max()))


# --- classical methods -----------------------------------------------------------------------------------


def _classical(drops: Drops, grouped: bool) -> tuple[dict[str, Classical], dict[str, str]]:
    """The classical estimates that apply, and why the others do not."""
    found: dict[str, Classical] = {}
    why: dict[str, str] = {}
    for name, method in (("Dixon-Mood", _dixon_mood), ("Spearman-Kärber", _spearman)):
        try:
            found[name] = method(drops, grouped, "Dixon-Mood" in found)
        except NotOfThisKind as error:
            why[name] = str(error)
    return found, why


def _dixon_mood(drops: Drops, grouped: bool, _stairs: bool) -> Classical:
    """On heights, in the order of the sheet."""
    if grouped:
        raise NotOfThisKind("the sheet counts pieces by level, a staircase drops one after another")
    if drops.later.any():
        raise NotOfThisKind("pieces were dropped on more than once")
    if np.ptp(drops.hammer_kg) > 0:
        raise NotOfThisKind("the hammer was not the same throughout")
    heights, broken = drops.height_m.tolist(), (drops.k > 0).tolist()
    step, on_log = staircase_step(heights, broken)
    s = dixon_mood(np.log(heights).tolist() if on_log else heights, broken, step)
    scale = drops.hammer_kg[0] * GRAVITY / drops.mass_kg.mean()
    middle, low, high = (
        float(scale * (exp(v) if on_log else max(v, 0.0))) for v in (s.mean, s.mean - s.sd, s.mean + s.sd)
    )
    return Classical(middle, low, high, s, on_log)


def _spearman(drops: Drops, _grouped: bool, stairs: bool) -> Classical:
    """On ln W, over the drop energies."""
    if stairs:
        raise NotOfThisKind("in a staircase the levels depend on the outcome")
    if drops.hits.max() > 1 or drops.later.any():
        raise NotOfThisKind("pieces were dropped on more than once")
    levels = _levels(drops)
    if len(levels) < 3 or min(level.tested for level in levels) < 2:
        raise NotOfThisKind("it needs at least three levels with several pieces each")
    s = spearman_kaerber([log(v.W) for v in levels], [v.tested for v in levels], [v.broken for v in levels])
    return Classical(exp(s.mean), exp(s.mean - s.se), exp(s.mean + s.se), s, True)
