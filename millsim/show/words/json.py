"""Records as plain JSON types: the one way from what a command found to its JSON object. SI units; null is unknown."""

import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import overload

import numpy as np


@overload
def jsonable(value: Mapping) -> dict: ...
@overload
def jsonable(value: object) -> object: ...
def jsonable(value: object) -> object:
    """Anything made of records, dicts, sequences and numbers as plain JSON types; null for NaN and infinity."""
    if is_dataclass(value):
        value = {f.name: getattr(value, f.name) for f in fields(value)}
    elif isinstance(value, tuple) and hasattr(value, "_asdict"):
        value = value._asdict()
    elif isinstance(value, np.generic | np.ndarray):
        value = value.tolist()
    if isinstance(value, dict):
        return {str(k): jsonable(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [jsonable(v) for v in value]
    if isinstance(value, Path):
        return str(value)
    return None if isinstance(value, float) and not math.isfinite(value) else value


def picked(record: object, names: str = "", /, **renamed: str) -> dict:
    """Some fields of a record as plain JSON types: picked(r, "a b") by their names, picked(r, c="d") d as c."""
    keys = {name: name for name in names.split()} | renamed
    return {key: jsonable(getattr(record, name)) for key, name in keys.items()}
