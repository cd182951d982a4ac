"""What a sweep file asks for: the base mill, the axes, and the points they make.

`read_plan` is the only door: either all is right, or one InputError lists all that is not. That settings may
contradict each other at some points (holes that touch) is no error of the plan; such points fail by themselves.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import product
from pathlib import Path

import numpy as np

from ...base.reading.tables import Tables, read_sections
from ...base.reading.toml import find_file, parse_toml, read_text
from ...errors import InputError, Problem
from ...mill.config.mill import Config, load_config
from .axes import Axes, Range, at_shares, axis_of, snap, spread, text_of
from .points import Template, template
from .record import Axis
from .spec import GRID, LATIN, MOST_POINTS, SPEC


@dataclass(frozen=True)
class Plan:
    """A sweep to be run. templates: by combination of the word axes `slow`, last one fastest."""

    path: Path
    text: str
    name: str
    design: str
    engine: str
    replicates: int
    draws: int
    seed: int
    class_ratio: float
    base: Config
    base_template: Template
    axes: tuple[Axis, ...]
    templates: tuple[Template, ...]
    shape: tuple[int, ...]
    slow: tuple[int, ...] = field(default=())
    changes: tuple[str, ...] = ()  # overrides typed with it

    @property
    def count(self) -> int:
        """Number of points, replicates included."""
        return math.prod(self.shape)

    def picks(self, points: np.ndarray) -> np.ndarray:
        """(axes, N) which value of each axis the points (N,) take."""
        where = np.unravel_index(points, self.shape)
        if self.design == GRID:
            return np.array(where[: len(self.axes)])
        return np.tile(where[0], (len(self.axes), 1))

    def settings(self, points: np.ndarray) -> list[dict[str, object]]:
        """Numbers that the axes set at each of the points (N,): {key: SI value}; words are in the template."""
        rows: list[dict[str, object]] = [{} for _ in points]
        for i, picked in enumerate(self.picks(points)):
            keys = {**({} if i in self.slow else {self.axes[i].key: self.axes[i].values}), **self.axes[i].along}
            for key, values in keys.items():
                for row, k in zip(rows, picked, strict=True):
                    row[key] = values[k]
        return rows

    def replicate(self, points: np.ndarray) -> np.ndarray:
        """(N,) which replicate the points are."""
        last = np.unravel_index(points, self.shape)[-1]
        return last if self.engine == "montecarlo" else np.zeros_like(points)

    def template_of(self, picks: np.ndarray) -> np.ndarray:
        """(N,) index of the template that holds the words of each point."""
        index = np.zeros(picks.shape[1], int)
        for i in self.slow:
            words = list(dict.fromkeys(self.axes[i].values))
            code = {w: k for k, w in enumerate(words)}
            index = index * len(words) + np.array([code[w] for w in self.axes[i].values])[picks[i]]
        return index


def read_plan(path: "str | Path", changes: Sequence[str] = ()) -> Plan:
    """Plan of a sweep file; `changes` are overrides of the base config for all points. Raises InputError."""
    path = Path(path)
    text = read_text(path)
    if isinstance(text, Problem):
        raise InputError(text)
    parsed = parse_toml(text, str(path))
    if "rotor" in parsed.tables:
        hint = 'a sweep file has [sweep] config = "..." and [[axis]] tables'
        raise InputError(Problem(str(path), "", "is a mill config, not a sweep file", hint=hint))
    t = Tables(SPEC, str(path), path.parent, parsed.tables, list(parsed.problems), set(parsed.lost), parsed.complete)
    axis_tables = t.tables.pop("axis", None)
    read_sections(t)
    axes = Axes(str(path))
    v = {k.removeprefix("sweep."): x for k, x in t.values.items()}
    ranges = axes.read(axis_tables, v.get("design") != GRID)
    fixed = _fixed(t, axes)
    _consistent(t, v, ranges)
    base, base_text, base_path = _base(t, v.get("config"), [*fixed, *changes])
    problems = [*t.problems, *axes.problems]
    if problems or base is None:
        raise InputError(list(dict.fromkeys(problems)))
    made = _axes(ranges, v)
    _not_too_many(made, v, str(path))
    templates, slow = _templates(made, ranges, base_text, base_path, [*fixed, *changes], str(path))
    own, _ = template(base_text, str(base_path), base_path.parent, [*fixed, *changes])
    shape = tuple(len(a.values) for a in made) if v["design"] == GRID else (v["points"],)
    shape += (v["replicates"],) if v["engine"] == "montecarlo" else ()
    ratio = v["class_ratio"] or base.run.class_ratio
    return Plan(
        path, text, v["name"] or base.name, v["design"], v["engine"], v["replicates"], v["draws"], v["seed"], ratio,
        base, own, made, templates, shape, slow, tuple(changes),
    )  # fmt: skip


def _fixed(t: Tables, axes: Axes) -> list[str]:
    """The keys of [set], as overrides."""
    table = t.tables.get("set")
    found = []
    for key, value in table.items() if isinstance(table, dict) else ():
        if isinstance(value, dict):
            t.say(f"set.{key}", "is a table", hint='write the key in quotes: "feed.rate" = "300 g/h"')
        elif isinstance(value, list):
            t.say(f"set.{key}", "a list cannot be set here", hint="change the config")
        else:
            text = str(value).lower() if isinstance(value, bool) else repr(value)
            found.append(f"{key}={value if isinstance(value, str) else text}")
    return found


def _consistent(t: Tables, v: dict, ranges: list[Range]) -> None:
    """What contradicts what in [sweep]."""
    grid = v.get("design") == GRID
    if grid and v.get("points") is not None:
        hint = 'the axes of a grid make its points; or design = "sobol"'
        t.say("sweep.points", "is only for a sampled design", hint=hint)
    if not grid and v.get("design") and v.get("points") is None and t.lacks("sweep.points"):
        t.say("sweep.points", f'is missing for design = "{v.get("design")}"', hint="for example points = 256")
    if v.get("engine") == "balance" and (v.get("replicates") or 1) > 1:
        hint = 'engine = "montecarlo", or draws = 32 for the spread of uncertain parameters'
        t.say("sweep.replicates", "the balance gives the same answer each time", hint=hint)
    if v.get("engine") == "montecarlo" and v.get("draws"):
        t.say("sweep.draws", "parameter draws are made with the balance", hint='engine = "balance", or draws = 0')
    if not grid and not any(r.count is not None or len(r.values) > 1 for r in ranges) and ranges:
        t.say("axis", "nothing varies")


def _base(t: Tables, name: object, changes: list[str]) -> tuple[Config | None, str, Path]:
    """The base config with what [set] changes; its text and path."""
    if not isinstance(name, str):
        return None, "", Path()
    found = find_file(name, t.base_dir, False)
    try:
        config = load_config(found, changes)
    except InputError as error:
        for p in error.problems:
            where = f"{t.where} [set]" if p.where == "--set" else p.where
            key = p.key or ("sweep.config" if p.where == str(found) else "")
            t.problems.append(Problem(where, key, p.message, p.allowed, p.hint))
        return None, "", Path()
    if config.feed.batch_mass_kg and t.values.get("sweep.draws", 0) > 256:
        t.say("sweep.draws", "at most 256 for a batch")
    return config, str(read_text(Path(found))), Path(found)


def _axes(ranges: list[Range], v: dict) -> tuple[Axis, ...]:
    """Axes with all their values: of a grid each value once, of a sampled design one for each point."""
    if v["design"] == GRID:
        return tuple(axis_of(r, spread(r) if r.count is not None else _snapped(r)) for r in ranges)
    u = _shares(v["design"], len(ranges), v["points"], v["seed"])
    axes = []
    for i, r in enumerate(ranges):
        picks = None if r.count is not None else np.minimum((u[:, i] * len(r.values)).astype(int), len(r.values) - 1)
        axes.append(axis_of(r, at_shares(r, u[:, i]), picks if r.along else None))
    return tuple(axes)


def _snapped(r: Range) -> tuple:
    """Listed values as they are, but for equal spellings of one value, which become the same number."""
    return tuple(x if isinstance(x, str) else snap(x, r.row) for x in r.values)


def _shares(design: str, dimensions: int, points: int, seed: int) -> np.ndarray:
    """(points, dimensions) in 0..1. The first points of a larger Sobol design are those of a smaller one."""
    from scipy.stats import qmc

    if design == LATIN:
        return qmc.LatinHypercube(dimensions, rng=seed).random(points)
    return qmc.Sobol(dimensions, rng=seed).random_base2(int(np.ceil(np.log2(points))))[:points]


def _not_too_many(axes: tuple[Axis, ...], v: dict, where: str) -> None:
    count = v["replicates"] * (math.prod(len(a.values) for a in axes) if v["design"] == GRID else v["points"])
    if count > MOST_POINTS:
        allowed = f"at most {MOST_POINTS:.0e}"
        raise InputError(Problem(where, "axis", f"the axes make {count} points", allowed, 'or design = "sobol"'))


def _templates(
    axes, ranges, text: str, path: Path, changes: list[str], where: str
) -> tuple[tuple[Template, ...], tuple[int, ...]]:
    """One template per combination of words, with the first number of every other axis in place."""
    slow = tuple(i for i, a in enumerate(axes) if a.words)
    rows = {r.key: r.row for r in ranges}
    checker = Axes(where)
    fast = []
    for i, a in enumerate(axes):
        first = {**({} if i in slow else {a.key: a.values[0]}), **{k: x[0] for k, x in a.along.items()}}
        fast += [text_of(k, x, rows.get(k) or checker.row(where, k)) for k, x in first.items()]
    found, problems = [], []
    for words in product(*(dict.fromkeys(axes[i].values) for i in slow)):
        own = [text_of(axes[i].key, w, rows[axes[i].key]) for i, w in zip(slow, words, strict=True)]
        made, wrong = template(text, str(path), path.parent, [*changes, *own, *fast])
        found.append(made)
        problems += [replace(p, where=where if p.where == "--set" else p.where) for p in wrong]
    if problems:
        raise InputError(list(dict.fromkeys(problems)))
    return tuple(found), slow
