"""`calibrate`: measured runs in, what they leave possible of the parameters out.

One misfit for everything: residuals of all runs, weighted together since runs of one mill share errors, and the scores
of all parameters (the prior). The balance engine answers inside; the Monte Carlo engine confirms at the optimum.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from ...base.numerics.threads import on_all_cores
from ...base.quantities.params import Param
from ...engines import montecarlo
from ...errors import InputError, MillsimError, Problem
from ...forecast.error import FACTORS, MODEL, Errors, sizes_of
from ...forecast.error import errors as off_by
from ...mill.cards.calibrated import RunErrors
from ...mill.guesses import MATERIAL
from ..measured.runsheet import MeasuredRun
from .misfit import Misfit, answered
from .observations import Block, blocks_of, frame_of
from .posterior import Mode, Posterior, find_mode, sample
from .runmodel import Forecast, RunModel, model_of
from .unknowns import Unknowns, unknowns_of

DRAWS = 128  # equal draws kept on the card
DIGITS = 4  # of a score: a hundredth of what a draw can tell
GRID, FACTOR_SD = np.geomspace(0.4, 6.0, 15), 0.5
PRIOR_DRAWS = 128
HISTORIES = 20000

Say = Callable[[str, float, str], None]


def silent(stage: str, done: float, detail: str = "") -> None:
    """Progress that nobody asks for."""


@dataclass(frozen=True)
class Curves:
    """Q3 (N, n+1) of draws as one more run would show it: before; after, on the day of the run and on another day."""

    before: np.ndarray
    same_day: np.ndarray
    after: np.ndarray


@dataclass(frozen=True)
class RunFit:
    """One run with its model, what it measured, and forecasts at the mode, over draws of posterior and prior."""

    run: MeasuredRun
    model: RunModel
    blocks: tuple[Block, ...]
    best: Forecast
    after: tuple[Forecast, ...]
    before: tuple[Forecast, ...]
    confirmed: "Confirmation | None" = None
    curves: Curves | None = None


@dataclass(frozen=True)
class Confirmation:
    """The Monte Carlo engine at the optimum: its forecast, standard errors of Q3 (n+1,), and misfits of both."""

    forecast: Forecast
    q3_se: np.ndarray
    worst_sigma: float
    misfit_balance: float
    misfit_montecarlo: float


@dataclass(frozen=True)
class Calibration:
    """The result: runs, unknowns, posterior, and equal draws of the scores (DRAWS, G).

    assumed: the best fit with the model's own error as its card has it; factors: of that error as the runs have it;
    errors: what the draws say of it, per run.
    """

    fits: tuple[RunFit, ...]
    unknowns: Unknowns
    posterior: Posterior
    draws: np.ndarray
    seed: int
    assumed: Mode
    factors: tuple[float, float]
    errors: tuple[RunErrors, ...]

    @property
    def chi2(self) -> float:
        """Sum of squared weighted residuals of the data at the optimum, with errors as assumed."""
        return float(np.sum(self.assumed.residuals**2))

    @property
    def count(self) -> int:
        """Number of data; what only says that a limit was kept is none."""
        return sum(b.values.size for f in self.fits for b in f.blocks if not b.one_sided)

    @property
    def surprise(self) -> float:
        """Probability of a worse misfit by chance, with errors as assumed."""
        return self._chance(self.assumed)

    @property
    def left_over(self) -> float:
        """The same with the model's own error as large as the runs have it: small where even that does not do."""
        return self._chance(self.posterior.mode)

    def _chance(self, mode: Mode) -> float:
        """|r|^2 + |z|^2 at a mode is chi-squared with `count` degrees; unlikely parameters are a bad fit too."""
        from scipy.special import gammaincc

        return float(gammaincc(0.5 * self.count, 0.5 * float(np.sum(mode.residuals**2) + np.sum(mode.scores**2))))


class JointMisfit:
    """Scores (N, G) -> weighted residuals (N, n) of all runs; samples are solved on all cores, in a fixed order."""

    def __init__(self, models: tuple[RunModel, ...], blocks: tuple[tuple[Block, ...], ...], unknowns: Unknowns):
        self.models, self.blocks, self.unknowns = models, blocks, unknowns
        self.misfit = Misfit(blocks)
        searched = {p.name: p for group in unknowns.members for p in group}
        self.used = [{p.name for p in m.problem.parameters if _searched(p, searched.get(p.name))} for m in models]

    def __call__(self, scores: np.ndarray) -> np.ndarray:
        told = [self.forecasts(i, scores) for i in range(len(self.models))]
        return np.array([self.misfit(f) for f in zip(*told, strict=True)]).reshape(len(scores), -1)

    def forecasts(self, i: int, scores: np.ndarray) -> list[Forecast | None]:
        """What run i would have shown at each of the scores (N, G)."""
        model = self.models[i]
        mills = self.unknowns.mills(model.problem, scores, self.used[i])
        return on_all_cores(lambda j: model.forecast(mills[j : j + 1]), range(len(scores)))


def calibrate(runs, seed: int = 1, progress: Say | None = None, confirm: bool = True) -> Calibration:
    """Fit the parameters to one or more MeasuredRuns of one material.

    confirm: whether the Monte Carlo engine looks at the optimum too. Raises InputError where the runs cannot be
    calibrated together, MillsimError where no parameters reproduce them.
    """
    say = progress or silent
    refuse_unfit(runs)
    models = tuple(model_of(run) for run in runs)
    blocks = tuple(blocks_of(run, model) for run, model in zip(runs, models, strict=True))
    unknowns = unknowns_of(_all_parameters(models))
    joint, rng = JointMisfit(models, blocks, unknowns), np.random.default_rng(seed)
    assumed = find_mode(joint, unknowns.count, rng, lambda d, text: say("best fit", d, text))
    if not np.isfinite(assumed.residuals).all():
        rates = ", ".join(f"{run.name}: {3600 * run.feed_rate_kg_s:.3g} kg/h" for run in runs)
        raise MillsimError(
            f"no parameters within their ranges let this mill run as measured ({rates}): check masses.fed, "
            "time.milling and the config that the run sheet names"
        )
    factors = factors_of(joint.misfit, assumed, least=1.0 if len(runs) == 1 else 0.0)
    blocks = tuple(blocks_of(run, model, factors) for run, model in zip(runs, models, strict=True))
    joint = JointMisfit(models, blocks, unknowns)
    mode = find_mode(joint, unknowns.count, rng, lambda d, text: say("best fit", d, text), assumed.scores)
    found = sample(joint, mode, rng, lambda d, text: say("posterior", d, text))
    draws = found.equal(DRAWS)
    prior = np.random.default_rng(seed).standard_normal((PRIOR_DRAWS, unknowns.count))
    fits, told, expected = [], [], []
    for i, (run, model) in enumerate(zip(runs, models, strict=True)):
        (best,), after = answered(joint.forecasts(i, mode.scores[None])), joint.forecasts(i, draws)
        told.append(after)
        before = joint.forecasts(i, prior)
        expected.append(before)
        fit = RunFit(run, model, blocks[i], best, answered(after), answered(before))
        if confirm:
            say("Monte Carlo", i / len(runs), "confirms at the optimum")
            fit = replace(fit, confirmed=_confirm(fit, joint, i, mode.scores, seed))
        fits.append(fit)
    errors = errors_of(joint, list(zip(*told, strict=True)), [f.best for f in fits], rng)
    fits = [
        replace(f, curves=_curves(f.model, before, after, factors, errors, seed))
        for f, before, after in zip(fits, expected, told, strict=True)
    ]
    return Calibration(tuple(fits), unknowns, found, draws, seed, assumed, factors, errors)


def factors_of(misfit: Misfit, mode: Mode, least: float) -> tuple[float, float]:
    """By how much the model's own errors are larger than their card says, as what the best fit leaves over tells.

    Of linear models (the slopes are those at the mode) what is measured is normal with covariance C + J J' before the
    parameters are known; its density with GRID times the model's own errors, and a prior of standard deviation
    FACTOR_SD in the logarithm (assumed), weigh the factors. Runs that fit say little, so the factors stay near 1; one
    run that fits well does not make a better model, hence `least`.
    """
    n = misfit.values.size
    root = np.linalg.cholesky(misfit.covariance)
    J, off = root @ mode.jacobian[:n], root @ mode.residuals[:n]
    off, parts = off - J @ mode.scores, [misfit.of_model(kind) for kind in FACTORS]
    factors = np.array([(a, b) for a in GRID for b in GRID])
    heights = np.empty(len(factors))
    for i, pair in enumerate(factors):
        C = misfit.covariance + J @ J.T + sum((f**2 - 1.0) * part for f, part in zip(pair, parts, strict=True))
        heights[i] = -0.5 * (np.linalg.slogdet(C)[1] + off @ np.linalg.solve(C, off))
    heights -= 0.5 * np.sum((np.log(factors) / FACTOR_SD) ** 2, axis=1)
    weights = np.exp(heights - heights.max())
    a, b = np.maximum(least, np.exp(weights @ np.log(factors) / weights.sum())).tolist()
    return round(a, DIGITS), round(b, DIGITS)


def errors_of(joint: JointMisfit, told: list, best: list[Forecast], rng: np.random.Generator) -> tuple[RunErrors, ...]:
    """What is left of the scores of the model's own error: one draw for each draw of the parameters, for every run.

    told: (draws, runs) of Forecast or None; a draw without an answer to a run takes that of the best fit. Given the
    parameters the scores are normal (Rasmussen & Williams 2006, Gaussian Processes for Machine Learning, eq. 2.19).
    """
    misfit, models = joint.misfit, joint.models
    frames = [frame_of(m.problem.config, m.rate_kg_s, {}) for m in models]
    names = [(j, n) for n in MODEL for j in range(len(frames))]
    targets = tuple(frames[j].of_model(**{n: 1.0})[0] for j, n in names)
    off = np.array([-misfit.off(tuple(f or best[i] for i, f in enumerate(draw))) for draw in told])
    follows = np.linalg.solve(misfit.covariance, misfit.with_targets(targets).T)  # (m, t)
    left = (
        np.array([[float(t.with_(u)[0, 0]) for u in targets] for t in targets]) - misfit.with_targets(targets) @ follows
    )
    values, vectors = np.linalg.eigh(0.5 * (left + left.T))
    shaken = rng.standard_normal((len(told), len(targets))) * np.sqrt(np.clip(values, 0.0, None))
    scores = np.round(off @ follows + shaken @ vectors.T, DIGITS)
    return tuple(
        RunErrors(
            frame.kind, tuple(round(float(p), 6) for p in frame.place),
            {n: tuple(scores[:, names.index((j, n))].tolist()) for n in MODEL},
        )
        for j, frame in enumerate(frames)
    )  # fmt: skip


def _curves(model: RunModel, before: list, after: list, factors, runs: tuple[RunErrors, ...], seed: int) -> Curves:
    """The curves of draws with what model and day are off by; a draw without an answer is left out."""
    p = model.problem
    prior = off_by(p, max(len(before), len(after)), seed)
    known = replace(prior, sizes=sizes_of(p, factors), runs=runs)

    def curves(off: Errors, told: list[Forecast | None]) -> np.ndarray:
        offs = ((f, off.off(i, p.config, model.rate_kg_s)) for i, f in enumerate(told) if f is not None)
        return np.array([o.bent(p.edges, f.q3, p.config.sieve.hole_m) for f, o in offs])

    return Curves(curves(prior, before), curves(replace(known, day=0.0 * known.day), after), curves(known, after))


def refuse_unfit(runs) -> None:
    """InputError for runs that cannot be calibrated, all reasons at once."""
    problems = list(named_twice(runs))
    first = runs[0].config
    for run in runs:
        where = str(run.path or run.name)
        if not run.product_sheets:
            hint = 'sieve a sample of the product and name the sheet: product = "sheet.csv"'
            problems.append(Problem(where, "sieving.product", "is missing: nothing to calibrate on", hint=hint))
        if [*run.config.material.values()] != [*first.material.values()]:
            hint = "calibrate each material apart"
            message = f"is {run.config.material.title}, but the first run is {first.material.title}"
            problems.append(Problem(where, "feed.material", message, hint=hint))
    problems += _guessed_otherwise(runs)
    if problems:
        raise InputError(problems)


def _guessed_otherwise(runs):
    """A material that is not known, or one key guessed in several ways: what is fitted would belong to no one mill."""
    seen: dict[str, Param] = {}
    for run in runs:
        where = str(run.path or run.name)
        for p in run.config.guesses.parameters if run.config.guesses else ():
            before = seen.setdefault(p.name, p)
            if p.name == MATERIAL:
                message, hint = "is guessed: a calibration belongs to one material", "find out which it is"
                yield Problem(where, f"guessed.{p.name}", message, hint=hint)
            elif (before.value, before.low, before.high, before.note) != (p.value, p.low, p.high, p.note):
                hint = "measure it, or calibrate these runs apart"
                yield Problem(where, f"guessed.{p.name}", "is another guess than in a run before", hint=hint)


def named_twice(runs):
    """The same run, or the same sheet of one run, named twice: it would count twice."""
    seen: dict[str, str] = {}
    for run in runs:
        where = str(run.path or run.name)
        if run.sha256 in seen:
            message = f"is the same run as {seen[run.sha256]}: it would count twice"
            yield Problem(where, "run", message, hint="name every run once")
        seen.setdefault(run.sha256, where)
        for lot in ("product", "holdup", "bag"):
            sheets = [(s.apertures_m, s.q3, s.retained_g) for s in getattr(run, f"{lot}_sheets")]
            if len(set(sheets)) < len(sheets):
                hint = "a repeat is another sample sieved; name every sheet once"
                yield Problem(where, f"sieving.{lot}", "names the same sieving twice", hint=hint)


def _all_parameters(models: tuple[RunModel, ...]) -> tuple[Param, ...]:
    """Parameters of all runs by name; a config's own value stands for itself and is not searched."""
    found: dict[str, Param] = {}
    for model in models:
        for p in model.problem.parameters:
            if p.basis != "config":
                found.setdefault(p.name, p)
    return tuple(found.values())


def _searched(p: Param, unknown: Param | None) -> bool:
    """Whether a run's parameter is the unknown of that name; one measured on its own mill alone stays as measured."""
    if p.basis == "config" or unknown is None:
        return False
    measured = p.name.startswith("edge_radius_") and "measured" in (p.basis, unknown.basis)
    return not measured or (p.low, p.high) == (unknown.low, unknown.high)


def _confirm(fit: RunFit, joint: JointMisfit, i: int, scores: np.ndarray, seed: int) -> Confirmation | None:
    """The Monte Carlo engine in the state of the best fit; None for a batch or where pieces hardly leave the mill."""
    model, problem = fit.model, fit.model.problem
    if problem.config.feed.batch:
        return None
    mill = joint.unknowns.mills(problem, scores[None], joint.used[i])
    steps, flows, rate = model.frozen(mill)
    events = sum(float(flows[n]) for n in ("bar_hits", "pin_hits", "nips", "tries")) / rate
    if events > montecarlo.MOST_EVENTS:
        return None
    tally = montecarlo.run(mill, steps, problem.edges, problem.feed_curve, HISTORIES, seed, 0.01, events=events)
    q3, se = tally.exits_q3 / tally.left, tally.exits_q3_se / tally.left
    told = replace(fit.best, q3=q3, holdup_kg=rate * tally.residence_s)
    worst = float(np.max(np.abs(q3 - fit.best.q3) / np.maximum(se, 1e-3)))
    alone = Misfit((fit.blocks,))
    balance, histories = (float(np.sum(alone((f,)) ** 2)) for f in (fit.best, told))
    return Confirmation(told, se, worst, balance, histories)
