"""What a user types on a mill takes no longer than it needs, and is answered: all lines on mills at the edges of what
may be built, and on random ones.

The lines are about a mill, its result, a made-up run and a small sweep of it. By hand, what takes more than SECONDS of
processor time fails, and the slowest are told.
"""

import json
import math
import os
import random
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from hypothesis import HealthCheck, Phase, assume, given, settings
from hypothesis import seed as from_seed
from test_random_mills import load, random_mills

from attack.anymill import judged
from attack.tally import ALL, Tally, dice
from attack.workbench import CONFIGS, invoke
from millsim.mill.config.mill import Config

SECONDS = 20
SLOWEST = 25  # that are told
MINUTES = 20  # of the made-up run
SIEVES_MM = [16 / 2 ** (i / 2) for i in range(19)]
SLOW = ("demo", "drive.tip_speed=20 m/s", "drive.speed_under_load=3100 rpm")
FINE = "run.class_ratio=1.03"
TOUGH, COLD = "feed.material=pe_pp", "feed.temperature=-110 °C"
CORNERS = (  # config, and what is changed in it
    SLOW,
    (*SLOW, FINE),
    (*SLOW, FINE, "rotor.edge=toothed"),
    (*SLOW, FINE, "sieve.hole=2 mm", "sieve.pitch=4 mm"),
    ("demo", FINE),
    ("pla", TOUGH),
    ("pla", TOUGH, COLD),
    ("pla", COLD),
    ("demo", COLD, FINE),
    ("demo", "rotor.radius=12 mm", "rotor.mass=30 g", "shaft.diameter=8 mm", "stator.pins=4",
     "stator.pin_diameter=4 mm", "stator.gap=1 mm", "sieve.area=8 cm2", "feed.opening=10 mm", "drive.speed=40000 rpm",
     "drive.speed_under_load=35000 rpm"),
    ("pla", "rotor.radius=300 mm", "rotor.bars=12", "rotor.mass=30 kg", "drive.rated_power=8000 W", "stator.pins=48",
     "sieve.area=1500 cm2", "shaft.diameter=60 mm"),
    ("batch", "feed.batch_mass=50 g", "feed.batch_time=20 min"),
    ("swinging", FINE),
    ("rotor_stack", "feed.rate=50 g/h"),
)  # fmt: skip
LINES = (  # in this order: some are about what others keep
    "predict mill.toml --json --out mill.h5",
    "predict mill.toml --engine montecarlo --full",
    "predict mill.toml --full --plots figures",
    "why mill.h5 --full",
    "heat mill.toml",
    "heat mill.toml --full --plots figures",
    "heat mill.toml --air 60m3/h --json",
    "wear mill.toml --lost 0.05g --milled 2kg --full --plots figures",
    "day mill.toml --full --plots figures",
    "circuit mill.toml --sieve {sieve} --full --plots figures",
    "circuit mill.toml --passes 2",
    "check mill.toml --full",
    "change mill.toml --full",
    "next mill.toml --full",
    "next mill.toml --for energy",
    "possible {material} --x50 0.3mm --rate 500g/h --plots figures",
    "possible {material} --x90 0.5mm --watts 600W --feed -50°C",
    "beside mill.toml mill.h5 --plots figures",
    "draw mill.toml --prediction mill.h5 --out drawn.png",
    "report mill.h5 --out mill.html --pdf mill.pdf",
    "export mill.h5 --out tables",
    "plot mill.h5 --svg --out plotted",
    "sweep sweep.toml --full --csv sweep.csv --plots maps",
    "choose sweep.h5 rotational-moulding --full --plots choice",
    "run run.toml --full",
    "compare mill.h5 run.toml --full --plots figures",
    "calibrate run.toml --write-anyway --accept-losses --out fitted.toml --plots figures --full",
)
WRITE = ("sweep", "plot")  # and say on stderr that there is nothing to write
KEPT = ("mill.h5", "run.toml", "sweep.h5")  # without which a line about them is not typed


def attack(_: Path, work: Path, seed: int, tries: int, only: str = "", part: slice = ALL) -> Tally:
    """Type every line on the corners and on `tries` random mills; only: LINE/NUMBER of one try, and those before it."""
    tally, took = Tally("slow commands", seed), []
    invoke(work, "predict", str(CONFIGS / "demo.toml"), "--json")  # loads what has been compiled
    for number, config in list(enumerate(_mills(seed, tries)))[part]:
        if only and not only.endswith(f"/{number}"):
            continue
        folder = work / f"mill-{number}"
        folder.mkdir()
        for line, how, why, seconds in typed(folder, config, dice(seed, f"run/{number}"), only.rpartition("/")[0]):
            took.append((seconds, f"{line}/{number}"))
            why = why or (f"took {seconds:.0f} s of processor time" if seconds > SECONDS else "")
            tally.fail(took[-1][1], f"{why}, in {folder}") if why else tally.add(how)
    tally.notes += [f"  {s:5.1f} s of processor time: {case}" for s, case in sorted(took, reverse=True)[:SLOWEST]]
    return tally


def _mills(seed: int, tries: int) -> list[Config]:
    """The corners, and random mills in classes as fine as a user has them."""
    found = [load(base, changes) for base, *changes in CORNERS]

    @from_seed(seed)
    @settings(max_examples=tries, deadline=None, database=None, phases=(Phase.generate,),
              suppress_health_check=list(HealthCheck))  # fmt: skip
    @given(random_mills())
    def note(mill):
        base, overrides = mill
        config = load(base, [o for o in overrides if not o.startswith("run.class_ratio")])
        assume(config is not None)
        found.append(config)

    note()
    return found


def typed(folder: Path, config: Config, draw: random.Random, last: str = "") -> Iterator[tuple[str, str, str, float]]:
    """(line, how it ended, what is wrong or nothing, processor time [s]) of each line on a mill, up to the last."""
    (folder / "mill.toml").write_text(config.text, encoding="utf-8")
    (folder / "sweep.toml").write_text(_sweep(config), encoding="utf-8")
    given = {"sieve": f"{config.sieve.hole_m * 700:.3g}mm", "material": config.feed.material}
    for line in LINES:
        words = line.format(**given).split()
        if not all((folder / word).exists() for word in words[1:3] if word in KEPT):
            continue
        start = sum(os.times()[:4])
        done = invoke(folder, *words)
        seconds = sum(os.times()[:4]) - start
        how, why = judged(done, "--json" in words, words[0] in WRITE)
        yield line, f"{words[0]}: {how}", why, seconds
        if line == LINES[0] and done.exit_code in (0, 3):
            _make_run(folder, json.loads(done.stdout), config, draw)
        if line == last:
            return


def _sweep(config: Config) -> str:
    """A sweep of a few neighbours of a mill."""
    axes = {"stator.gap": config.stator.gap_m, "rotor.bar_thickness": config.rotor.bar_thickness_m}
    rows = [
        f'[[axis]]\nkey = "{key}"\nvalues = ["{at * 900:.6g} mm", "{at * 1e3:.6g} mm"]\n' for key, at in axes.items()
    ]
    return '[sweep]\nconfig = "mill.toml"\n' + "".join(rows)


def _make_run(folder: Path, told: dict, config: Config, draw: random.Random) -> None:
    """A run of a mill as predicted, but for a tenth in rate, size and power; none of a mill that makes no powder."""
    curve, rate = (told.get("product") or {}).get("q3"), told.get("throughput_kg_s")
    gross = (told.get("energy") or {}).get("gross_J_kg")
    if not (curve and rate and gross):
        return
    faster, coarser, harder = (math.exp(0.1 * draw.gauss(0.0, 1.0)) for _ in range(3))
    batch = config.feed.batch_mass_kg
    minutes = config.feed.batch_time_s / 60 if batch else MINUTES
    fed = batch or 60 * minutes * rate * faster
    finer = np.interp(SIEVES_MM, *(np.array(curve).T * [[1e3 * coarser], [1.0]]))
    kept = min(50.0, 500 * fed) * np.abs(np.diff([1.0, *finer, 0.0]))
    sheet = [f"{at},{g:.4g}" for at, g in zip([*(f"{s:.4g}" for s in SIEVES_MM), "pan"], kept, strict=True)]
    (folder / "powder.csv").write_text("\n".join(["aperture_mm,retained_g", *sheet, ""]), encoding="utf-8")
    (folder / "run.toml").write_text(f"""[run]
name = "made up"
config = "mill.toml"
[masses]
fed = "{1e3 * fed:.6g} g"
product = "{975 * fed:.6g} g"
[time]
milling = "{minutes:.6g} min"
[feeding]
how = "{"all at once" if batch else "metered"}"
[power]
loaded = "{gross * rate * harder:.4g} W"
[sieving]
product = "powder.csv"
""", encoding="utf-8")  # fmt: skip
