"""Wear drift: from the weighed loss of the bars to edges, gap, iron in the powder, and what becomes of the powder.

The loss per kilogram milled is taken as constant (assumed). Where on the bar it goes is not known, so two bounds are
followed: all of it at the leading edges, which round off, or evenly over the tip faces, which widens the gap. A rounder
edge is a larger edge radius of the model; share of energy, largest chip and grip follow those of the blunter kinds.
The worn mill is run on another day, and the model is off there the less as it is fresh, the farther edge or gap went.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from math import inf, isfinite, log, nan

import numpy as np

from ..base.quantities.scalar import Scalar
from ..base.quantities.units import readable
from ..errors import InputError, NotConverged, Problem
from ..forecast import band as bands
from ..forecast.assemble import fed, told
from ..forecast.error import Off, errors
from ..forecast.outcome import Outcome, solve, solve_batch
from ..laws import strength, wear
from ..mill import parts
from ..mill.calibrated import ALIKE, conditions
from ..mill.cards.calibrated import RunErrors
from ..mill.chamber import EDGE
from ..mill.config.mill import Config
from ..mill.problem import Setup, other_edges
from ..record.limits import CANNOT
from .heat.answers import settled
from .heat.stand import changed

KINDS = ("toothed", "bevelled", "blunt")
STEPS_KG = (2.0, 5.0, 10.0, 20.0, 50.0)
WORN_SHARE, WORN_OUT = 0.15, 0.20  # of the bars' mass: when hammers are replaced (common practice, no source)
FOLLOWED = 0.5  # share of the bars' mass up to which rows are computed
SCALE_KG = 1e-5  # plus or minus, of each weighing (assumed)
EXAMPLE_KG = 1e-4  # 0.1 g missing at one tip
DRAWS, BATCH_DRAWS = 16, 8
FIGURES = ("x50_m", "rate_kg_s", "gross_J_kg")


@dataclass(frozen=True)
class MillFigures:
    """What one mill record gives: x50 [m], largest feed rate [kg/s] (of a batch: powder over its time), J/kg."""

    x50_m: float
    rate_kg_s: float
    gross_J_kg: float


@dataclass(frozen=True)
class Step:
    """The mill after `milled_kg`: metal lost [kg] and its share of the bars; edge radius if all went there, gap growth
    if all went there [m]; the answers of both bounds."""

    milled_kg: float
    lost_kg: float
    share: float
    radius_m: float
    gap_growth_m: float
    by_edge: MillFigures
    by_gap: MillFigures


@dataclass(frozen=True)
class WearDrift:
    """Everything a loss says. code: status of the fresh mill, of record.limits; ppm: of metal in the powder;
    scale_share: what a scale leaves open of the loss; drift: worn over fresh at `at_kg` by "edge_x50_m" and so on, with
    bands; blunt_kg: when edges that take all the loss are as round as a blunt edge; gap_kg: when a gap that takes
    all of it has reached gap_full_m, see `gap_full`; replace_kg: when the bars have lost WORN_SHARE and WORN_OUT;
    force_N: of EXAMPLE_KG at one tip; balance_kg: allowed there by the balance grade [mm/s], NaN without a rotor mass.
    """

    config: Config
    code: int
    lost_kg: float
    milled_kg: float
    at_kg: float
    metal: str
    bars_kg: float
    ppm: float
    scale_share: float
    fresh_radius_m: float
    fresh: MillFigures
    steps: tuple[Step, ...]
    drift: dict[str, Scalar]
    blunt_kg: float
    gap_full_m: float
    gap_kg: float
    replace_kg: tuple[float, float]
    force_N: float
    balance_kg: float
    balance_grade: float
    draws: int

    @property
    def at(self) -> Step:
        """The step at `at_kg`."""
        return next(s for s in self.steps if s.milled_kg == self.at_kg)


def bars_mass(config: Config) -> float:
    """Mass [kg] of the bars, axis to tip, as drawn; of swinging hammers as given."""
    if config.rotor.mount == "swinging":
        return parts.hammers_mass(config)
    drawn = parts.drawn_bars(config, parts.rotor_metal(config))
    return min(drawn, config.rotor.mass_kg) if config.rotor.mass_kg is not None else drawn


def check(config: Config, lost_kg: float, milled_kg: float, at_kg: float) -> None:
    """Refuse a loss that cannot be: more than was milled, or more than there is."""
    bars, problems = bars_mass(config), []
    said = readable(lost_kg, "g")
    if lost_kg >= milled_kg:
        message = f"{said} of metal are not lost over {readable(milled_kg, 'kg')} of powder"
        problems.append(Problem("--lost", "", message, hint="are --lost and --milled swapped, or g and kg?"))
    elif lost_kg >= bars:
        message = f"{said} are more than the bars weigh, about {readable(bars, 'g')} by the drawing"
        problems.append(Problem("--lost", "", message, hint="weigh the bars before and after; the loss is in grams"))
    elif lost_kg / milled_kg * at_kg > FOLLOWED * bars:
        most = FOLLOWED * bars * milled_kg / lost_kg
        message = f"by {readable(at_kg, 'kg')} more than half of the bars would be gone"
        hint = f"replace them before; ask for less than {readable(most, 'kg')}"
        problems.append(Problem("--at", "", message, hint=hint))
    if problems:
        raise InputError(problems)


def drift(
    config: Config, lost_kg: float, milled_kg: float, at_kg: float = 20.0, draws: int | None = None,
    progress: Callable[[float], None] | None = None,
) -> WearDrift:  # fmt: skip
    """Wear drift of a mill whose bars lost `lost_kg` over `milled_kg` of powder. Raises InputError, NotConverged."""
    check(config, lost_kg, milled_kg, at_kg)
    (problem, outcome), per_kg, bars = settled(config), lost_kg / milled_kg, bars_mass(config)
    fresh = _answer(problem, problem.mill)
    at = sorted({*STEPS_KG, at_kg})
    steps = tuple(_step(problem, kg, per_kg * kg, bars) for kg in at if per_kg * kg <= FOLLOWED * bars)
    count = min(BATCH_DRAWS if config.feed.batch else DRAWS, config.run.band_samples) if draws is None else draws
    count = 0 if outcome.code == CANNOT else count  # no powder, no drift
    omega, R, turning = config.drive.speed_rad_s, config.rotor.radius_m, parts.turning_mass(config)
    grade = parts.balance_grade(config)
    eccentricity = strength.permitted_eccentricity(1e-3 * grade, omega)
    return WearDrift(
        config, outcome.status(config.feed), lost_kg, milled_kg, at_kg, parts.rotor_metal(config).in_powder, bars,
        1e6 * wear.iron_share(lost_kg, milled_kg),
        2.0**0.5 * SCALE_KG / lost_kg if lost_kg else inf, radii(config)[config.rotor.main_edge], fresh, steps,
        _drift(problem, fresh, next(s for s in steps if s.milled_kg == at_kg), count, progress),
        blunt_after(config, per_kg), gap_full(config), gap_after(config, per_kg),
        (WORN_SHARE * bars / per_kg if per_kg else inf, WORN_OUT * bars / per_kg if per_kg else inf),
        strength.centrifugal_force(EXAMPLE_KG, R, omega),
        nan if turning is None else strength.permitted_mass(eccentricity, turning, R), grade, count,
    )  # fmt: skip


def radii(config: Config) -> dict[str, float]:
    """Edge radius [m] of each kind of edge when fresh, by the config's model."""
    return {kind: config.model.value(f"edge_radius_{kind}") for kind in KINDS}


def worn_edge(mill: np.ndarray, config: Config, radius_m: float) -> np.ndarray:
    """The mill with edges of another radius.

    Where own or calibrated values, or draws, differ from the config's model, they move by the same factors. Beyond the
    blunt edge only the radius grows.
    """
    fresh, main = radii(config), config.rotor.main_edge
    new = changed(mill, **{n: float(mill[n][0]) * f for n, f in _edge_factors(config, fresh[main], radius_m).items()})
    gone = wear.CORNER * (radius_m**2 - fresh[main] ** 2)
    for j, kind in enumerate(other_edges(main)):  # all edges of a rotor lose alike
        if mill["other_share"][0, j] > 0.0:
            at = wear.rounded_radius(fresh[kind], gone)
            for name, factor in _edge_factors(config, fresh[kind], at).items():
                new[f"other_{name}"][:, j] *= factor
    return new


def _edge_factors(config: Config, start_m: float, radius_m: float) -> dict[str, float]:
    """How the parameters of an edge change as its radius does."""
    factors = {name: _edge_value(config, name, radius_m) / _edge_value(config, name, start_m) for name in EDGE}
    return {**factors, "edge_radius": radius_m / start_m}


def _edge_value(config: Config, name: str, radius_m: float) -> float:
    """An edge parameter of the config's model at an edge radius: between the kinds along ln r (assumed).

    Share, radius and chip size in their logarithm, bite friction as it is.
    """
    known = sorted((r, config.model.value(f"{name}_{kind}")) for kind, r in radii(config).items())
    r, values = np.array(known).T
    if name == "bite_friction":
        return float(np.interp(log(radius_m), np.log(r), values))
    return float(np.exp(np.interp(log(radius_m), np.log(r), np.log(values))))


def worn_gap(mill: np.ndarray, growth_m: float) -> np.ndarray:
    """The mill with tips worn back: a wider gap and a smaller radius, the wall where it was."""
    return changed(mill, gap=float(mill["gap"][0]) + growth_m, R=float(mill["R"][0]) - growth_m)


def geometry(config: Config, lost_kg: float) -> tuple[float, float]:
    """(edge radius if all the loss was at the edges, gap growth if it was even over the tip faces), m."""
    r, density = config.rotor, parts.rotor_metal(config).density
    volume = lost_kg / density
    area = wear.worn_area(volume, r.bars_in_all, r.bar_height_m)
    growth = wear.face_recession(volume, r.bars_in_all, r.bar_thickness_m, r.bar_height_m)
    return wear.rounded_radius(radii(config)[r.main_edge], area), growth


def blunt_after(config: Config, per_kg: float) -> float:
    """Kilograms milled until edges that take all the loss are as round as a blunt edge; inf without a loss."""
    r, start, end = config.rotor, radii(config)[config.rotor.main_edge], radii(config)["blunt"]
    area = wear.CORNER * max(0.0, end * end - start * start)
    return area * r.bars_in_all * r.bar_height_m * parts.rotor_metal(config).density / per_kg if per_kg else inf


def gap_full(config: Config) -> float:
    """Gap [m] up to which tips may wear: as wide as the largest feed piece, or twice as wide, whichever comes first.

    Through a gap as wide as the largest piece nothing is cut any more (geometry); twice is a choice.
    """
    gap, piece = config.stator.gap_m, config.feed.size.top_m
    return min(2.0 * gap, piece) if piece > gap else 2.0 * gap


def gap_after(config: Config, per_kg: float) -> float:
    """Kilograms milled until tips that take all the loss have widened the gap to `gap_full`; inf without a loss."""
    r = config.rotor
    volume = (gap_full(config) - config.stator.gap_m) * r.bars_in_all * r.bar_thickness_m * r.bar_height_m
    return volume * parts.rotor_metal(config).density / per_kg if per_kg else inf


def _step(problem: Setup, milled_kg: float, lost_kg: float, bars_kg: float) -> Step:
    radius, growth = geometry(problem.config, lost_kg)
    by_edge = _answer(problem, worn_edge(problem.mill, problem.config, radius))
    by_gap = _answer(problem, worn_gap(problem.mill, growth))
    return Step(milled_kg, lost_kg, lost_kg / bars_kg, radius, growth, by_edge, by_gap)


def _answer(problem: Setup, mill: np.ndarray, off: Callable[[float], Off] | None = None) -> MillFigures:
    """What a mill record gives, as the config asks for it; NaN and no rate where it does not run.

    off: what a draw of it is off by, at a feed rate.
    """
    feed = problem.config.feed

    def figures(o: Outcome, capacity: float) -> dict[str, float]:
        result = told(problem, o, capacity, mill)
        if off is not None:
            result, _ = bands.erring(result, o, problem, mill[0], off(fed(problem, o)))
        return result.values

    if feed.batch is not None:
        v = figures(solve_batch(problem, *feed.batch, bands.BATCH_STEPS, mill), nan)
        return MillFigures(v["x50_m"], v["throughput_kg_s"], v["gross_J_kg"])
    most = solve(problem, None, mill)
    if most.code == CANNOT:
        return MillFigures(nan, 0.0, inf)
    F = float(most.state["F"])
    o = most if feed.rate_kg_s is None or feed.rate_kg_s >= F else solve(problem, feed.rate_kg_s, mill)
    v = figures(o, F)
    return MillFigures(v["x50_m"], v["capacity_kg_s"], v["gross_J_kg"])


def _ratios(fresh: MillFigures, edge: MillFigures, gap: MillFigures) -> dict[str, float]:
    """Worn over fresh, by bound and figure."""
    found = {}
    for bound, worn in (("edge", edge), ("gap", gap)):
        for name in FIGURES:
            before, after = getattr(fresh, name), getattr(worn, name)
            known = isfinite(before) and before > 0.0 and isfinite(after)
            found[f"{bound}_{name}"] = after / before if known else nan
    return found


def _drift(problem: Setup, fresh: MillFigures, at: Step, count: int, progress) -> dict[str, Scalar]:
    """Ratios at one step with the band that the ranges of all parameters and the errors give them."""
    own = _ratios(fresh, at.by_edge, at.by_gap)
    samples: dict[str, list[float]] = {name: [] for name in own}
    mills = bands.draws(problem, count, problem.config.run.seed or 0) if count else np.empty(0)
    off = _Worn(problem, at, max(count, 1))
    for i in range(count):
        mill = mills[i : i + 1]
        try:
            edge = _answer(problem, worn_edge(mill, problem.config, at.radius_m), partial(off.edge, i))
            gap = _answer(problem, worn_gap(mill, at.gap_growth_m), partial(off.gap, i))
            found = _ratios(_answer(problem, mill, partial(off.fresh, i)), edge, gap)
        except NotConverged:
            continue
        for name, value in found.items():
            samples[name].append(value)
        if progress:
            progress((i + 1) / count)
    return {name: _scalar(name, value, samples[name]) for name, value in own.items()}


class _Worn:
    """What draws of one mill are off by, fresh and worn.

    Edges have a place of their own beside `conditions`: a factor of two in the radius is a step.
    """

    def __init__(self, problem: Setup, at: Step, count: int):
        self.config, seed = problem.config, problem.config.run.seed or 0
        self.radius = log(at.radius_m / radii(self.config)[self.config.rotor.main_edge]) / ALIKE
        stator = replace(self.config.stator, gap_m=self.config.stator.gap_m + at.gap_growth_m)
        self.wider = replace(self.config, stator=stator)
        new = errors(problem, count, seed)
        self.new = replace(new, runs=tuple(replace(r, place=(*r.place, 0.0)) for r in new.runs))
        self.later = [errors(problem, count, seed + n) for n in (1, 2)]  # other days, other sources of the unlike part

    def fresh(self, i: int, rate_kg_s: float) -> Off:
        """Of the fresh mill."""
        return self.new.off_at(i, *self._place(self.config, rate_kg_s, 0.0))

    def edge(self, i: int, rate_kg_s: float) -> Off:
        """Of the mill with worn edges."""
        return self._after(i, 0, rate_kg_s, self._place(self.config, rate_kg_s, self.radius))

    def gap(self, i: int, rate_kg_s: float) -> Off:
        """Of the mill with a wider gap."""
        return self._after(i, 1, rate_kg_s, self._place(self.wider, rate_kg_s, 0.0))

    def _after(self, i: int, which: int, rate_kg_s: float, at: tuple[str, np.ndarray]) -> Off:
        kind, fresh = self._place(self.config, rate_kg_s, 0.0)
        z: dict[str, tuple[float, ...]] = {n: (v,) for n, v in self.new.of_model(i, kind, fresh).items()}
        return replace(self.later[which], runs=(RunErrors(kind, tuple(fresh), z),)).off_at(i, *at)

    @staticmethod
    def _place(config: Config, rate_kg_s: float, radius: float) -> tuple[str, np.ndarray]:
        kind, place = conditions(config, rate_kg_s)
        return kind, np.append(place, radius)


def _scalar(name: str, value: float, samples: list[float]) -> Scalar:
    v = np.array(samples)
    low, high = bands.band_of(v, ~np.isnan(v)) if v.size else (nan, nan)
    return Scalar(value, "1", f"worn over fresh, {name}", low=low, high=high)
