"""One exit code for one thing: every command that answers about a mill says with the same code whether it runs."""

import json
import shutil
from pathlib import Path

import mills
import pytest
from click.testing import CliRunner

from millsim.commands.base import EXIT, exit_code
from millsim.commands.main import cli
from millsim.errors import unsettled
from millsim.record.limits import STATUS_WORDS, cannot_run_words

README = (mills.CONFIGS.parent / "README.md").read_text(encoding="utf-8")
PLAIN = ("run.band_samples=0", "run.trace=false", "run.engine=balance", "run.class_ratio=1.6",
         "drive.phase_control=false")  # fmt: skip
MILLS = {  # settings of pla.toml, exit code
    "ok": ((), 0),
    "over capacity": (("feed.rate=60 kg/h",), 3),
    "cannot run": (("limits.outlet_temperature=25 °C", "air.room=24 °C", "feed.temperature=24 °C"), 3),
    "bad input": (("rotor.speeed=1",), 2),
}
COMMANDS = {
    "predict": ("pla.toml", "--seed", "1", "--out", "p.h5"),
    "heat": ("pla.toml",),
    "wear": ("pla.toml", "--lost", "0.05 g", "--milled", "2 kg"),
    "check": ("pla.toml",),
    "circuit": ("pla.toml", "--sieve", "0.5 mm"),
    "sweep": ("s.toml", "--out", "s.h5"),
}
SWEEP = '[sweep]\nconfig = "pla.toml"\nclass_ratio = 1.6\n[[axis]]\nkey = "drive.speed"\nvalues = ["12000 rpm"]\n'


def run(*words):
    return CliRunner().invoke(cli, list(words))


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A folder with a mill and a sweep of one point."""
    path = tmp_path_factory.mktemp("codes")
    shutil.copy(mills.CONFIGS / "pla.toml", path)
    (path / "s.toml").write_text(SWEEP, encoding="utf-8")
    return path


@pytest.mark.parametrize("what", MILLS)
@pytest.mark.parametrize("command", COMMANDS)
def test_the_same_thing_gives_the_same_code(folder, monkeypatch, command, what):
    monkeypatch.chdir(folder)
    for file in Path().glob("?.h5"):
        file.unlink()
    settings, code = MILLS[what]
    words = [w for s in (*PLAIN, *settings) for w in ("--set", s)]
    done = run(command, *COMMANDS[command], *words)
    whole = 4 if (command, code) == ("check", 0) else code  # not every check could be made
    assert done.exit_code == whole, done.output[:500]
    assert bool(done.stdout) == (code != 2 and not (command == "sweep" and what == "cannot run"))
    if command == "predict" and code != 2:
        kept = run("why", "p.h5", "--json")
        assert kept.exit_code == code and json.loads(kept.stdout)["status"] == what


STANDS = {  # settings of demo.toml with which it gives nothing
    "outlet temperature": ("limits.outlet_temperature=25 °C", "air.room=24 °C", "feed.temperature=24 °C"),
    "shaft power": ("drive.tip_speed=100 m/s", "drive.speed_under_load=15500 rpm", "drive.rated_power=100 W"),
    "grinding": ("feed.material=pe_pp", "rotor.edge=blunt"),
}


@pytest.mark.parametrize("binding", STANDS)
def test_a_mill_that_gives_nothing_is_told_alike_by_every_command(tmp_path, monkeypatch, binding):
    # Overheats, does not turn, hardly grinds: exit code 3 and one sentence for each, whatever was asked.
    monkeypatch.chdir(tmp_path)
    shutil.copytree(mills.CONFIGS, tmp_path, dirs_exist_ok=True)
    gaps = SWEEP.replace("drive.speed", "stator.gap").replace("12000 rpm", "3 mm").replace("1.6", "1.5")
    Path("s.toml").write_text(gaps.replace("pla.toml", "demo.toml"), encoding="utf-8")
    slim = ("run.band_samples=0", "run.trace=false", "run.engine=balance", "run.class_ratio=1.5")
    words = [w for s in (*slim, *STANDS[binding]) for w in ("--set", s)]
    told = cannot_run_words(binding)
    first = run("predict", "demo.toml", "--seed", "1", "--out", "p.h5", *words)
    assert first.exit_code == 3, first.output[:300]
    assert told.removeprefix("the mill").partition(",")[0] in " ".join(first.stdout.split())
    for command in (("sweep", "s.toml", *words), ("next", "demo.toml", *words), ("compare", "p.h5", "demo_run.toml")):
        done = run(*command)
        said = " ".join((done.stdout + done.stderr).split())
        assert done.exit_code == 3, (command, said[:300])
        assert told.lower() in said.lower(), (command, said[:300])


@pytest.mark.parametrize("command", ["predict", "heat", "circuit", "sweep"])
def test_a_mill_that_floods_is_a_no(tmp_path, monkeypatch, command):
    # A strong motor on a small sieve: at the rate asked for the chamber fills faster than it is emptied.
    monkeypatch.chdir(tmp_path)
    shutil.copytree(mills.CONFIGS, tmp_path, dirs_exist_ok=True)
    gaps = SWEEP.replace("drive.speed", "stator.gap").replace("12000 rpm", "3 mm").replace("pla.toml", "demo.toml")
    Path("s.toml").write_text(gaps, encoding="utf-8")
    floods = ("drive.rated_power=6000 W", "sieve.area=15 cm2", "feed.rate=20 kg/h")
    file, *given = COMMANDS[command]
    done = run(command, file.replace("pla", "demo"), *given, *(w for s in (*PLAIN, *floods) for w in ("--set", s)))
    assert done.exit_code == 3, done.output[:300]
    if command == "predict":
        assert "floods within seconds" in " ".join(done.stdout.split())


@pytest.mark.parametrize(("limit", "code"), [("80 °C", 0), ("30 °C", 3)])
def test_a_limit_that_is_given_and_exceeded_is_a_no(folder, limit, code):
    words = [w for s in PLAIN for w in ("--set", s)]
    done = run("heat", str(folder / "pla.toml"), "--limit", limit, *words)
    assert done.exit_code == code, done.output


def test_the_codes_of_all_states_and_where_they_are_told():
    assert [exit_code(status) for status in STATUS_WORDS[:4]] == [0, 3, 3, 1] == [exit_code(k) for k in range(4)]
    assert sorted(EXIT) == [0, 1, 2, 3, 4, 130, 143]
    told = run("--help").stdout.partition("Exit codes:")[2]
    for code, meaning in EXIT.items():
        assert f"{code} " in told and " ".join(meaning.split()) in " ".join(told.split())
        assert f"| {code} | {' '.join(meaning.split())} |" in README


def test_a_batch_that_has_no_state_to_start_from_is_a_no(monkeypatch):
    monkeypatch.setattr("millsim.forecast.outcome.run_batch", lambda *_: 0)  # steps that were made
    words = [w for s in PLAIN for w in ("--set", s)]
    for command in ("predict", "heat"):
        done = run(command, str(mills.CONFIGS / "batch.toml"), *words)
        assert (done.exit_code, done.stdout) == (3, "")
        assert "Error: the batch has no state to start from (0.012 kg in the chamber)" in done.stderr


def test_what_did_not_settle_is_a_failure_of_every_command(monkeypatch):
    def lost(*_, **__):
        raise unsettled("the state of this mill")

    for module in ("forecast.run", "learn.calibration.runmodel", "studies.heat.answers"):
        monkeypatch.setattr(f"millsim.{module}.settled", lost)
    words = [w for s in PLAIN for w in ("--set", s)]
    for command in ("predict", "heat", "next"):
        done = run(command, str(mills.CONFIGS / "pla.toml"), *words)
        assert (done.exit_code, done.stdout) == (1, "")
        assert "Error: the state of this mill did not settle, which is a fault of the program: please" in done.stderr


def test_heat_of_a_batch_that_hardly_grinds_is_told_in_full():
    words = [w for s in (*PLAIN, "feed.batch_mass=100 kg", "feed.batch_time=1 s") for w in ("--set", s)]
    for how in ("--full", "--json", "--quiet"):
        done = run("heat", str(mills.CONFIGS / "batch.toml"), how, *words)
        assert done.exit_code == 3 and "hardly grinds" in done.stdout, done.output


def test_what_each_command_is_for_is_said_whole():
    listed = CliRunner().invoke(cli, ["--help"]).stdout.partition("Commands:")[2]
    assert "predict " in listed and "..." not in listed
