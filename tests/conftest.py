"""What holds for every run of the tests, however busy the machine.

Examples that hypothesis draws are the same in every run, so that a pass stays a pass;
`HYPOTHESIS_PROFILE=search python -m pytest` draws new ones. A shell that starts the tests in the background has them
ignore Ctrl-C, and so would the programs that they interrupt. Programs that tests start run these very sources.

With `-n 3` a file is one piece of work, so that what it computes for all its tests is computed once; long files first,
and the files that kill, interrupt or fill disks are one piece together: never two of them at once. What all tests call
is compiled before, by one process (`warm.py`).
"""

import ast
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import settings

TESTS = Path(__file__).resolve().parent
ROOT = TESTS.parent
SEVERE = ("sweep_kill", "cli_sweep", "sweep_cluster", "sweep_run", "cli_errors")
LONG = (  # by how long they take
    "cli_calibrate", "model_error", "calibration", "readme", "plots_sweep", "report", "engines_agree", "results",
    "random_mills", "cli_bench", "heat_story", "cli_heat", "changes", "heatanswers", "plots", "plots_drawing",
    "plots_sieve", "choose", "golden", "config_garbage", "cli_exit_codes", "report_browser", "hardly_grinds",
    "chamber_mode", "router", "sweep_file", "kinetics", "cli_basic", "same_figure", "binary", "first_look", "prebuild",
    "cautions", "from_python", "rng", "comparison", "droptest", "ledger", "sweep_journal", "architecture",
    "second_edition", "bench_garbage",
)  # fmt: skip
FAST = (  # laws, units, records, words, and the shape of the package: under a minute
    "architecture", "jit", "laws", "laws_units", "cooling_laws", "energy_laws", "size_laws", "strength_laws",
    "sources", "units", "psd", "rng", "sheet", "sieves", "cards", "config", "problem", "targets", "runsheet",
    "runbalance", "idlerun", "cuttest", "staircase", "sizefits", "summary", "outputs", "words",
)  # fmt: skip

settings.register_profile("fixed", derandomize=True, deadline=None, database=None)
settings.register_profile("search", deadline=None, print_blob=True)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "fixed"))

if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

os.environ["SOURCE_DATE_EPOCH"] = "1741455725"  # 2025-03-08T17:42:05Z: predictions made twice are the same files
os.environ["PYTHONPATH"] = os.pathsep.join(filter(None, [str(ROOT), os.environ.get("PYTHONPATH")]))


def pytest_addoption(parser):
    """The flag that stores numbers anew."""
    parser.addoption("--update-golden", action="store_true", help="store the numbers of tests/data/golden.json anew")


@pytest.hookimpl(tryfirst=True)
def pytest_cmdline_main(config):
    """With -n and nothing else asked: work goes out by group, longest first; all is compiled beforehand."""
    if getattr(config.option, "numprocesses", None) and config.option.dist in ("no", "load"):
        config.option.dist = "loadgroup"
        config.option.loadscopereorder = False
        subprocess.run([sys.executable, str(TESTS / "warm.py")], check=True)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config, log):
    """Groups by the name of the file: a marker of pytest-xdist would be read in the workers, which never see it."""
    if config.option.dist != "loadgroup":
        return None
    from xdist.scheduler import LoadScopeScheduling

    class ByGroup(LoadScopeScheduling):
        def _split_scope(self, nodeid: str) -> str:
            stem = Path(nodeid.split("::", 1)[0]).stem.removeprefix("test_")
            return "severe" if stem in SEVERE else stem

    return ByGroup(config, log)


def law_names() -> set[str]:
    """The names of all laws, read without importing (and compiling) them."""
    files = (ROOT / "millsim" / "laws").glob("*.py")
    nodes = [n for f in files for n in ast.parse(f.read_text(encoding="utf-8")).body]
    return {n.name for n in nodes if isinstance(n, ast.FunctionDef)}


def names_in(code) -> set[str]:
    """Every name that a function uses, its nested functions included."""
    inner = [names_in(c) for c in code.co_consts if hasattr(c, "co_names")]
    return {*code.co_names, *code.co_freevars}.union(*inner)


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items):
    """Long files first, the fast subset, and `-k NAME` finds the tests that call the law of that name."""
    laws = law_names()
    place = {name: i for i, name in enumerate((*SEVERE, *LONG))}
    for item in items:
        stem = item.path.stem.removeprefix("test_")
        if stem in FAST:
            item.add_marker(pytest.mark.fast)
        item.extra_keyword_matches |= laws & names_in(item.function.__code__)
    items.sort(key=lambda item: place.get(item.path.stem.removeprefix("test_"), len(place)))
