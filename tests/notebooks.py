"""A notebook of the acrylic workshop for tests: three builds and five runs, all invented."""

import functools
import shutil
from dataclasses import replace
from pathlib import Path

import mills
import numpy as np
import pytest

from millsim.forecast import run as forecast
from millsim.learn.book import enter, pages
from millsim.learn.measured.runsheet import read_run
from millsim.mill.config.mill import load_config
from millsim.record.prediction import Prediction

FREE = 'feed.rate="as fast as it can grind"'
COARSE = ("run.class_ratio=1.6", "run.band_samples=16", "run.trace=false", "run.engine=balance")
BUILDS = {  # name: (settings, when predicted, factors on sizes, rate and energy of the first)
    "twelve pins": ((), "2025-02-20T18:10:00Z", (1.0, 1.0, 1.0)),
    "gap 2 mm": (("stator.gap=2 mm",), "2025-03-09T09:30:00Z", (0.97, 1.08, 0.93)),
    "holes 0.8 mm": (("sieve.hole=0.8 mm", "sieve.pitch=1.6 mm"), "2025-03-15T20:05:00Z", (1.27, 1.9, 0.55)),
}
FIRST = {  # of the first build, so that nothing here moves with the model
    "x10_m": 0.14e-3, "x50_m": 0.36e-3, "x90_m": 0.51e-3, "throughput_kg_s": 3.0 / 3600, "capacity_kg_s": 3.0 / 3600,
    "gross_J_kg": 0.46 * 3.6e6, "net_J_kg": 0.43 * 3.6e6,
}  # fmt: skip
BANDS = {"throughput_kg_s": (0.35, 2.2), "gross_J_kg": (0.5, 2.6), "net_J_kg": (0.5, 2.6)}  # over the value
NARROW = (0.72, 1.33)
RUNS = (  # build, day, factor on the sizes of the demo's sheet, grams of powder in 20 min, watts
    ("twelve pins", "2025-03-01", 0.98, 1134.0, 1305),
    ("twelve pins", "2025-03-02", 1.05, 1061.0, 1310),
    ("gap 2 mm", "2025-03-12", 0.93, 1350.4, 1305),
    ("gap 2 mm", "2025-03-14", 0.99, 1262.0, 1290),
    ("holes 0.8 mm", "2025-03-22", 2.1, 2240.0, 1300),
)
ONCE = mills.CONFIGS / "demo_product_sieve.csv"


@functools.cache
def predicted() -> Prediction:
    """The demo mill on coarse classes with a band of a few draws."""
    return forecast.predict(mills.config("demo", FREE, *COARSE), engine="balance", seed=1)


def prediction_of(name: str) -> Prediction:
    """The prediction of a build: that of the first with its figures changed, of its own mill and date."""
    settings, date, (size, rate, energy) = BUILDS[name]
    first, config = predicted(), mills.config("demo", FREE, *COARSE, *settings)
    by = dict.fromkeys(("x10_m", "x50_m", "x90_m"), size) | {"throughput_kg_s": rate, "capacity_kg_s": rate}
    by |= dict.fromkeys(("gross_J_kg", "net_J_kg"), energy)
    scalars = {
        n: replace(s, value=v, low=v * low, high=v * high)
        for n, s in first.main.scalars.items()
        for v, (low, high) in ((FIRST.get(n, s.value) * by.get(n, 1.0), BANDS.get(n, NARROW)),)
    }  # fmt: skip
    main = replace(first.main, scalars=scalars)
    return replace(first, config_text=config.text, config_sha256=config.sha256, date=date, main=main)


def sheet(path: Path, factor: float) -> None:
    """The demo's sieving of a powder whose every size is `factor` times as large."""
    lines = [line.split(",") for line in ONCE.read_text(encoding="utf-8").splitlines() if line[:1].isdigit()]
    x, m = (np.array(column, dtype=float) for column in zip(*lines, strict=True))
    total = m.sum() + 3.48
    q = [(m[i + 1 :].sum() + 3.48) / total for i in range(m.size)]
    told = np.interp(np.log(x / factor), np.log(x[::-1]), q[::-1])[::-1]
    kept = total * np.diff([*told, 1.0])
    rows = [f"{a:g},{g:.2f}" for a, g in zip(x, kept[::-1], strict=True)]
    path.write_text("\n".join(["aperture_mm,retained_g", *rows, f"pan,{told[0] * total:.2f}", ""]), encoding="utf-8")


def run_sheet(folder: Path, number: int) -> Path:
    """The run sheet of one of RUNS, with its sieving and the mill beside it."""
    build, day, size, grams, watts = RUNS[number]
    for name in ("demo.toml", "offcuts_sieve.csv"):
        shutil.copy(mills.CONFIGS / name, folder)
    text = (mills.CONFIGS / "demo_run.toml").read_text(encoding="utf-8")
    settings = ", ".join(f'"{s}"' for s in BUILDS[build][0])
    for old, new in (
        ("acrylic offcuts, third batch of the evening", f"batch {number + 1}"), ("2025-03-08", day),
        ("overrides = []", f"overrides = [{settings}]"), ('"1150.4 g"', f'"{grams} g"'),
        ('"1200.0 g"', f'"{grams + 33.4:.1f} g"'), ('"1305 W"', f'"{watts} W"'),
        ('how = "metered" ', 'how = "as much as it took"\nlimit = "shaft power"'),
        ('"demo_product_sieve.csv"', f'"powder{number + 1}.csv"'),
    ):  # fmt: skip
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    sheet(folder / f"powder{number + 1}.csv", size)
    path = folder / f"run{number + 1}.toml"
    path.write_text(text, encoding="utf-8")
    return path


def workshop(folder: Path, work: Path) -> Path:
    """The notebook: three builds, five runs. work: a folder for the run sheets, which may go afterwards."""
    patch = pytest.MonkeyPatch()
    patch.setenv("SOURCE_DATE_EPOCH", "1743500000")  # 2025-04-01: when all of it was entered
    for name, (settings, *_) in BUILDS.items():
        config = load_config(mills.CONFIGS / "demo.toml", [FREE, *settings])
        enter.build(folder, config, prediction_of(name), name)
    for number, (build, *_) in enumerate(RUNS):
        book = pages.read_book(folder)
        enter.run(book, book.build(build.replace(" ", "-").replace(".", "-")), read_run(run_sheet(work, number)))
    patch.undo()
    return folder
