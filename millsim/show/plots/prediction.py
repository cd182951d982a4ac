"""Figures of a prediction. Besides plots_*.py and style.py the only code to import matplotlib.

Each function takes a Prediction and returns a matplotlib Figure; nothing touches pyplot's global state.
Colours are Okabe and Ito's, every line also differs by style or hatch, labels follow ISO 9276-1.
"""

import io
import warnings
from pathlib import Path

from ...base.quantities.written import harmless
from ...record.export import refuse_any_existing
from ...record.files import write_together
from ...record.prediction import Prediction
from ..words.alts import alt_text

# Name of the file: (module, function). The names are known without importing matplotlib.
FIGURES = {
    "size_cumulative": ("size", "cumulative"),
    "size_density": ("size", "density"),
    "rates": ("size", "rates"),
    "energy_ledger": ("power", "energy_ledger"),
    "temperature": ("power", "temperature"),
    "torque_speed": ("power", "torque_speed"),
}


def figure(prediction: Prediction, name: str):
    """One of the figures named in FIGURES, as a matplotlib Figure."""
    from importlib import import_module

    module, function = FIGURES[name]
    return getattr(import_module(f".{module}", __package__), function)(prediction)


def file_names(svg: bool = False) -> list[str]:
    """Every file name that save_all may write."""
    return [f"{name}.{suffix}" for name in FIGURES for suffix in (("png", "svg") if svg else ("png",))]


def names_for(prediction: Prediction) -> list[str]:
    """The figures that this prediction has data for."""
    without = set(FIGURES) - {"temperature"} if prediction.too_little else set()
    if len(prediction.warmup_time_s) < (3 if prediction.too_little else 1):
        without.add("temperature")
    if prediction.trace is None or not len(prediction.trace.time_s):
        without.add("torque_speed")
    return [name for name in FIGURES if name not in without]


def save_all(prediction: Prediction, directory: Path | str, force: bool = False, svg: bool = False) -> list[Path]:
    """Draw every figure there is data for into a folder (made if missing); the paths written.

    The same prediction gives the same bytes: no date and no program version is put into the files. All are drawn
    before the first is written.
    """
    folder = Path(directory)
    suffixes = ("png", "svg") if svg else ("png",)
    paths = [folder / f"{name}.{suffix}" for name in names_for(prediction) for suffix in suffixes]
    if not force:
        refuse_any_existing(paths)
    files = {}
    for name in names_for(prediction):
        drawn = figure(prediction, name)
        for suffix in suffixes:
            files[f"{name}.{suffix}"] = render(drawn, suffix, alt_text(prediction, name))
    return write_together(files, folder, force)


def write(figures: dict, folder: Path | str, force: bool = False, where: str = "") -> list[Path]:
    """Write figures, by the names of their files, into a folder (made if missing), all or none; the paths written.

    where: the option to name when a file exists already.
    """
    if not force:
        refuse_any_existing([folder / name for name in figures], where)
    files = {name: render(figure, Path(name).suffix.removeprefix(".")) for name, figure in figures.items()}
    return write_together(files, folder, force)


def render(drawn, suffix: str = "png", about: str = "") -> bytes:
    """The bytes of a figure as "png" or "svg", the same every time.

    about: what it shows, in words, kept in the file for those who do not see it; default by the figure's own words.
    """
    from .style import described, lay_out, plain_style

    metadata = {"png": {"Software": None}, "svg": {"Date": None, "Creator": "millsim"}}[suffix]
    words = {"Title": str(drawn.get_label()) or "millsim", "Description": about or described(drawn)}
    metadata |= {key: harmless(text) for key, text in words.items()}
    stream = io.BytesIO()
    with plain_style(), warnings.catch_warnings():
        # A mill may be named in a script that the font lacks; a box in the title is better than no figure.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        lay_out(drawn)
        drawn.savefig(stream, format=suffix, metadata=metadata)
    return stream.getvalue()
