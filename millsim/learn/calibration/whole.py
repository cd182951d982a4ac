"""All of a calibration in one call: fit, findings, card, bands before and after, what to measure next."""

from collections.abc import Callable
from dataclasses import dataclass, replace

from ...errors import MillsimError
from ...mill.cards.calibrated import Calibrated
from ...mill.config.mill import Config
from ..measured.runsheet import MeasuredRun
from ..measured.runspec import AS_IT_TOOK
from .carding import card_of
from .findings import Check, Row, checks, rows, trustworthy
from .fit import Calibration, Say, calibrate, silent
from .nextstep import FIRST, Ranked, plan
from .outlook import BeforeAfter, outlook

WORTH = 0.8  # a measurement that leaves more of an open parameter's range than this is not worth naming


@dataclass(frozen=True)
class CalibrationReport:
    """A calibration with all that is told of it; answers and ranking are for the first run's config.

    separators: for each main parameter that is open, the measurement that would best determine it.
    """

    calibration: Calibration
    rows: tuple[Row, ...]
    checks: tuple[Check, ...]
    card: Calibrated
    answers: tuple[BeforeAfter, ...]
    ranked: tuple[Ranked, ...]
    separators: dict[str, Ranked]
    planned_kg_s: float
    hardly: tuple[str, ...] = ()  # measurements that would hardly narrow x50
    about: str = ""  # of what the ranking's bands are

    @property
    def bars(self) -> bool:
        """Whether intervals are told at all."""
        return trustworthy(list(self.checks))


def calibrate_whole(
    runs: list[MeasuredRun], seed: int = 1, progress: Callable[[str, float, str], None] | None = None
) -> CalibrationReport:
    """Calibrate on one or more runs of one material and find out what it is worth. Raises as `fit.calibrate`."""
    say = progress or silent
    c = calibrate(runs, seed, say)
    table = rows(c)
    told = checks(c, table)
    failed = tuple(k.text for k in told if not k.passed and k.name in ("converged", "sampling", "fit"))
    card = card_of(c, measured(runs), failed)
    config = replace(runs[0].config, calibration=None)
    answers = outlook(config, card, seed, lambda d: say("bands", d, "before and after"))
    plans = _NO_PLANS if failed else _plans(replace(config, calibration=card), table, seed, say)
    return CalibrationReport(c, tuple(table), tuple(told), card, tuple(answers), *plans)


_Plans = tuple[tuple[Ranked, ...], dict[str, Ranked], float, tuple[str, ...], str]
_NO_PLANS: _Plans = (), {}, float("nan"), (), ""


def _plans(config: Config, table: list[Row], seed: int, say: Say) -> _Plans:
    """(what narrows x50, what would best determine each main parameter that is open, feed rate, what hardly helps)."""
    try:
        planned = plan(config, seed, progress=lambda d: say("measure next", d, ""))
    except MillsimError:
        return _NO_PLANS  # hardly a draw runs as the config has it: nothing can be planned
    left = {r.name: planned.rank(r.name) for r in table if r.main and r.wide}
    most = {name: min(found, key=lambda r: r.left) for name, found in left.items() if found}
    best = {name: r for name, r in most.items() if r.left < WORTH}
    return tuple(planned.rank(FIRST)), best, planned.model.rate_kg_s, planned.hardly(FIRST), planned.about


def measured(runs: list[MeasuredRun]) -> tuple[str, ...]:
    """Names of the measurements that these runs have already."""
    have = {"product size"}
    for r in runs:
        pairs = (
            ("charge", r.holdup_kg), ("charge size", r.holdup_sheets), ("idle power", r.idle_W),
            ("loaded power", r.loaded_W), ("air flow", r.air_flow_m3_s), ("air temperature", r.air_temperature_K),
            ("powder temperature", r.powder_temperature_K),
            ("largest rate", r.feeding == AS_IT_TOOK),
        )  # fmt: skip
        have |= {name for name, value in pairs if value}
    if len({r.config.sieve.hole_m for r in runs}) > 1:
        have.add("second sieve")
    if len({r.config.drive.speed_rad_s for r in runs}) > 1:
        have.add("second speed")
    return tuple(sorted(have))
