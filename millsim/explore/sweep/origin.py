"""Where a sweep came from: what its file keeps of that, and what of it has changed since.

Kept are the name of the sweep file as it was typed (of an absolute path the name alone), the settings typed with it,
and what held for all points. The sweep file is looked for when the sweep is used and read again with all that it
names: only what changes a point counts, no comment and no other spelling.
"""

from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

import numpy as np

from ...base.reading.toml import flat, is_there, parse_toml
from ...errors import InputError
from ...mill.config.paths import relative, shortened
from ...mill.config.schema import SECTIONS
from . import identity
from .plan import Plan, read_plan
from .record import OF_PROGRAM, Sweep

UNCHANGED, CHANGED, NOT_FOUND, NOT_KEPT = "unchanged", "changed", "not found", "not kept"
PROGRAM = "millsim itself"  # laws and libraries, in place of a file
_OF_CONFIG = {  # keys that a resolved config tells better than an identity
    f"{section}.{key.name}" for section, keys in SECTIONS.items() if section != "run" for key in keys if key.predicts
}
_OF_CARD = ("material.", "range of material.")


@dataclass(frozen=True)
class Since:
    """What has become of the files that a sweep was made from. changes: (file, what of it has changed), by file."""

    state: str
    file: str = ""  # the sweep file, as it was typed or where it was found
    changes: tuple[tuple[str, str], ...] = ()


NOTHING_KEPT = Since(NOT_KEPT)  # of files of before


def kept(plan: Plan) -> dict:
    """What a sweep file keeps of where it came from."""
    settings = [shortened(s, relative) for s in plan.changes]
    return {"file": relative(str(plan.path)), "settings": settings, **identity.about(plan)}


def since(sweep: Sweep, place: Path) -> Since:
    """What has changed since a sweep was made. place: its file, beside which, and here, the others are looked for."""
    origin = sweep.origin
    if not origin:
        return NOTHING_KEPT
    name = Path(origin["file"])
    found = next((p for p in (name, place.parent / name, place.parent / name.name) if is_there(p)), None)
    if found is None:
        return Since(NOT_FOUND, str(name))
    try:
        plan = read_plan(found, origin["settings"])
    except InputError as error:
        p = error.problems[0]
        return Since(CHANGED, str(found), ((p.where, f"{p.key}: {p.message}" if p.key else p.message),))
    same = np.array_equal(identity.identities(plan), sweep.identity)
    rows = _changes(sweep, plan)
    if same and not rows:
        return Since(UNCHANGED, str(found))
    return Since(CHANGED, str(found), tuple(rows) or ((plan.path.name, "the points asked for"),))


def _changes(sweep: Sweep, plan: Plan) -> list[tuple[str, str]]:
    """What differs, by file."""
    files = _Files(plan)
    others = [row for row in identity.changed_since(sweep.origin, plan) if row.partition(":")[0] not in _OF_CONFIG]
    found = [*identity.changes(_mill(sweep.base_text), _mill(plan.base.text)), *others]
    rows = [(files.of(row.partition(":")[0]), row) for row in found]
    now = {a.key: (a.values, a.along) for a in plan.axes}
    before = {a.key: (a.values, a.along) for a in sweep.axes}
    axes = [key for key in (*now, *(k for k in before if k not in now)) if now.get(key) != before.get(key)]
    rows += [(plan.path.name, f"axis {key}") for key in axes]
    order = list(dict.fromkeys(file for file, _ in rows))
    return sorted(rows, key=lambda row: order.index(row[0]))


def _mill(text: str) -> dict[str, str]:
    """What a resolved config says of the mill as built and its feed, in the units of people."""
    values = flat(parse_toml(text, "").tables)
    return {key: str(value) for key, value in values.items() if key in _OF_CONFIG}


class _Files:
    """Which file says what of a plan, by the names that people gave them."""

    def __init__(self, plan: Plan):
        self._sweep = plan.path.name
        said = parse_toml(plan.text, str(plan.path)).tables
        own = {*said.get("set", {}), *said.get("sweep", {}), *flat(said.get("set", {}))}
        self._own = own | {s.partition("=")[0].strip() for s in plan.changes}
        self._config = plan.base.path.name if plan.base.path else self._sweep
        reading = plan.base_template.reading
        self._card = str(reading.values.get("feed.material"))
        self._calibration = str(reading.values.get("calibration.card"))

    def of(self, key: str) -> str:
        """The file that says what a pair of an identity is."""
        if key in (*OF_PROGRAM, "model version"):
            return PROGRAM
        if key.startswith(_OF_CARD):
            return f"the card {self._card}"
        if key == "calibration":
            return f"the card {self._calibration}"
        return self._sweep if key in self._own else self._config


def by_file(changes: tuple[tuple[str, str], ...]) -> list[tuple[str, list[str]]]:
    """Changes under their files."""
    return [(file, [row for _, row in rows]) for file, rows in groupby(changes, key=lambda c: c[0])]
