"""Records to JSON: one function for dataclasses, named tuples, numpy, dicts and numbers without end."""

import dataclasses
import json
from pathlib import Path
from typing import NamedTuple

import numpy as np

from millsim.show.words.json import jsonable, picked


class Pair(NamedTuple):
    low_m: float
    high_m: float


@dataclasses.dataclass(frozen=True)
class Record:
    name: str
    pair: Pair
    q3: np.ndarray
    count: np.int64
    more: dict


MADE = Record("a", Pair(1e-3, np.inf), np.array([0.0, np.nan, 1.0]), np.int64(3), {1: (True, None), "in": Path("b.h5")})


def test_records_become_plain_json_with_null_for_what_has_no_end():
    found = jsonable(MADE)
    assert found == {
        "name": "a", "pair": {"low_m": 1e-3, "high_m": None}, "q3": [0.0, None, 1.0], "count": 3,
        "more": {"1": [True, None], "in": "b.h5"},
    }  # fmt: skip
    assert json.loads(json.dumps(found, allow_nan=False)) == found
    assert type(found["count"]) is int and found["more"]["1"][0] is True


def test_some_fields_of_a_record_under_their_own_or_another_name():
    assert picked(MADE, "name count", sizes_m="pair") == {
        "name": "a", "count": 3, "sizes_m": {"low_m": 1e-3, "high_m": None},
    }  # fmt: skip
    assert picked(np.float64(2.5), real="real") == {"real": 2.5}
