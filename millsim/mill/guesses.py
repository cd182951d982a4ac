"""Guessed keys of a config in mill records: what a drawn gap, radius or material does to the numbers of a mill.

The mill is read anew with the drawn values, and of its fields those that differ from the mill as guessed are put in.
A field that somebody has set since, such as a speed measured in a run, stays.
"""

from collections.abc import Mapping
from typing import Any

import numpy as np

from ..base.quantities.params import GUESSED, ONE_OF, Param
from . import cards
from .chamber import EDGE
from .config.guessed import EXCHANGED
from .config.mill import Config

MATERIAL, EDGE_KIND = EXCHANGED


def nominal(parameters: tuple[Param, ...]) -> dict[str, float]:
    """The likeliest value of every guess among the parameters."""
    return {p.name: p.value for p in parameters if p.basis == GUESSED}


def put(mill: np.ndarray, old: Mapping[str, Any], new: Mapping[str, Any]) -> None:
    """Fields of one mill record (1,) that a guess changes; r_hub goes with the radius."""
    m = mill[0]
    if m["R"] == old["R"] != new["R"]:
        m["r_hub"] *= new["R"] / old["R"]
        m["r_drag"] *= 1.0 if m["swinging"] > 0.0 else new["R"] / old["R"]
    for name, value in new.items():
        if np.array_equal(m[name], old[name]) and not np.array_equal(value, old[name]):
            m[name] = value


def exchanged(config: Config, values: Mapping[str, float]) -> dict[str, Param]:
    """Parameters of another material or another edge, by the name of the one whose place they take.

    values: of guesses, of one draw.
    """
    found: dict[str, Param] = {}
    guesses = {p.name: p for p in config.guesses.parameters} if config.guesses else {}
    for key in (MATERIAL, EDGE_KIND):
        p = guesses.get(key)
        if p is None or key not in values or round(values[key]) == round(p.value):
            continue
        word = p.words[round(values[key])]
        if key == MATERIAL:
            found |= dict(cards.load_material(word).items())
        else:
            found |= {f"{e}_{config.rotor.edge}": config.model[f"{e}_{word}"] for e in EDGE}
    return found


def is_choice(p: Param) -> bool:
    """Whether a parameter is a guess among words."""
    return p.scale == ONE_OF
