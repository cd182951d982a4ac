"""The product of one prediction as the feed of the next mill: its curve as it is, and what it is made of.

Nothing is fitted: between class bounds Q3 is linear in ln x, which is how a feed table is read.
"""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ...base.quantities.params import ParamSet
from ...base.reading.toml import parse_toml
from ...errors import InputError, Problem
from ...record.prediction import Prediction
from ...record.read import read
from .. import cards
from ..cards.spec import MATERIAL

_SHOWN = 4  # names of numbers that differ, before "and more"


@dataclass(frozen=True)
class Product:
    """A powder handed on: sizes (k,) [m] ascending with Q3 there from 0 to 1, and the card of what it is made of."""

    sizes_m: tuple[float, ...]
    q3: tuple[float, ...]
    material: ParamSet
    mill_name: str


def read_product(path: Path) -> Product:
    """The product that a result file holds. Raises InputError, in one sentence, when there is none to be had."""
    prediction = read(path)
    if not prediction.runs:
        raise _refusal(path, "is of a mill that cannot run, so there is no product", "mend that mill first")
    table = prediction.main.table
    if not np.all(np.isfinite(table.product_q3)) or not table.product_q3[-1] > 0.0:
        raise _refusal(path, "holds no product: nothing left that mill", "predict it again")
    sizes, q3 = closed_curve(table.edges_m, table.product_q3)
    return Product(sizes, q3, material_of(prediction, path), prediction.mill_name)


def closed_curve(edges_m: np.ndarray, q3: np.ndarray) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Bounds [m] and Q3 of a curve without its level ends, from 0 to 1: what is left out holds no mass."""
    q = np.asarray(q3, float)
    first = int(np.flatnonzero(q <= q[0])[-1])
    last = int(np.flatnonzero(q >= q[-1])[0])
    kept = np.maximum.accumulate(np.clip(q[first : last + 1], 0.0, 1.0))
    kept[-1] = 1.0  # the sum over the classes is 1 to rounding
    return tuple(float(x) for x in edges_m[first : last + 1]), tuple(float(v) for v in kept)


def material_of(prediction: Prediction, path: Path) -> ParamSet:
    """The material card a prediction was made with, shipped or written into its config."""
    parsed = parse_toml(prediction.config_text, str(path))
    inline, feed = parsed.tables.get("material"), parsed.tables.get("feed")
    name = feed.get("material") if isinstance(feed, dict) else None
    problems: list[Problem] = []
    if isinstance(inline, dict):
        card = cards.params_from_tables(
            inline, MATERIAL, str(path), problems, set(), str(name or "material"), True, "material."
        )
        if not problems:
            return card
    elif isinstance(name, str):
        try:
            return cards.load_material(name)
        except InputError as error:
            problems += error.problems
    raise _refusal(path, "does not say what material it is of", "predict it again with this version of millsim")


def differing(first: ParamSet, second: ParamSet) -> list[str]:
    """Numbers in which two cards differ by name; ranges and sources do not make another plastic."""
    names = [*first, *(n for n in second if n not in first)]
    return [n for n in names if n not in first or n not in second or first.value(n) != second.value(n)]


def other_material(made_of: ParamSet, asked: ParamSet, what: str = "that powder") -> tuple[str, str] | None:
    """(message, hint) where the two mills would grind different plastics; None where it is one."""
    names = differing(made_of, asked)
    if not names:
        return None
    if made_of.title != asked.title:
        return (
            f"{what} is {made_of.title or 'another material'}, but this config grinds {asked.title or 'another one'}: "
            "the second mill would grind a different plastic",
            "give both configs the same feed.material",
        )
    shown = ", ".join(names[:_SHOWN]) + (f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else "")
    return (
        f"{what} was made with other numbers on the card of {asked.title} ({shown}): the second mill would grind a "
        "different plastic",
        "give both configs the same card and predict the first mill again",
    )


def _refusal(path: Path, message: str, hint: str) -> InputError:
    return InputError(Problem(str(path), "", message, hint=hint))


def named(error: InputError, key: str) -> list[Problem]:
    """The problems of a file, under the key that names it."""
    return [replace(p, key=p.key or key) for p in error.problems]
