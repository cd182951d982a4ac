"""Mills side by side by draws that they share: in each draw a parameter is off alike in all of them.

What no parameter makes up for is shared as far as the mills are alike, by the distance in which calibrations lose their
hold (`mill.calibrated.conditions`); mills of another kind share none of it, and each runs on a day of its own.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from math import nan
from pathlib import Path

import numpy as np

from ...base.numerics import psd
from ...base.quantities.params import ParamSet
from ...errors import InputError, Problem
from ...forecast import band, run
from ...forecast.error import DAY, JITTER, MODEL, Errors, alike, sizes_of
from ...mill.calibrated import conditions
from ...mill.cards.calibrated import RunErrors
from ...mill.config.mill import Config, load_config, parse_config
from ...mill.config.schema import SECTIONS
from ...mill.problem import Setup, build
from ...record.prediction import Prediction
from ...record.read import read
from ...studies import advised
from ...version import MODEL_VERSION

DRAWS = 64
NO_RATE = 1e-6  # kg/s, for the place of a mill that gives nothing
WINDOW = "window"  # the share of the powder in the window asked for
COMPARED = ("throughput_kg_s", "x50_m", "x90_m", "gross_J_kg", "outlet_temperature_K")
_FIRST = ("rotor.mount", "rotor.edge", "stator.gap", "rotor.rings")  # what makes a mill what it is is told first
_NOT_SAID = ("mill.name", "feed.material", *(f"run.{key.name}" for key in SECTIONS["run"]))


@dataclass(frozen=True)
class Mill:
    """One of the mills: the file it is from, its config, and its prediction, stored or made now."""

    source: str
    config: Config
    prediction: Prediction


@dataclass(frozen=True)
class Against:
    """A mill set against the first in the common draws in which both run.

    times: {output: (low, middle, high)} of its figure over the first's, of temperatures the difference in K; more:
    {output: share of the draws in which its figure is the larger}, less: the smaller; both: how many draws that are.
    """

    times: dict[str, tuple[float, float, float]]
    more: dict[str, float]
    less: dict[str, float]
    both: int


@dataclass(frozen=True)
class Beside:
    """Mills side by side; differ: (key, its value in each, None where it has none); window_m: sizes asked for."""

    mills: tuple[Mill, ...]
    differ: tuple[tuple[str, tuple[object, ...]], ...]
    against: tuple[Against, ...]
    draws: int
    window_m: tuple[float, float] | None
    windows: tuple[tuple[float, float, float], ...]  # share in the window of each: value, low, high


def load(paths: Iterable[Path], seed: int, settings: tuple[str, ...] = (), say: Callable | None = None) -> list[Mill]:
    """The mills of config files and of stored predictions (.h5, by their ending). Raises InputError of all of them."""
    problems, found = [], []
    for path in paths:
        try:
            found.append((str(path), *_read(path, settings)))
        except InputError as error:
            problems += error.problems
    if problems:
        raise InputError(problems)
    made = []
    for i, (source, config, stored) in enumerate(found):
        if say:
            say("mills", i / len(found), source)
        made.append(Mill(source, config, stored or _predicted(config, seed)))
    return made


def _predicted(config: Config, seed: int) -> Prediction:
    """As `predict` has it, without what would help; pieces are followed where it is fed by hand, as `check` does: only
    they tell whether a handful stalls it.
    """
    bare = replace(config, run=replace(config.run, trace=config.feed.handful_kg is not None))
    return advised.reviewed(config, run.predict(bare, "balance", seed))


def _read(path: Path, settings: tuple[str, ...]) -> tuple[Config, Prediction | None]:
    if path.suffix.lower() != ".h5":
        return load_config(path, list(settings)), None
    stored = read(path)
    if stored.model_version != MODEL_VERSION:
        message = f"was made by model {stored.model_version}, this is {MODEL_VERSION}: they cannot be compared"
        raise InputError(Problem(str(path), "", message, hint="predict it again"))
    if settings:
        message = "a stored prediction cannot be changed"
        raise InputError(Problem(str(path), "", message, hint="name its config to use --set"))
    return parse_config(stored.config_text), stored


def beside(
    mills: list[Mill], seed: int, draws: int = DRAWS, window_m: tuple[float, float] | None = None,
    progress: Callable[[float], None] | None = None,
) -> Beside:  # fmt: skip
    """Set mills beside each other; draws: common ones behind the differences, 0 for none."""
    problems = [build(m.config) for m in mills]
    samples = _samples(mills, problems, seed, draws, progress) if draws else []
    pairs = list(zip(samples, problems, strict=True)) if draws else []
    against = tuple(_against(samples[0], s, window_m, problems[0], p) for s, p in pairs[1:])
    windows = [
        _window(m, samples[i] if samples else None, problems[i], window_m) if window_m else (nan, nan, nan)
        for i, m in enumerate(mills)
    ]
    return Beside(tuple(mills), _differences(mills), against, draws, window_m, tuple(windows))


def _samples(mills, problems, seed: int, draws: int, progress) -> list[band.Samples]:
    records = band.common_draws(problems, draws, seed)
    errors = joint_errors(problems, [m.prediction.main.scalars["throughput_kg_s"].value for m in mills], draws, seed)
    found = []
    for i, (problem, record, off) in enumerate(zip(problems, records, errors, strict=True)):

        def tell(share: float, i: int = i) -> None:
            if progress:
                progress((i + share) / len(problems))

        found.append(band.run_samples(problem, record, problem.config.feed.rate_kg_s, tell, off))
    return found


def joint_errors(problems: list[Setup], rates_kg_s: list[float], count: int, seed: int) -> list[Errors]:
    """Errors of each mill for `count` draws: of the model as far shared as they are alike, of the day by itself."""
    found = [conditions(p.config, r if r > 0.0 else NO_RATE) for p, r in zip(problems, rates_kg_s, strict=True)]
    cards = [p.calibration.card if p.calibration else None for p in problems]
    kinds, places = [kind for kind, _ in found], np.array([place for _, place in found])
    root = _root(shared(kinds, places, [c.errors if c else () for c in cards]))
    rng = np.random.default_rng(seed)
    model = np.einsum("kj,njm->nkm", root, rng.standard_normal((count, len(problems), len(MODEL))))
    day = rng.standard_normal((count, len(problems), len(DAY)))
    return [
        Errors(sizes_of(p, c.error_factors if c else (1.0, 1.0)), model[:, k], day[:, k], c.errors if c else ())
        for k, (p, c) in enumerate(zip(problems, cards, strict=True))
    ]


def shared(kinds: list[str], places: np.ndarray, runs: list[tuple[RunErrors, ...]]) -> np.ndarray:
    """Correlation (k, k) of what is not known of the model's own error in each mill; runs: of its calibration.

    What runs tell of mills alike they tell of all of them, so what is left is the kernel less k' K^-1 k (Rasmussen &
    Williams 2006, eq. 2.19): on either side of a run two mills are off in opposite ways.
    """
    near = alike(places, places) * np.equal.outer(kinds, kinds)
    groups = [(kind, tuple(r for r in own if r.kind == kind)) for kind, own in zip(kinds, runs, strict=True)]
    for group in (g for i, g in enumerate(groups) if g[1] and g not in groups[:i]):
        mine = np.array([i for i, g in enumerate(groups) if g == group])
        at = np.array([r.place for r in group[1]])
        far = alike(places[mine], at)
        left = near[np.ix_(mine, mine)] - far @ np.linalg.solve(alike(at, at) + JITTER * np.eye(len(at)), far.T)
        size = np.sqrt(np.clip(np.diag(left), JITTER, None))
        near[np.ix_(mine, mine)] = left / np.outer(size, size)
    np.fill_diagonal(near, 1.0)
    return near


def _root(correlation: np.ndarray) -> np.ndarray:
    """Symmetric root with rows of length 1, of what may by rounding be no correlation quite."""
    values, vectors = np.linalg.eigh(correlation)
    root = vectors @ np.diag(np.sqrt(np.clip(values, 0.0, None))) @ vectors.T
    return root / np.linalg.norm(root, axis=1, keepdims=True)


def _against(first: band.Samples, other: band.Samples, window_m, p_first: Setup, p_other: Setup) -> Against:
    both = _runs(first) & _runs(other)
    pairs = {n: (first.values[n], other.values[n]) for n in COMPARED if n in first.values and n in other.values}
    if window_m:
        pairs[WINDOW] = (_shares(first, p_first, window_m), _shares(other, p_other, window_m))
    times, more, less = {}, {}, {}
    for name, (a, b) in pairs.items():
        a, b = a[both], b[both]
        if not a.size:
            continue
        off = b - a if name.endswith("_K") or name == WINDOW else b / a
        low, middle, high = np.nanquantile(off, [0.1, 0.5, 0.9])
        times[name] = float(low), float(middle), float(high)
        more[name], less[name] = float(np.mean(b > a)), float(np.mean(b < a))
    return Against(times, more, less, int(both.sum()))


def _runs(s: band.Samples) -> np.ndarray:
    """Draws in which a mill gives powder."""
    return s.ok & (s.values["throughput_kg_s"] > 0.0) if s.values else s.ok


def _shares(s: band.Samples, p: Setup, window_m: tuple[float, float]) -> np.ndarray:
    return np.array([psd.q_at(p.edges, q, window_m[1]) - psd.q_at(p.edges, q, window_m[0]) for q in s.q3])


def _window(m: Mill, s: band.Samples | None, p: Setup, window_m: tuple[float, float]) -> tuple[float, float, float]:
    t = m.prediction.main.table
    value = psd.q_at(t.edges_m, t.product_q3, window_m[1]) - psd.q_at(t.edges_m, t.product_q3, window_m[0])
    return float(value), *(band.band_of(_shares(s, p, window_m), s.ok) if s is not None else (nan, nan))


def _differences(mills: list[Mill]) -> tuple[tuple[str, tuple[object, ...]], ...]:
    """Every key whose value is not the same in all, what makes the mill first, then in the order of a config; cards by
    their title, and of cards of one title the numbers."""
    found = []
    for section, keys in SECTIONS.items():
        for key in keys:
            values = tuple(_value(m.config, section, key) for m in mills)
            if f"{section}.{key.name}" not in _NOT_SAID and len(set(values)) > 1:
                found.append((f"{section}.{key.name}", values))
    found.sort(key=lambda row: _FIRST.index(row[0]) if row[0] in _FIRST else len(_FIRST))
    cards = tuple(m.config.material.title for m in mills)
    found += [("feed.material", cards)] if len(set(cards)) > 1 else []
    found += _numbers("material", [m.config.material for m in mills])
    found += _numbers("model", [m.config.model for m in mills])
    measured = [m.config.calibration for m in mills]
    if any(c != measured[0] for c in measured):
        found.append(("calibration.card", tuple(c.title if c else None for c in measured)))
    return tuple(found)


def _numbers(section: str, cards: list[ParamSet]) -> list[tuple[str, tuple[object, ...]]]:
    """Every parameter that is not the same on all cards of one title."""
    found: list[tuple[str, tuple[object, ...]]] = []
    for name in dict.fromkeys(n for card in cards for n in card):
        values = tuple(card.value(name) if name in card else None for card in cards)
        if len({(c.title, v) for c, v in zip(cards, values, strict=True)}) > len({c.title for c in cards}):
            found.append((f"{section}.{name}", values))
    return found


def _value(config: Config, section: str, key) -> object:
    where = config.feed.size if section == "feed.size" else getattr(config, section, None)
    return getattr(where, key.field, None)
