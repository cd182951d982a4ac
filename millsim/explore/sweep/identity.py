"""What a point was computed from, as a number: so that a sweep knows its points again, and says what changed.

The identity of a point is the sum, modulo 2**64 in each of two words, of the hashes of all its "key=value" pairs:
what the config resolves to, without names and notes; the content of the cards; how it is computed; the model version
and the sources of the engine. A sum because then it does not matter which keys the axes hold: a point of a larger
sweep is the same point. Numbers count to 12 digits.
"""

import hashlib
from functools import cache
from pathlib import Path

import numpy as np

from ...base.reading.key import AS_MUCH
from ...mill import cards
from ...mill.config.derived import slip
from ...mill.config.mill import plain
from ...mill.config.schema import SECTIONS
from ...mill.config.since import changes
from ...version import MODEL_VERSION, __version__
from .plan import Plan
from .points import Template

_PACKAGE = Path(__file__).resolve().parents[2]
# All that a point is computed from: whole rooms, and of the sweep what turns settings into rows.
_ENGINE = ("base/**/*.py", "base/numerics/*.toml", "laws/*.py", "record/limits.py", "mill/**/*.py", "engines/*.py",
           "forecast/*.py", "record/asked.py", "record/heatlimit.py", "studies/prebuild/*.py",
           "studies/heat/coolants.py", "explore/sweep/compute.py", "explore/sweep/points.py", "explore/sweep/axes.py",
           "explore/sweep/record.py")  # fmt: skip
_LIBRARIES = ("numpy", "numba", "scipy")  # whose numbers are in every point
# Names of files and cards; their content counts.
_NOT_COUNTED = ("feed.size.sheet", "feed.material", "calibration.card")
_MONTE_CARLO = ("histories", "x50_error")


@cache
def engine_sources() -> str:
    """Twelve hex digits over the sources of all that computes a point."""
    digest = hashlib.sha256()
    for pattern in _ENGINE:
        for path in sorted(_PACKAGE.glob(pattern)):
            digest.update(path.relative_to(_PACKAGE).as_posix().encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()[:12]


@cache
def libraries() -> str:
    """Versions of the libraries that compute: "numpy 2.1.0, numba ..."."""
    from importlib.metadata import version

    return ", ".join(f"{name} {version(name)}" for name in _LIBRARIES)


def hash_of(key: str, text: str) -> np.ndarray:
    """(2,) uint64 of one pair."""
    return np.frombuffer(hashlib.blake2b(f"{key}={text}".encode(), digest_size=16).digest(), "<u8")


def total(pairs: dict[str, str]) -> np.ndarray:
    """(2,) uint64: the sum of the hashes of all pairs."""
    return np.sum([hash_of(k, v) for k, v in pairs.items()], axis=0, dtype=np.uint64)


def pairs_of(plan: Plan, template: Template) -> dict[str, str]:
    """Every pair {key: text} that counts for the points of a template, with the axes' keys as they stand in it."""
    r = template.reading
    monte_carlo = plan.engine == "montecarlo"
    pairs = {
        f"{section}.{key.name}": plain(r.values.get(f"{section}.{key.name}"))
        for section, keys in SECTIONS.items()
        for key in keys
        if section not in ("mill", "run") and r.values.get(f"{section}.{key.name}") not in (None, ())
    }
    if pairs.get("feed.size.kind") == "sieve_sheet":
        pairs["feed.size.kind"] = "table"
    if pairs.get("feed.rate") == AS_MUCH:
        del pairs["feed.rate"]
    for name in _NOT_COUNTED:
        pairs.pop(name, None)
    if (kept := r.values.get("drive.kept_speed")) and "drive.no_load_power" in pairs:
        pairs.setdefault("drive.no_load_speed", plain(kept))
    if kept := r.values.get("drive.slip"):
        pairs["drive.slip"] = plain(kept)
    elif template is plan.base_template or not varied(plan) & {"drive.speed", "drive.tip_speed", "drive.dial_step"}:
        for name in ("drive.speed_under_load", "drive.speed_curve"):  # the same motor said in another way
            pairs.pop(name, None)
        pairs |= {"drive.slip": plain(kept)} if (kept := slip(r.values)) else {}
    model = cards.load_model()
    pairs |= {f"material.{p.name}": plain(p.value) for p in r.material.values()}
    pairs |= {f"model.{p.name}": plain(r.model.get(p.name, p.value)) for p in model.values()}
    pairs |= {"material.title": r.material.title} if r.calibration else {}
    if plan.draws:
        for kind, card in (("material", r.material), ("model", model)):
            pairs |= {f"range of {kind}.{p.name}": f"{plain(p.low)} {plain(p.high)} {p.scale}" for p in card.values()}
        pairs |= {f"model.{name} is set": "yes" for name in r.model}
        pairs |= {f"range of {p.name}": f"{plain(p.low)} {plain(p.high)} {p.note}" for p in r.guesses}
    if r.calibration:
        pairs["calibration"] = hashlib.sha256(r.calibration.toml.encode()).hexdigest()[:12]
    pairs |= {"engine": plan.engine, "class_ratio": plain(plan.class_ratio), "draws": str(plan.draws)}
    pairs |= {"run.tolerance": plain(r.values["run.tolerance"])}
    pairs |= {f"run.{n}": plain(r.values[f"run.{n}"]) for n in _MONTE_CARLO} if monte_carlo else {}
    pairs |= {"seed": str(plan.seed)} if plan.draws else {}
    return pairs | {"model version": MODEL_VERSION, "engine sources": engine_sources(), "libraries": libraries()}


def varied(plan: Plan) -> set[str]:
    """Keys that the axes set as numbers."""
    return {k for i, a in enumerate(plan.axes) for k in ((() if i in plan.slow else (a.key,)) + tuple(a.along))}


def common_pairs(plan: Plan) -> dict[str, str]:
    """The pairs that hold for all points: what stands in the points file to tell what has changed since."""
    every = [pairs_of(plan, t) for t in plan.templates]
    own = varied(plan)
    return {k: v for k, v in every[0].items() if k not in own and all(p.get(k) == v for p in every)}


def identities(plan: Plan) -> np.ndarray:
    """(P, 2) uint64: the identity of every point of the plan."""
    own = varied(plan)
    bases = np.array([total({k: v for k, v in pairs_of(plan, t).items() if k not in own}) for t in plan.templates])
    points = np.arange(plan.count)
    picks = plan.picks(points)
    found = bases[plan.template_of(picks)]
    for i, axis in enumerate(plan.axes):
        keys = {**({} if i in plan.slow else {axis.key: axis.values}), **axis.along}
        for key, values in keys.items():
            found += np.array([hash_of(key, plain(x)) for x in values])[picks[i]]
    if plan.engine == "montecarlo":
        seeds = np.array([hash_of("replicate seed", str(plan.seed + i)) for i in range(plan.replicates)])
        found += seeds[plan.replicate(points)]
    return found


def base_identity(plan: Plan) -> np.ndarray:
    """(1, 2) uint64: the identity of the base mill as it is."""
    found = total(pairs_of(plan, plan.base_template))
    if plan.engine == "montecarlo":
        found = found + hash_of("replicate seed", str(plan.seed))
    return found[None, :]


def about(plan: Plan) -> dict:
    """What a run is about, as kept in the points file and in the sweep file."""
    axes = {a.key: len(a.values) for a in plan.axes}
    pairs, keys = common_pairs(plan), sorted({*axes, *varied(plan)})
    return {"version": __version__, "model": MODEL_VERSION, "pairs": pairs, "axes": axes, "varied": keys}


def changed_since(last: dict, plan: Plan) -> list[str]:
    """What is different in a plan from what an earlier run was about.

    That other keys are varied is no change; what only comes along with draws or another engine is not listed.
    """
    before, now = last["pairs"], about(plan)
    after = now["pairs"]
    if last.get("varied") != now["varied"] or any(before.get(k) != after[k] for k in ("draws", "engine")):
        both = before.keys() & after.keys()
        before, after = ({k: v for k, v in pairs.items() if k in both} for pairs in (before, after))
    return changes(before, after)
