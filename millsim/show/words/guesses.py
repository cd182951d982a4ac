"""Guesses in words: which keys nobody measured, which of them costs most, and how it is measured."""

from collections.abc import Mapping, Sequence
from math import isfinite

from ...base.quantities.params import GUESSED, ONE_OF, Param
from ...base.quantities.units import readable, readable_number
from ...base.quantities.written import digits, join_words, wrap
from ...mill.config.mill import Config
from ...mill.config.questions import measure_words
from ...mill.config.schema import find_key
from ...record.outputs import OUTPUTS
from ...record.prediction import Prediction
from ...studies.guesses import TELLS, Cost, ranked
from .parameters import parameter_words

NAMED = 4  # guesses named one by one
LITTLE = f"Each alone changes size, rate and energy by no more than {100.0 * (TELLS - 1.0):.0f} %."


def range_words(p: Param) -> str:
    """What a guess may be: "2 to 5 mm", "blunt, bevelled or toothed"."""
    if p.scale == ONE_OF:
        return join_words(list(p.words), "or")
    row = find_key(*p.name.rpartition(".")[::2])
    unit = row.shown if row else p.unit
    return f"{readable_number(p.low, unit)} to {readable(p.high, unit)}"


def value_words(p: Param) -> str:
    """The likeliest value of a guess."""
    row = find_key(*p.name.rpartition(".")[::2])
    return p.words[round(p.value)] if p.scale == ONE_OF else readable(p.value, row.shown if row else p.unit)


def of_prediction(p: Prediction) -> str:
    """What of the mill was guessed, which guess widens the band most, and how to measure it; empty without guesses."""
    guessed = {q.name: q for q in p.parameters if q.basis == GUESSED}
    if not guessed:
        return ""
    costs = ranked({n: dict(found) for n, found in p.widest.items()}, list(guessed))
    return sentences(list(guessed.values()), costs)


def to_json(p: Prediction) -> list[dict]:
    """Every guess of a prediction: its range, what it alone does to each output, and how it is measured."""
    guessed = {q.name: q for q in p.parameters if q.basis == GUESSED}
    costs = ranked({n: dict(found) for n, found in p.widest.items()}, list(guessed))
    return [_json(guessed[c.key], c.folds) for c in costs]


def sentences(guessed: Sequence[Param], costs: Sequence[Cost]) -> str:
    """Guesses with what they cost, the costliest first."""
    by = {q.name: q for q in guessed}
    many = len(by)
    costly = [c for c in costs if c.tells]
    if not costly:
        named = [f"{parameter_words(n)} ({n})" for n in list(by)[:NAMED]]
        named += [f"{many - NAMED} more"] if many > NAMED else []
        little = f" {LITTLE}" if any(c.folds for c in costs) else ""
        return f"{_count(many)} a guess: {join_words(named)}.{little}"
    worst = costly[0]
    text = f"{_count(many)} a guess. {_costs(by[worst.key], worst)}"
    text += f" To measure it: {measure_words(worst.key)}."
    if others := [f"{parameter_words(c.key)} ({c.key})" for c in costly[1:3]]:
        text += f" Next {'come' if len(others) > 1 else 'comes'} {join_words(others)}."
    return text


def _count(many: int) -> str:
    return "1 number of the mill rests on" if many == 1 else f"{many} numbers of the mill rest on"


def _costs(p: Param, cost: Cost) -> str:
    """What one guess does, in a sentence."""
    head = f"Not knowing {parameter_words(p.name)} ({p.name}, {range_words(p)}) costs most: alone it"
    if cost.stops:
        return f"{head} decides whether the mill gives powder at all."
    changed = [f"{OUTPUTS[n].short} {digits(f, 2)}-fold" for n, f in cost.folds.items() if f >= TELLS]
    return f"{head} changes {join_words(changed)}."


def of_config(config: Config, costs: Sequence[Cost]) -> list[str]:
    """The same of a config that is checked, as lines with an empty one behind; none without guesses."""
    text = check_words(config, costs)
    return [*wrap(text), ""] if text else []


def check_words(config: Config, costs: Sequence[Cost]) -> str:
    """The same as a paragraph."""
    return f"Guessed: {sentences(config.guesses.parameters, costs)}" if config.guesses else ""


def config_json(config: Config, costs: Sequence[Cost]) -> list[dict]:
    """Every guess of a config, the costliest first: its range, what it alone does, how it is measured."""
    by = {p.name: p for p in config.guesses.parameters} if config.guesses else {}
    folds = {c.key: c.folds for c in costs}
    return [_json(by[n], folds.get(n, {})) for n in dict.fromkeys((*folds, *by))]


def _json(p: Param, folds: Mapping[str, float]) -> dict:
    changes = {n: f if isfinite(f) else None for n, f in folds.items()}
    return {
        "key": p.name, "as_guessed": value_words(p), "may_be": range_words(p), "changes": changes,
        "measure": measure_words(p.name),
    }  # fmt: skip


def measure_lines(guessed: Sequence[Param], costs: Sequence[Cost], most: int) -> list[str]:
    """The costliest guesses, a line each: what, its range, how to measure it."""
    by, lines = {q.name: q for q in guessed}, []
    for c in [c for c in costs if c.tells][:most]:
        folds = max(c.folds.values(), default=1.0)
        what = "decides whether it runs" if c.stops else f"{digits(folds, 2)}-fold"
        lines.append(f"{c.key}, {range_words(by[c.key])} ({what}): {measure_words(c.key)}")
    return lines


def of_calibration(config: Config) -> list[str]:
    """What a calibration does with the guesses of a run's config."""
    found = config.guesses.parameters if config.guesses else ()
    varied = [p.name for p in found if p.scale != ONE_OF]
    held = [f"{p.name} at {value_words(p)}" for p in found if p.scale == ONE_OF]
    lines = [f"guessed, so fitted within its range: {join_words(varied)}"] if varied else []
    return lines + ([f"guessed among words, so held as it is: {join_words(held)}"] if held else [])
