"""A config with other numbers for some of its keys, as a sweep asks for thousands: only what they change is made anew.

What comes out is what reading it all would make; the rules are the same, and those that none of the numbers touches
are left out.
"""

from collections.abc import Iterable
from dataclasses import replace
from itertools import compress
from operator import ne
from typing import NamedTuple

from ...errors import InputError
from . import checks, derived
from .gather import Reading, settle
from .mill import MADE, Config, from_reading, model_of

_OF_MODEL = frozenset(("rotor.edge", "rotor.edge_radius", "rotor.edge_radius_error"))  # keys that change the model's


class Known(NamedTuple):
    """A config that contradicts itself nowhere, and the values that it was made of."""

    values: derived.Values
    config: Config


def known(gathered: Reading) -> Known | None:
    """A reading as a config to start from; None where it contradicts itself, or holds guesses, which read all anew."""
    r = settle(replace(gathered, values=dict(gathered.values), problems=[]))
    return None if r.problems or r.guesses else Known(dict(r.values), from_reading(r, named=False))


def changed(start: Known, r: Reading, keys: Iterable[str]) -> Config:
    """The config of a reading, not settled yet, that has other numbers than `start` for these keys.

    Raises InputError on contradictions.
    """
    derived.derive(r.values)
    told = (*keys, *derived.FOLLOWS)
    new = frozenset(compress(told, map(ne, map(r.values.get, told), map(start.values.get, told))))
    for finding in checks.contradictions(r.values, new):
        r.say(*finding)
    if r.problems:
        raise InputError(list(dict.fromkeys(r.problems)))
    sections = {k.partition(".")[0] for k in new}
    if not sections <= MADE.keys():
        return from_reading(r, named=False)
    more = {name: MADE[name](r.values) for name in sections}
    if r.model != start.config.model_overrides or new & _OF_MODEL:
        more |= {"model": model_of(r), "model_overrides": dict(r.model)}
    return Config(**(vars(start.config) | more))
