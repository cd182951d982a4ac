"""What stands in a notebook: builds with their forecasts, runs and notes; trials of the powder's use; cards."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

from ...errors import InputError, Problem
from ...mill.config.mill import Config, load_config
from ...record import read
from ...record.prediction import Prediction
from ..measured.runsheet import MeasuredRun, read_run
from . import store
from .store import Entry

MILL, SHEET, RESULT, CARD = "mill.toml", "run.toml", "prediction.h5", "card.toml"
VERDICTS = ("good", "too coarse", "too fine")


@dataclass(frozen=True)
class Forecast:
    """A prediction as it was when it was put into the notebook."""

    entry: Entry

    @cached_property
    def prediction(self) -> Prediction:
        """The stored prediction."""
        return read.read(self.entry.folder / RESULT)

    @property
    def made(self) -> str:
        """When it was computed, UTC, ISO 8601."""
        return self.entry.text("made")


@dataclass(frozen=True)
class Run:
    """A measured run of a build."""

    entry: Entry
    replaced: bool = False  # another run was entered in its place

    @cached_property
    def sheet(self) -> MeasuredRun:
        """What was measured."""
        return read_run(self.entry.folder / SHEET)

    @property
    def day(self) -> str:
        """When it was, as its sheet says; "" where it does not."""
        return self.entry.text("date")

    @cached_property
    def unreadable(self) -> str:
        """Why its sheet cannot be read, such as by a version that knows other keys; "" where it can."""
        try:
            return "" if self.sheet else ""
        except InputError as error:
            return f"cannot be read: {error.problems[0]}"

    @property
    def counts(self) -> bool:
        """Whether it is as it was entered, and not replaced."""
        return not self.replaced and not self.entry.altered


@dataclass(frozen=True)
class Build:
    """One mill as it was built, and all that belongs to it."""

    entry: Entry
    forecasts: tuple[Forecast, ...] = ()
    runs: tuple[Run, ...] = ()
    notes: tuple[Entry, ...] = ()

    @property
    def key(self) -> str:
        """The name by which it is called."""
        return self.entry.key

    @cached_property
    def config(self) -> Config:
        """The mill."""
        return load_config(self.entry.folder / MILL)


@dataclass(frozen=True)
class Trial:
    """A use of a powder and what came of it; sizes [m] of the powder that was used, NaN where not known."""

    entry: Entry
    use: str
    verdict: str  # of VERDICTS
    sizes_m: dict[str, float]  # by "x10", "x50", "x90"


@dataclass(frozen=True)
class Notebook:
    """All of a notebook; builds and trials in the order in which they were entered."""

    folder: Path
    builds: tuple[Build, ...]
    trials: tuple[Trial, ...]
    cards: tuple[Entry, ...]
    faults: tuple[str, ...] = field(default=())  # what was altered, as sentences

    def build(self, name: str) -> Build:
        """The build of that name, or the only one that begins so. Raises InputError."""
        near = [b for b in self.builds if b.key == name] or [b for b in self.builds if b.key.startswith(name)]
        if len(near) == 1:
            return near[0]
        known = ", ".join(b.key for b in self.builds) or "none yet"
        raise InputError(Problem(str(self.folder), "", f"no build is called {name!r}", hint=f"builds: {known}"))

    def run(self, name: str) -> tuple[Build, Run]:
        """The run called BUILD/RUN, or RUN where only one build has it. Raises InputError."""
        build, _, key = name.rpartition("/")
        found = [(b, r) for b in self.builds for r in b.runs if r.entry.key == key and build in ("", b.key)]
        if len(found) == 1:
            return found[0]
        known = ", ".join(f"{b.key}/{r.entry.key}" for b in self.builds for r in b.runs) or "none yet"
        what = "more than one run is" if found else "no run is"
        raise InputError(Problem(str(self.folder), "", f"{what} called {name!r}", hint=f"runs: {known}"))

    def counted(self, names: Sequence[str] = ()) -> list[tuple[Build, Run]]:
        """Runs that count, of builds or runs of these names or of all, each measurement once."""
        chosen = [(b, r) for b in self.builds for r in b.runs if r.counts]
        if names:
            wanted = [self._named(n) for n in names]
            chosen = [p for p in chosen if any(p[0] is b and (r is None or p[1] is r) for b, r in wanted)]
        seen: set[str] = set()
        once = []
        for pair in chosen:
            digest = pair[1].entry.text("run_sha256")
            once += [] if digest in seen else [pair]
            seen.add(digest)
        return once

    def _named(self, name: str) -> tuple[Build, Run | None]:
        if any(b.key == name for b in self.builds):
            return self.build(name), None
        return self.run(name)


def read_book(folder: Path) -> Notebook:
    """All of a notebook. Raises InputError where the folder is none."""
    found = store.entries(store.require(folder))
    builds = tuple(_build(e) for e in found if e.kind == "build")
    trials = tuple(_trial(e) for e in found if e.kind == "trial")
    parts = [e for b in builds for e in (*(f.entry for f in b.forecasts), *(r.entry for r in b.runs), *b.notes)]
    faults = tuple(f"{_place(e, folder)}: {text}{_so(e)}" for e in (*found, *parts) for text in e.altered)
    return Notebook(folder, builds, trials, tuple(e for e in found if e.kind == "card"), faults)


def _so(entry: Entry) -> str:
    return "; it does not count" if entry.kind in ("run", "forecast") else ""


def _place(entry: Entry, folder: Path) -> str:
    return entry.folder.relative_to(folder).as_posix()


def _build(entry: Entry) -> Build:
    inside = store.entries(entry.folder)
    runs = [e for e in inside if e.kind == "run"]
    replaced = {e.text("instead_of") for e in runs}
    return Build(
        entry,
        tuple(Forecast(e) for e in inside if e.kind == "forecast"),
        tuple(sorted((Run(e, e.key in replaced) for e in runs), key=lambda r: (r.day, r.entry.text("added")))),
        tuple(e for e in inside if e.kind == "note"),
    )


def _trial(entry: Entry) -> Trial:
    sizes = {n: float(entry.text(f"{n}_m") or "nan") for n in ("x10", "x50", "x90")}
    return Trial(entry, entry.text("use"), entry.text("verdict"), sizes)
