"""Runs of a notebook against what was predicted for them before: which forecasts count, and what was hit or missed."""

import re
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property

from ..calibration.compare import Point, RunComparison, compare
from ..calibration.repeats import other_mill
from ..measured.runsheet import config_as_run
from .pages import MILL, Build, Forecast, Notebook, Run

ANSWERS = ("x50_m", "x90_m", "throughput_kg_s", "gross_J_kg")
AFTER, UNDATED, OWN, ALTERED, NONE, WHEN, AHEAD = (
    "made after the run", "no date on the run sheet", "calibrated on this run", "forecast altered", "no forecast",
    "forecast undated", "dated after it was entered",
)  # fmt: skip
STANDS, NO_BAND, OTHER = "said that the mill cannot run", "forecast without a band", "for another setting"


@dataclass(frozen=True)
class Row:
    """One run with the forecast it is held against; why: why that does not count as one, "" where it does."""

    build: Build
    run: Run
    forecast: Forecast | None
    why: str
    other: str = ""  # keys in which run and forecast differ

    @cached_property
    def comparison(self) -> RunComparison | None:
        """The run against the forecast."""
        return compare(self.forecast.prediction, self.run.sheet) if self.forecast and not self.run.unreadable else None

    @cached_property
    def points(self) -> dict[str, Point]:
        """What the run and the forecast say of each of the ANSWERS."""
        found = self.comparison.points if self.comparison else ()
        return {p.name: p for p in found if p.name in ANSWERS}

    @property
    def judged(self) -> list[Point]:
        """The answers that a forecast made before can be held against; none where it does not count."""
        return [] if self.why else [p for p in self.points.values() if p.judged]

    @property
    def calibrated(self) -> bool:
        """Whether the forecast rests on a calibration."""
        return self.forecast is not None and "\n[calibration]" in self.forecast.prediction.config_text


def rows(book: Notebook) -> list[Row]:
    """Every run that counts, by the day of the run."""
    found = [_row(b, r) for b, r in book.counted()]
    return sorted(found, key=lambda row: (row.run.day, row.run.entry.text("added"), row.build.key))


def _row(build: Build, run: Run) -> Row:
    """The newest forecast of this mill made before the run, else the newest of this mill, else the newest."""
    if run.unreadable:
        return Row(build, run, None, run.unreadable)
    sound = [f for f in build.forecasts if not f.entry.altered]
    if not sound:
        return Row(build, run, None, ALTERED if build.forecasts else NONE)
    as_run = config_as_run(run.sheet).text
    apart = {f.entry.key: other_mill(_mill(f), as_run) for f in sound}
    same = [f for f in sound if not apart[f.entry.key]]
    before = [f for f in same if was_before(f, run)]
    forecast = max(before or same or sound, key=lambda f: (f.made, f.entry.text("added")))
    keys = ", ".join(key for key, _, _ in apart[forecast.entry.key])
    return Row(build, run, forecast, _why(forecast, run, keys, forecast in before), keys)


def _mill(f: Forecast) -> str:
    """The mill of a forecast as text, without opening its result file."""
    return (f.entry.folder / MILL).read_text(encoding="utf-8")


def _why(forecast: Forecast, run: Run, keys: str, before: bool) -> str:
    if keys:
        return f"{OTHER}: {keys}"
    if not day_of(run):
        return UNDATED
    if day_of(run) > _day_here(run.entry.text("added")):
        return AHEAD
    if not before:
        return AFTER if forecast.made else WHEN
    p = forecast.prediction
    if not p.runs:
        return STANDS
    if not p.band_level == p.band_level:
        return NO_BAND
    return OWN if compare(p, run.sheet).own_run else ""


def was_before(forecast: Forecast, run: Run) -> bool:
    """Whether a forecast was made before a run: on a day before, or on its day and entered no later than the run."""
    day = day_of(run)
    here = _day_here(forecast.made)
    if not day or not here:
        return False
    return here < day or (here == day and forecast.entry.text("added") <= run.entry.text("added"))


def _day_here(moment: str) -> str:
    """The day on which a moment (UTC, ISO 8601) was here, where runs are dated; "" where it is none."""
    try:
        return datetime.fromisoformat(moment).astimezone().date().isoformat()
    except ValueError:
        return ""


def day_of(run: Run) -> str:
    """The day of a run, ISO 8601; "" where its sheet has none, or other words."""
    found = re.match(r"\d{4}-\d\d-\d\d", run.day)
    return found[0] if found else ""
