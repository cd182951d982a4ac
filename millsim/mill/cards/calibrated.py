"""The calibrated card: what one or more measured runs left possible of the parameters, as TOML.

It holds, per parameter, the prior it started from (value, low, high), the score of the most probable value and the
scores of equally likely draws; draw i of all parameters belongs together. A score is a standard normal deviate of
the prior: 0 is the prior's value, -2 and 2 its limits. Imports no numpy.
"""

import functools
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, TypeGuard

from ...base.quantities.params import Param
from ...base.reading.toml import parse_toml, read_text
from ...base.reading.values import did_you_mean, show
from ...errors import InputError, Problem
from ...version import MODEL_VERSION
from .spec import IGNORED, MATERIAL, MODEL, CardEntry

BOTH = {**MATERIAL, **MODEL}
_TEXTS = ("title", "note", "material", "model_version")
_HASHES = "run_hashes"  # may be missing
_LISTS = ("runs", "measured", "failed")
_WORDS = ("gap_regime", "mount", "edge")
_ANY = float("inf")
_MOST = 10.0  # a score beyond this is no score


@dataclass(frozen=True)
class Fitted:
    """One parameter after calibration: its prior, the most probable score and the scores of the draws."""

    prior: Param
    score: float
    draws: tuple[float, ...]


@dataclass(frozen=True)
class Conditions:
    """Where the calibration holds: lowest and highest of each over the runs; gap regimes, edges and mounts seen."""

    tip_speed_m_s: tuple[float, float]
    outlet_temperature_K: tuple[float, float]
    hole_m: tuple[float, float]
    feed_size_m: tuple[float, float]
    feed_temperature_K: tuple[float, float]
    bars: tuple[float, float]
    pins: tuple[float, float]  # 0: a smooth wall
    gap_regime: tuple[str, ...]
    mount: tuple[str, ...]
    edge: tuple[str, ...]
    gap_m: tuple[float, float] = (0.0, 0.0)  # 0: an older card, which does not say


@dataclass(frozen=True)
class RunErrors:
    """What a calibration says of the model's own error in one run: scores by coordinate, one per draw.

    kind, place: of `mill.calibrated.conditions`.
    """

    kind: str
    place: tuple[float, ...]
    scores: dict[str, tuple[float, ...]]

    @property
    def count(self) -> int:
        """Number of draws."""
        return len(next(iter(self.scores.values())))


@dataclass(frozen=True)
class Calibrated:
    """A calibrated card. runs: names of the runs; material: title of the material card they were made with.

    ignored: parameters on it that have lost their meaning.
    """

    title: str
    note: str
    material: str
    model_version: str
    runs: tuple[str, ...]
    measured: tuple[str, ...]  # names of the measurements that these runs had
    failed: tuple[str, ...]  # sentences of the checks that failed; such a card has no error bars
    conditions: Conditions
    parameters: dict[str, Fitted]
    run_hashes: tuple[str, ...] = ()  # of what the runs measured; older cards have none
    ignored: tuple[str, ...] = ()
    errors: tuple[RunErrors, ...] = ()  # one per run; older cards have none
    error_factors: tuple[float, float] = (1.0, 1.0)  # of the model's own error over its card: in sizes, in loads

    @property
    def count(self) -> int:
        """Number of draws."""
        return len(next(iter(self.parameters.values())).draws)

    @functools.cached_property
    def toml(self) -> str:
        """The card as the text of a file."""
        return calibrated_toml(self)

    @functools.cached_property
    def section(self) -> str:
        """The card as a section of a config."""
        return calibrated_toml(self, section="calibration")


def load_calibrated(path: Path) -> Calibrated:
    """A calibrated card from its file. Raises InputError."""
    text = read_text(path)
    if isinstance(text, Problem):
        raise InputError(text)
    parsed = parse_toml(text, str(path))
    problems = list(parsed.problems)
    card = None if problems else calibrated_from(parsed.tables, str(path), problems)
    if problems or card is None:
        raise InputError(problems)
    return card


def calibrated_from(tables: dict, where: str, problems: list[Problem], prefix: str = "") -> Calibrated | None:
    """A calibrated card from its tables; None, with the problems noted, when something is wrong with it."""
    before = len(problems)

    def say(key: str, message: str, hint: str = "") -> None:
        problems.append(Problem(where, prefix + key, message, hint=hint))

    known = (*_TEXTS, *_LISTS, _HASHES, "conditions", "errors", "parameters")
    for name in tables:
        if name not in known:
            say(show(name)[1:-1], "unknown key", did_you_mean(name, known))
    if not isinstance(tables.get("parameters"), dict) or not tables["parameters"]:
        say("parameters", "is missing", "this is no calibrated card; `millsim calibrate RUN.toml` writes one")
        return None
    for name in _TEXTS:
        if not isinstance(tables.get(name), str):
            say(name, "is missing or no text")
    for name in _LISTS:
        raw = tables.get(name)
        if not isinstance(raw, list) or not all(isinstance(r, str) for r in raw) or (name == "runs" and not raw):
            say(name, "is missing or no list of texts")
    hashes = tables.get(_HASHES, [])
    if not isinstance(hashes, list) or not all(isinstance(h, str) for h in hashes):
        say(_HASHES, "is no list of texts")
    if tables.get("model_version", MODEL_VERSION) != MODEL_VERSION:
        message = f"is {show(tables['model_version'])}, but this is model {MODEL_VERSION}"
        say("model_version", message, "calibrate again: the laws have changed since")
    conditions = _conditions(tables.get("conditions"), say)
    factors, errors = _errors(tables.get("errors", {}), say)
    ignored = tuple(n for n in tables["parameters"] if n in IGNORED)
    found = {n: _fitted(n, t, say) for n, t in tables["parameters"].items() if n not in ignored}
    if len({len(f.draws) for f in found.values() if f}) > 1:
        say("parameters", "do not all have the same number of draws")
    if len(problems) > before or conditions is None:
        return None
    told: dict[str, Any] = {n: " ".join(tables[n].split()) for n in _TEXTS} | {n: tuple(tables[n]) for n in _LISTS}
    parameters = {n: f for n, f in found.items() if f}
    more: dict[str, Any] = {"run_hashes": tuple(hashes), "ignored": ignored, "errors": errors, "error_factors": factors}
    return Calibrated(**told, conditions=conditions, parameters=parameters, **more)


def _conditions(table: object, say) -> Conditions | None:
    if not isinstance(table, dict):
        say("conditions", "is missing")
        return None
    got = {}
    for f in fields(Conditions):
        raw: Any = table.get(f.name)
        if f.name == "gap_m" and raw is None:
            raw = [0.0, 0.0]
        if f.name in _WORDS:
            good = isinstance(raw, list) and raw and all(isinstance(x, str) for x in raw)
        else:
            least = 0.0 if f.name in ("pins", "gap_m") else 1e-9
            good = _numbers(raw) and len(raw) == 2 and least <= raw[0] <= raw[1]
        if not good:
            say(f"conditions.{f.name}", "is missing or not as written by millsim calibrate")
        else:
            got[f.name] = tuple(raw)
    return Conditions(**got) if len(got) == len(fields(Conditions)) else None


def _errors(table: object, say) -> tuple[tuple[float, float], tuple[RunErrors, ...]]:
    """(factors, one per run) of the section on the model's own error; ((1, 1), ()) of a card without one."""
    if not isinstance(table, dict):
        say("errors", "is no section")
        return (1.0, 1.0), ()
    factors: Any = table.get("factors", [1.0, 1.0])
    if not (_numbers(factors) and len(factors) == 2 and all(0.0 < f < 100.0 for f in factors)):
        say("errors.factors", "are not two factors between 0 and 100")
        factors = [1.0, 1.0]
    found: list[RunErrors] = []
    for name, raw in table.items():
        if name == "factors":
            continue
        run: Any = raw if isinstance(raw, dict) else {}
        kind, place = run.get("kind"), run.get("place")
        scores = {n: tuple(map(float, v)) for n, v in run.items() if n not in ("kind", "place") and _numbers(v)}
        whole = scores and len(scores) == len(run) - 2 and len({len(v) for v in scores.values()}) == 1
        if not (isinstance(kind, str) and _numbers(place) and whole and all(scores.values())):
            say(f"errors.{show(name)[1:-1]}", "is not as written by millsim calibrate")
            continue
        found.append(RunErrors(kind, tuple(map(float, place)), scores))
    if len({(len(r.place), *r.scores, r.count) for r in found}) > 1:
        say("errors", "does not have the same numbers for every run")
    return (float(factors[0]), float(factors[1])), tuple(found)


def _fitted(name: str, table: object, say) -> Fitted | None:
    key = f"parameters.{show(name)[1:-1]}"
    spec = _guess(name, table) if "." in name else BOTH.get(name)
    if spec is None or not isinstance(table, dict):
        say(key, "unknown parameter", did_you_mean(name, BOTH))
        return None
    prior: Any = table.get("prior")
    score: Any = table.get("score")
    draws: Any = table.get("draws")
    if not (_numbers(prior) and len(prior) == 3 and spec.low <= prior[1] <= prior[0] <= prior[2] <= spec.high):
        say(f"{key}.prior", "is not [value, low, high] within what is possible", f"in {spec.unit}")
    elif not (_numbers([score]) and _numbers(draws) and draws and max(map(abs, [score, *draws])) < _MOST):
        say(f"{key}.draws", "score and draws are not as written by millsim calibrate")
    elif table.get("scale") not in ("log", "linear") or (table["scale"] == "log" and prior[1] <= 0.0):
        say(f"{key}.scale", "is not one of the choices", "linear | log")
    else:
        texts = (str(table.get(n, "")) for n in ("prior_basis", "prior_source", "scale"))
        p = Param(name, float(prior[0]), spec.unit, float(prior[1]), float(prior[2]), *texts)
        return Fitted(p, float(score), tuple(float(d) for d in draws))
    return None


def _guess(key: str, table: object) -> CardEntry | None:
    """A guessed key of a config as a row of a card; its unit stands on the card."""
    unit = table.get("unit") if isinstance(table, dict) else None
    return CardEntry(key, unit, -_ANY, _ANY, "") if isinstance(unit, str) else None


def _numbers(raw: object) -> TypeGuard[list[float]]:
    """Whether a value is a list of finite numbers."""
    return isinstance(raw, list) and all(
        isinstance(x, int | float) and not isinstance(x, bool) and abs(x) < float("inf") for x in raw
    )


def calibrated_toml(card: Calibrated, shown: dict[str, Param] | None = None, section: str = "") -> str:
    """The card as TOML that reads back the same; as a file, or as a section of a config.

    shown: parameters after calibration, written for people (value, low, high, basis, source); not read back.
    """
    from ..cards import toml_string as text

    prefix = f"{section}." if section else ""
    lines = [f"[{section}]"] if section else []
    lines += [f"{n} = {text(getattr(card, n))}" for n in _TEXTS]
    lines += [f"{n} = [{', '.join(map(text, getattr(card, n)))}]" for n in _LISTS]
    if card.run_hashes:
        lines.append(f"{_HASHES} = [{', '.join(map(text, card.run_hashes))}]")
    lines += ["", f"[{prefix}conditions]"]
    for f in fields(Conditions):
        values = getattr(card.conditions, f.name)
        lines.append(f"{f.name} = [{', '.join(text(v) if isinstance(v, str) else repr(v) for v in values)}]")
    if card.errors:
        lines += ["", f"[{prefix}errors]  # of the model itself, as standard normal scores"]
        lines.append(f"factors = {list(card.error_factors)!r}  # over the card of the model: in sizes, in loads")
        for i, run in enumerate(card.errors, start=1):
            lines += ["", f"[{prefix}errors.run_{i}]", f"kind = {text(run.kind)}"]
            lines.append(f"place = [{', '.join(map(repr, run.place))}]")
            lines += [f"{n} = [{', '.join(map(repr, v))}]" for n, v in run.scores.items()]
    for name, fitted in card.parameters.items():
        p = fitted.prior
        lines += ["", f"[{prefix}parameters.{text(name) if '.' in name else name}]"]
        if shown and name in shown:
            q = shown[name]
            lines += [f"# {q.value:.4g} {q.unit}, {q.low:.4g} to {q.high:.4g}: {q.basis}, {q.source}"]
        lines += [
            f"prior = [{p.value!r}, {p.low!r}, {p.high!r}]  # {p.unit}",
            f"scale = {text(p.scale)}",
            *([f"unit = {text(p.unit)}"] if "." in name else []),
            f"prior_basis = {text(p.basis)}",
            f"prior_source = {text(p.source)}",
            f"score = {fitted.score!r}",
            f"draws = [{', '.join(map(repr, fitted.draws))}]",
        ]
    return "\n".join(lines) + "\n"
