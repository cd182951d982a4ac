"""Where a sweep came from: what its file keeps of that, and what of it has changed since (`mill/config/since.py`).

Kept are the sweep file and its settings, and what held for all points.
"""

from pathlib import Path

import numpy as np

from ...base.reading.toml import flat, parse_toml
from ...errors import InputError
from ...mill.config import since as files
from ...mill.config.since import CHANGED, NOT_FOUND, NOTHING_KEPT, OF_CONFIG, PROGRAM, Since, changes, said
from . import identity
from .plan import Plan, read_plan
from .record import OF_PROGRAM, Sweep

_OF_CARD = ("material.", "range of material.")


def kept(plan: Plan) -> dict:
    """What a sweep file keeps of where it came from."""
    return {**files.kept(plan.path, plan.changes), **identity.about(plan)}


def since(sweep: Sweep, place: Path) -> Since:
    """What has changed since a sweep was made. place: its file, beside which, and here, the others are looked for."""
    origin = sweep.origin
    if not origin:
        return NOTHING_KEPT
    found = files.found(origin["file"], place)
    if found is None:
        return Since(NOT_FOUND, origin["file"])
    try:
        plan = read_plan(found, origin["settings"])
    except InputError as error:
        return files.unreadable(found, error)
    same = np.array_equal(identity.identities(plan), sweep.identity)
    rows = _changes(sweep, plan)
    if not same and not rows:
        return Since(CHANGED, str(found), ((plan.path.name, "the points asked for"),))
    return files.told(found, rows)


def _changes(sweep: Sweep, plan: Plan) -> list[tuple[str, str]]:
    """What differs, by file."""
    names = _Files(plan)
    others = [row for row in identity.changed_since(sweep.origin, plan) if row.partition(":")[0] not in OF_CONFIG]
    found = [*changes(said(sweep.base_text), said(plan.base.text)), *others]
    rows = [(names.of(row.partition(":")[0]), row) for row in found]
    now = {a.key: (a.values, a.along) for a in plan.axes}
    before = {a.key: (a.values, a.along) for a in sweep.axes}
    axes = [key for key in (*now, *(k for k in before if k not in now)) if now.get(key) != before.get(key)]
    return [*rows, *((plan.path.name, f"axis {key}") for key in axes)]


class _Files:
    """Which file says what of a plan, by the names that people gave them."""

    def __init__(self, plan: Plan):
        self._sweep = plan.path.name
        tables = parse_toml(plan.text, str(plan.path)).tables
        own = {*tables.get("set", {}), *tables.get("sweep", {}), *flat(tables.get("set", {}))}
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
