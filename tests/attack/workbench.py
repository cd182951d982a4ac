"""A folder as a user of the workshop has it: every kind of file that a command reads, small and quick to compute."""

import os
import shutil
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from click.testing import CliRunner, Result

from millsim.commands.main import cli

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
COARSE = {"class_ratio": "1.6", "band_samples": "2", "trace": "false", "engine": '"balance"', "seed": "1"}
SWEEP = """[sweep]
config = "demo.toml"
engine = "balance"
class_ratio = 1.6
[set]
"feed.rate" = "500 g/h"
[[axis]]
key = "stator.gap"
values = ["2 mm", "4 mm"]
"""
LASER_UM = [round(20 * 1.25**i) for i in range(22)]  # limits of classes
LASER_PERCENT = [
    0.1,
    0.2,
    0.4,
    0.7,
    1.1,
    1.8,
    2.7,
    3.8,
    5.2,
    6.7,
    8.1,
    9.3,
    10.1,
    10.3,
    9.9,
    8.9,
    7.6,
    6.0,
    4.2,
    2.3,
    0.6,
]
ANSWERS = "feed.material = pmma\nrotor.radius = 55 to 60 mm\nstator.gap = 3 mm\n"


@dataclass(frozen=True)
class Reader:
    """A command that reads one file of the folder; the words of its line, with the file among them."""

    words: tuple[str, ...]
    victim: str
    makes: tuple[str, ...] = ()  # what stands there from furnishing, and the command would not replace

    @property
    def name(self) -> str:
        """The command and the file."""
        return f"{self.words[0]} {self.victim}"


def reader(line: str, victim: str, *makes: str) -> Reader:
    """A reader of a file; the line splits at blanks."""
    return Reader(tuple(line.split()), victim, makes)


READERS = (
    reader("predict demo.toml", "demo.toml"),
    reader("predict demo.toml", "offcuts_sieve.csv"),
    reader("predict carded.toml", "offcuts.toml"),
    reader("check demo.toml", "demo.toml"),
    reader("draw demo.toml", "demo.toml"),
    reader("heat demo.toml", "demo.toml"),
    reader("wear demo.toml --lost 0.05g --milled 2kg", "demo.toml"),
    reader("circuit demo.toml --sieve 0.5mm", "demo.toml"),
    reader("beside demo.toml made.h5 --draws 0", "demo.toml"),
    reader("beside demo.toml made.h5 --draws 0", "made.h5"),
    reader("change demo.toml --draws 0", "demo.toml"),
    reader("day demo.toml --draws 0", "demo.toml"),
    reader("next demo.toml", "demo.toml"),
    reader("new fresh.toml --answers answers.txt", "answers.txt", "fresh.toml", "fresh-drawing.png"),
    reader("new fresh.toml --answers answers.txt --from demo.toml", "demo.toml", "fresh.toml", "fresh-drawing.png"),
    reader("possible offcuts.toml --x50 0.3mm --watts 300W", "offcuts.toml"),
    reader("materials offcuts.toml", "offcuts.toml"),
    reader("run run.toml", "run.toml"),
    reader("run run.toml", "demo_product_sieve.csv"),
    reader("run run.toml", "demo.toml"),
    reader("compare made.h5 run.toml", "run.toml"),
    reader("compare made.h5 run.toml", "made.h5"),
    reader("calibrate run.toml", "demo_product_sieve.csv"),
    reader("sieve demo_product_sieve.csv", "demo_product_sieve.csv"),
    reader("sieve laser.csv", "laser.csv"),
    reader("sieve laser_sums.csv", "laser_sums.csv"),
    reader("run laser_run.toml", "laser.csv"),
    reader("idle idle.csv", "idle.csv"),
    reader("droptest drops.csv --material pmma", "drops.csv"),
    reader("cuttest cuts.csv --material pmma", "cuts.csv"),
    reader("sweep sweep.toml --workers 1", "sweep.toml", "sweep.h5", "sweep.points"),
    reader("sweep sweep.toml --workers 1", "demo.toml", "sweep.h5", "sweep.points"),
    reader("sweep sweep.toml --so-far", "sweep.points", "sweep.h5"),
    reader("choose sweep.h5 rotational-moulding", "sweep.h5"),
    reader("choose sweep.h5 target.toml", "target.toml"),
    reader("why made.h5", "made.h5"),
    reader("export made.h5", "made.h5"),
    reader("report made.h5", "made.h5"),
    reader("plot made.h5", "made.h5"),
    reader("book show book", "book/twelve-pins/entry.toml"),
)


def furnish(folder: Path) -> Path:
    """Fill the folder; a few seconds."""
    for name, shipped in (
        ("demo.toml", "demo.toml"), ("offcuts_sieve.csv", "offcuts_sieve.csv"), ("run.toml", "demo_run.toml"),
        ("demo_product_sieve.csv", "demo_product_sieve.csv"), ("idle.csv", "demo_idle.csv"),
        ("cuts.csv", "demo_cuttest.csv"), ("drops.csv", "demo_droptest.csv"),
    ):  # fmt: skip
        shutil.copy(CONFIGS / shipped, folder / name)
    coarse(folder / "demo.toml")
    carded = (folder / "demo.toml").read_text(encoding="utf-8").replace('"pmma" ', '"offcuts.toml" ')
    (folder / "carded.toml").write_text(carded, encoding="utf-8")
    _laser_sheets(folder)
    (folder / "sweep.toml").write_text(SWEEP, encoding="utf-8")
    (folder / "answers.txt").write_text(ANSWERS, encoding="utf-8")
    for name, words in (
        ("offcuts.toml", ("materials", "pmma", "--toml")), ("target.toml", ("targets", "rotational-moulding")),
    ):  # fmt: skip
        (folder / name).write_text(invoke(folder, *words).stdout, encoding="utf-8")
    for line in (
        "predict demo.toml --out made.h5", "sweep sweep.toml --workers 1", "book add book made.h5 --name twelve-pins",
    ):  # fmt: skip
        done = invoke(folder, *line.split())
        assert done.exit_code in (0, 3), done.output
    return folder


def _laser_sheets(folder: Path) -> None:
    """A powder by laser diffraction, as shares of classes and as sums in columns of another country; a run with it."""
    rows = [f"{a},{b},{v}" for (a, b), v in zip(pairwise(LASER_UM), LASER_PERCENT, strict=True)]
    (folder / "laser.csv").write_text("\n".join(["lower_um,upper_um,volume_percent", *rows, ""]), encoding="utf-8")
    sums = [f"{b};{sum(LASER_PERCENT[: i + 1]):.1f}".replace(".", ",") for i, b in enumerate(LASER_UM[1:])]
    head = ["Sample;offcuts", "", "size um;volume undersize %"]
    (folder / "laser_sums.csv").write_text("\n".join([*head, *sums, ""]), encoding="utf-8")
    run = (folder / "run.toml").read_text(encoding="utf-8").replace("demo_product_sieve.csv", "laser.csv")
    (folder / "laser_run.toml").write_text(run, encoding="utf-8")


def coarse(config: Path) -> None:
    """Make what a config asks for small: few classes, few draws, the balance only."""
    lines = [
        line for line in config.read_text(encoding="utf-8").splitlines() if line.split("=")[0].strip() not in COARSE
    ]
    at = lines.index("[run]") if "[run]" in lines else len(lines)
    lines[at : at + 1] = ["[run]", *(f"{key} = {value}" for key, value in COARSE.items())]
    config.write_text("\n".join([*lines, ""]), encoding="utf-8")


def invoke(folder: Path, *words: str) -> Result:
    """A command run in the folder, in this process."""
    here = Path.cwd()
    os.chdir(folder)
    try:
        return CliRunner().invoke(cli, words)
    finally:
        os.chdir(here)
