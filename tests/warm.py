"""Compile what all tests call, once and in one process.

Two processes that compile the same function into an empty cache may write over each other's files. So before work is
shared out, this runs; where it has run for these sources, it does nothing.
"""

import hashlib
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

SWEEP = '[sweep]\nconfig = "{demo}"\nclass_ratio = 1.6\ndraws = 2\n[[axis]]\nkey = "stator.gap"\nvalues = ["2 mm"]\n'


def compile_all() -> None:
    """A short prediction of each kind with both engines, a sweep, and the balance without a mill."""
    import millsim
    from millsim.engines.kinetics import freepaths  # compiles on import what takes a user's functions
    from millsim.explore.sweep.journal import open_journal
    from millsim.explore.sweep.plan import read_plan
    from millsim.explore.sweep.runner import run

    assert freepaths
    for name in ("batch", "swinging", "demo"):  # the demo last: in CI the main job is at it
        millsim.predict(millsim.load_config(ROOT / "configs" / f"{name}.toml", ["run.band_samples=2", "run.seed=1"]))
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder, "warm.toml")
        file.write_text(SWEEP.format(demo=(ROOT / "configs" / "demo.toml").as_posix()), encoding="utf-8")
        with open_journal(Path(folder, "warm.points")) as journal:
            run(read_plan(file), journal, workers=1)


def main() -> None:
    """Compile unless it was done."""
    from millsim.base.numerics.jit import CACHE_FOLDER

    if CACHE_FOLDER is None:
        return
    done = Path(CACHE_FOLDER, "warm-" + hashlib.sha256(Path(__file__).read_bytes()).hexdigest()[:16])
    if not done.exists():
        compile_all()
        done.touch()


if __name__ == "__main__":
    main()
