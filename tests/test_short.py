"""Every answer fits a screen: 25 lines of 100 columns with its caution, then the line on --full; its numbers are those
of the whole answer. Mills that are well, hardly grind, jam, stick, stall, and a batch."""

import re
from importlib import import_module

import mills
import pytest
from click.testing import CliRunner
from helpers import SHOWN_BY_FULL, fits, numbers_in
from pretend import few_draws

from millsim.commands import base
from millsim.commands.main import cli
from millsim.forecast.run import predict
from millsim.learn.calibration import firststep
from millsim.record import write
from millsim.record.prediction import Advised
from millsim.show.words import short as shorts
from millsim.studies import advised

CONFIGS = mills.CONFIGS
QUICK = ("run.seed=1", "run.class_ratio=1.6", "run.band_samples=2", "run.engine=balance", "run.trace=false")
MILLS = {
    "well": ("demo",),
    "hardly grinds": ("demo", "drive.tip_speed=30 m/s"),
    "jams": ("tight_jam",),
    "sticks": ("demo", "limits.outlet_temperature=120 °C", "air.inlet_area=0.5 cm2", "air.blower_pressure=0 Pa"),
    "too weak": ("swinging", "drive.rated_power=60 W", "run.trace=true"),
    "batch": ("batch",),
}
OF_A_MILL = {
    "predict": (), "check": (), "heat": (), "next": (), "circuit": ("--sieve", "0.5 mm"),
    "wear": ("--lost", "0.05 g", "--milled", "2 kg"),
}  # fmt: skip
OF_FILES = {
    "run": ("demo_run.toml",), "sieve": ("demo_product_sieve.csv",), "droptest": ("demo_droptest.csv",),
    "cuttest": ("demo_cuttest.csv",), "idle": ("demo_idle.csv", "--config", CONFIGS / "demo.toml"),
}  # fmt: skip


@pytest.fixture(scope="module")
def told():
    """Whole answer and short one of a command, from one run of it: told(command, words) is (whole, short)."""
    kept = {}

    def run(command, *words):
        name = command.removesuffix("_command")
        module, seen = import_module(f"millsim.commands.{name}"), {}

        def both(ctx, as_json, as_text, code=0, written=(), before=(), caution=None, full=False, short=None):
            seen["whole"] = base.cautioned(as_text(), caution)
            list(written)
            ctx.meta.pop(base.FULL, None)
            base.answer(ctx, as_json, as_text, code, (), (), caution, full, short)

        with pytest.MonkeyPatch.context() as patch:
            few_draws(patch, 48)
            patch.setattr(firststep, "first", lambda *_: Advised("product size", "sieve 50 g of product", 70.0, 0.45))
            patch.setattr(module, "answer", both)
            done = CliRunner().invoke(cli, [name, *map(str, words)])
        assert done.exit_code in (0, 3, 4), done.output
        return seen["whole"], done.stdout

    def once(command, *words):
        if (command, words) not in kept:
            kept[command, words] = run(command, *words)
        return kept[command, words]

    return once


STUMBLES = re.compile(
    r"throughput|net energy|\bgross\b|of product net|[Ww]hat binds|as much as it takes|turns on for|plug pulled|"
    r"no heaps|more (was|were) not made|is reckoned|of their own pull|not pegged|Not slowed that way|would make \d+ °C|"
    r"out badly|as bad or worse|effective samples|carry away|not fit for error bars|mill in the open|Mend that|"
    r"rate is held by"
)


def sets(*overrides):
    return [w for o in (*QUICK, *overrides) for w in ("--set", o)]


@pytest.mark.parametrize(
    ("command", "mill"), [(c, m) for c in OF_A_MILL for m in MILLS if m != "batch" or c not in ("circuit", "next")]
)
def test_an_answer_on_a_mill_fits_and_has_the_numbers_of_the_whole(told, command, mill):
    name, *overrides = MILLS[mill]
    full, short = told(command, CONFIGS / f"{name}.toml", *OF_A_MILL[command], *sets(*overrides))
    lines = fits(short)
    assert not STUMBLES.search(" ".join(f"{full} {short}".split()))
    assert "Caution: " in short and (lines[-1].startswith(SHOWN_BY_FULL) or short.strip() == full.strip())
    assert numbers_in(short) <= numbers_in(full)


@pytest.mark.parametrize("command", OF_FILES)
def test_an_answer_on_a_sheet_fits_and_has_the_numbers_of_the_whole(told, command):
    name, *more = OF_FILES[command]
    full, short = told(command, CONFIGS / name, *more)
    lines = fits(short)
    assert not STUMBLES.search(" ".join(f"{full} {short}".split()))
    assert lines[-1].startswith(SHOWN_BY_FULL) or short.strip() == full.strip()
    assert numbers_in(short) <= numbers_in(full)


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """Stored predictions of three of the mills."""
    folder = tmp_path_factory.mktemp("short")
    for mill in ("well", "jams", "batch"):
        name, *overrides = MILLS[mill]
        config = mills.config(name, *QUICK, *overrides)
        write.write(advised.reviewed(config, predict(config)), folder / f"{mill}.h5")
    return sorted(folder.iterdir())


def test_why_and_a_run_set_against_a_prediction_fit(told, kept):
    for path in kept:
        for words in (("why", path), ("compare", path, CONFIGS / "demo_run.toml")):
            full, short = told(*words)
            fits(short)
            assert numbers_in(re.sub(r"and \d+ more", "", short)) <= numbers_in(full)


def test_any_number_of_mills_beside_each_other_fits(told, kept):
    for count in (1, 2, 3, 7):
        full, short = told("beside", *(kept * 3)[:count], "--draws", 0)
        fits(short)
        assert numbers_in(short) <= numbers_in(full)


# --- the shared rules --------------------------------------------------------------------------------------------


def test_what_does_not_fit_goes_by_rank_and_never_the_first():
    parts = [shorts.table_part([f"{n}"] * 6, rank) for n, rank in enumerate((9, 1, 3, 2, 3))]
    told = shorts.Short(tuple(parts), "more")
    assert told.lines() == ["0"] * 6 + ["1"] * 6 + ["2"] * 6 + ["3"] * 6  # of two of a rank the last goes first
    assert told.lines(caution=2) == ["0"] * 6 + ["1"] * 6 + ["3"] * 6
    assert len(shorts.Short((shorts.table_part(["x"] * 40),), "").lines()) == 40


def test_a_text_told_whole_speaks_of_full_only_where_some_was_left_out():
    assert shorts.whole("one\n  two\nthree").more() == ""
    long = shorts.whole("\n".join(f"paragraph {n}" for n in range(30)))
    assert long.lines()[-1] == "paragraph 24" and long.more() == "`--full` shows the rest."


def test_quiet_says_nothing_but_the_answer_and_errors(tmp_path):
    card = ("--card", str(tmp_path / "c.toml"))
    words = ["cuttest", str(CONFIGS / "demo_cuttest.csv"), "--efficiency", "0.6", *card]
    loud, quiet = (CliRunner().invoke(cli, [*words, "--force", *more]) for more in ((), ("--quiet",)))
    assert "Written: " in loud.stderr and quiet.stderr == "" and quiet.stdout == loud.stdout
    assert (tmp_path / "c.toml").is_file()
    assert "Error: " in CliRunner().invoke(cli, [*words, "--quiet"]).stderr  # it exists


def test_commands_that_tell_of_a_mill_or_a_run_have_both_flags():
    talk = {"draw", "report", "plot", "export", "energy", "new"}  # paths written, a sum without a mill, questions
    listings = {"keys", "materials", "targets"}
    for name in set(cli.commands) - talk - listings - {"book"}:  # whose commands have their own
        options = {o for p in cli.commands[name].params for o in p.opts}
        assert {"--full", "--quiet"} <= options, name
