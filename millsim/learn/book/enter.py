"""Entering into a notebook: builds with their first forecast, forecasts, runs, notes, trials, cards.

What is entered holds all that it needs: configs are kept resolved, with their own cards and sheets in them, run sheets
with their sieve sheets; the files as they were written lie beside, for people.
"""

from pathlib import Path

from ...base.quantities.spreadsheet import csv_text
from ...base.reading.toml import parse_toml, to_toml
from ...errors import InputError, Problem
from ...mill import cards
from ...mill.config.mill import Config
from ...record import write
from ...record.date import now_utc
from ...record.identity import forecast_sha256
from ...record.outputs import OUTPUTS
from ...record.prediction import Prediction
from ..measured.runsheet import LOTS, MeasuredRun
from . import store
from .pages import CARD, MILL, RESULT, SHEET, Build, Notebook, Run

WRITTEN = "as-written"  # folder of the files as people wrote them
_TOLD = ("x10_m", "x50_m", "x90_m", "throughput_kg_s", "gross_J_kg", "net_J_kg", "outlet_temperature_K")


def build(folder: Path, config: Config, prediction: Prediction, name: str, note: str = "", photo: str = "") -> Path:
    """A build with its first forecast; makes the notebook if there is none yet."""
    said = {"kind": "build", "name": name, "config_sha256": config.sha256, "note": note, "photo": photo}
    files = {MILL: config.text.encode()} | _as_written(files_of(config.path))
    first, contents = _forecast(prediction, "")
    inside = {f"{first}/{path}": data for path, data in contents.items()}
    return store.add(store.make(folder), name, store.packed(said, files) | inside)


def forecast(b: Build, prediction: Prediction, settings: str = "") -> Path:
    """One more forecast of a build. settings: what it sets otherwise than the build."""
    name, contents = _forecast(prediction, settings)
    return store.add(b.entry.folder, name, contents)


def run(book: Notebook, b: Build, sheet: MeasuredRun, instead: Run | None = None) -> Path:
    """A measured run of a build. instead: a run of it that this one corrects."""
    corrected = instead.entry.folder if instead else None
    for other, r in ((o, r) for o in book.builds for r in o.runs if r.entry.folder != corrected):
        if r.entry.text("run_sha256") == sheet.sha256 and r.counts:
            raise InputError(Problem(str(sheet.path or sheet.name), "", f"is there already: {other.key}/{r.entry.key}"))
    said = {
        "kind": "run", "name": sheet.name, "date": sheet.date or "", "run_sha256": sheet.sha256,
        "note": sheet.note or "", "instead_of": instead.entry.key if instead else "",
    }  # fmt: skip
    return store.add(b.entry.folder, f"run-{sheet.date or ''}-{sheet.name}", store.packed(said, _run_files(sheet)))


def note(folder: Path, text: str, photo: str = "") -> Path:
    """A note, with a photo's file name if there is one."""
    return store.add(folder, f"note-{now_utc()[:10]}", store.packed({"kind": "note", "text": text, "photo": photo}, {}))


def trial(
    folder: Path, use: str, verdict: str, sizes_m: dict[str, float], sheet: Path | None, of: str = "", text: str = ""
) -> Path:
    """A use of a powder and what came of it. sizes_m: by "x10", "x50", "x90"; of: the run whose powder it was."""
    said = {"kind": "trial", "use": use, "verdict": verdict, "of": of, "note": text}
    said |= {f"{n}_m": repr(v) for n, v in sizes_m.items()}
    files = {sheet.name: sheet.read_bytes()} if sheet else {}
    return store.add(store.make(folder), f"trial-{use}-{verdict}", store.packed(said, files))


def card(folder: Path, text: str, runs: list[str]) -> Path:
    """A calibrated card with the runs that it was made from; returns the path of the card."""
    said = {"kind": "card", "runs": ", ".join(runs)}
    return store.add(folder, "card", store.packed(said, {CARD: text.encode()})) / CARD


# --- what an entry holds ---------------------------------------------------------------------------------


def _forecast(p: Prediction, settings: str) -> tuple[str, dict[str, bytes]]:
    said = {"kind": "forecast", "made": p.date, "forecast_sha256": forecast_sha256(p), "settings": settings}
    files = {RESULT: write.to_bytes(p), MILL: p.config_text.encode(), "answers.csv": _answers(p)}
    return f"forecast-{p.date[:10]}", store.packed(said, files)


def _answers(p: Prediction) -> bytes:
    """The few figures that a run is held against, for a spreadsheet."""
    level = f"{100 * p.band_level:.0f} % band" if p.band_level == p.band_level else "band"
    rows = [["answer", "unit", "predicted", f"{level} from", f"{level} to"]]
    for key in _TOLD:
        s = p.main.scalars.get(key)
        if s is not None:
            rows.append([OUTPUTS[key].short, OUTPUTS[key].si, *(f"{v:.6g}" for v in (s.value, s.low, s.high))])
    return csv_text(rows).encode()


def _run_files(sheet: MeasuredRun) -> dict[str, bytes]:
    """The run sheet, its mill with what was different for that run, and its sieve sheets, whole by themselves."""
    path = sheet.path
    if path is None:
        raise InputError(Problem(sheet.name, "", "has no file that could be kept"))
    tables = parse_toml(path.read_text(encoding="utf-8-sig"), str(path)).tables
    tables["run"] |= {"config": MILL}
    tables["run"].pop("overrides", None)
    files, taken = {MILL: sheet.config.text.encode()}, {MILL, SHEET, store.ENTRY}
    for lot in LOTS:
        names = []
        for s in getattr(sheet, f"{lot}_sheets"):
            name = _free(s.path.name, taken)
            files[name] = s.path.read_bytes()
            names.append(name)
        if names:
            tables["sieving"] |= {lot: names}
    files[SHEET] = to_toml(tables).encode()
    return files | _as_written([path, *files_of(sheet.config.path)])


def files_of(config: Path | None) -> list[Path]:
    """A config's file and those that it names: feed sheet, product file, cards."""
    if config is None or not config.is_file():
        return []
    tables = parse_toml(config.read_text(encoding="utf-8-sig"), str(config)).tables
    feed = tables.get("feed", {})
    size = feed.get("size", {})
    named = [size.get("sheet"), size.get("file"), tables.get("calibration", {}).get("card")]
    named += [feed["material"]] if cards.is_path(feed.get("material", "")) else []
    beside = [config.parent / n for n in named if isinstance(n, str)]
    return [config, *(p for p in beside if p.is_file())]


def _as_written(paths: list[Path]) -> dict[str, bytes]:
    taken: set[str] = set()
    return {f"{WRITTEN}/{_free(p.name, taken)}": p.read_bytes() for p in paths}


def _free(name: str, taken: set[str]) -> str:
    """A file's name, with a number where it is taken."""
    stem, dot, suffix = name.rpartition(".")
    found, number = name, 1
    while found in taken:
        number += 1
        found = f"{stem or suffix}-{number}{dot}{suffix if stem else ''}"
    taken.add(found)
    return found
