"""`millsim sweep` as people meet it: all mistakes at once, what is told before and after, Ctrl-C, full disks."""

import csv
import json
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from click.testing import CliRunner
from helpers import fits
from sweeps import tornado_once

from millsim.commands import main
from millsim.explore.sweep import read
from millsim.show.plots import sweep as figures
from millsim.version import __version__

ROOT = Path(__file__).resolve().parent.parent
CONFIGS = ROOT / "configs"
GAP = '[[axis]]\nkey = "stator.gap"\nvalues = ["1 mm", "2 mm", "4 mm"]\n'
HOLE = '[[axis]]\nkey = "sieve.hole"\nvalues = ["0.5 mm", "0.6 mm", "1.3 mm"]\n'  # the last is wider than the pitch
HEAD = '[sweep]\nconfig = "demo.toml"\nclass_ratio = 1.6\n'


@pytest.fixture(scope="module", autouse=True)
def tornado():
    """Of each base mill once, in this process; the commands that run in one of their own compute theirs."""
    with pytest.MonkeyPatch.context() as patch:
        tornado_once(patch)
        yield


def folder_with(folder, text):
    """The folder, with a sweep file and its base config."""
    for name in ("demo.toml", "offcuts_sieve.csv"):
        (folder / name).write_bytes((CONFIGS / name).read_bytes())
    (folder / "s.toml").write_text(text, encoding="utf-8")
    return folder


def sweep(folder, *args, out="s.h5"):
    """`millsim sweep s.toml`, with its files in the folder."""
    command = ["sweep", str(folder / "s.toml"), "--out", str(folder / out), *map(str, args)]
    return CliRunner().invoke(main.cli, command)


def errors(result):
    """The lines of a failed command."""
    assert "Traceback" not in result.output
    lines = [line for line in result.stderr.splitlines() if line.startswith("Error: ")]
    assert lines
    return lines


def names(folder):
    """What is in a folder but for the inputs."""
    return sorted(p.name for p in folder.iterdir() if p.name not in ("demo.toml", "offcuts_sieve.csv", "s.toml"))


BAD = """
[sweep]
confg = "demo.toml"
config = "demo.toml"
design = "grdi"
class_ratio = 7
[[axis]]
key = "stator.gapp"
values = ["1 mm"]
[[axis]]
key = "sieve.hole"
values = ["1500 mm", "0.6"]
[[axis]]
key = "rotor.bars"
values = []
[[axis]]
key = "rotor.edge"
values = ["blunt", "bluntt"]
[[axis]]
key = "drive.speed"
from = "6000 rpm"
to = "18000 mm"
count = 5
[[axis]]
key = "run.seed"
values = [1, 2]
[[axis]]
key = "mill.name"
values = ["a", "b"]
"""


class TestMistakes:
    def test_all_of_them_come_in_one_pass(self, tmp_path):
        result = sweep(folder_with(tmp_path, BAD), "--json")
        assert result.exit_code == 2
        lines = errors(result)
        for words in (
            ("confg", 'did you mean "config"'),
            ("sweep.design", "grdi", "grid"),
            ("sweep.class_ratio", "7", "1.02"),
            ("axis 1.key", "stator.gapp", "stator.gap"),
            ("axis 2.values", "1500 mm", "1.5 mm"),
            ("axis 2.values", "0.6", "mm"),
            ("axis 3.values", "is empty", "for example values = [4]"),
            ("axis 4.values", "bluntt", "blunt"),
            ("axis 5.to", "18000 mm"),
            ("axis 6.key", "run.seed", "says how to compute"),
            ("axis 7.key", "mill.name"),
        ):
            assert any(all(w in line for w in words) for line in lines), (words, lines)
        assert len(lines) == 11, "and nothing that only follows from another mistake"
        assert all(line.startswith(f"Error: {tmp_path / 's.toml'}") for line in lines)
        answer = json.loads(result.stdout)
        assert answer["status"] == "error"
        assert len(answer["problems"]) == len(lines)
        assert names(tmp_path) == []

    def test_a_unit_slip_tells_the_range_and_what_was_likely_meant(self, tmp_path):
        text = HEAD + '[[axis]]\nkey = "stator.gap"\nvalues = ["1 mm", "1500 mm"]\n'
        (line,) = errors(sweep(folder_with(tmp_path, text)))
        assert "axis 1.values" in line
        assert '"1500 mm"' in line
        assert line.endswith('is out of range; allowed: 0.05 mm to 50 mm; did you mean 1.5 mm ("1500 um")?')

    @pytest.mark.parametrize(
        ("text", "words"),
        [
            (HEAD, "a sweep needs at least one [[axis]]"),
            ("", "is empty"),
            ("[sweep\n", "line 1"),
            (HEAD.replace("demo.toml", "none.toml") + GAP, "none.toml: sweep.config: no such file"),
            (GAP, 'section [sweep] is missing; it needs config = "demo.toml"'),
            (HEAD + GAP + GAP, "is varied twice"),
            (HEAD + GAP.replace('"2 mm"', '"1 mm"'), "holds a value twice"),
            (HEAD + 'design = "sobol"\n' + GAP, "sweep.points: is missing"),
            (HEAD + "replicates = 3\n" + GAP, "the balance gives the same answer each time"),
            (HEAD + 'engine = "montecarlo"\ndraws = 8\n' + GAP, "parameter draws are made with the balance"),
            (HEAD + '[set]\n"rotor.barz" = 4\n' + GAP, "rotor.barz"),
            (HEAD + '[[axis]]\nkey = "rotor.pivot_radius"\nvalues = ["40 mm"]\n', "rotor.pivot_radius"),
            (HEAD + "workers = 2\n" + GAP, "millsim sweep --workers 2"),
            (
                HEAD + GAP + '[[axis]]\nkey = "feed.rate"\nfrom = "100 g/h"\nto = "900 g/h"\ncount = 100000\n'
                '[[axis]]\nkey = "air.room"\nfrom = "5 °C"\nto = "40 °C"\ncount = 36\n',
                "the axes make 10800000 points",
            ),
        ],
        ids=["no axis", "empty", "torn", "no base", "no config", "twice", "value twice", "no points", "replicates",
             "draws", "set", "contradicts the base", "workers", "too many"],
    )  # fmt: skip
    def test_each_says_what_is_wrong(self, tmp_path, text, words):
        result = sweep(folder_with(tmp_path, text))
        assert result.exit_code == 2
        assert any(words in line for line in errors(result)), result.stderr
        assert names(tmp_path) == []

    def test_too_many_points_names_the_most_and_a_way_out(self, tmp_path):
        text = HEAD + "".join(
            f'[[axis]]\nkey = "{k}"\nfrom = "{a}"\nto = "{b}"\ncount = 5000\n'
            for k, a, b in (("stator.gap", "1 mm", "2 mm"), ("air.room", "5 °C", "40 °C"))
        )
        (line,) = errors(sweep(folder_with(tmp_path, text)))
        assert "25000000 points" in line
        assert "at most 1e+07" in line
        assert 'design = "sobol"' in line

    def test_a_mill_config_is_not_a_sweep_file(self, tmp_path):
        result = CliRunner().invoke(main.cli, ["sweep", str(CONFIGS / "demo.toml"), "--out", str(tmp_path / "s.h5")])
        assert result.exit_code == 2
        assert "is a mill config, not a sweep file" in errors(result)[0]

    def test_a_points_file_of_something_else_is_refused(self, tmp_path):
        folder_with(tmp_path, HEAD + GAP)
        (tmp_path / "s.points").write_text("gap, points\n1, 2\n" * 9)
        result = sweep(tmp_path)
        assert result.exit_code == 2
        assert "s.points: is not a points file of millsim" in errors(result)[0]
        assert (tmp_path / "s.points").read_text() == "gap, points\n1, 2\n" * 9


class TestTalk:
    def test_before_and_after(self, tmp_path):
        result = sweep(folder_with(tmp_path, HEAD + GAP + HOLE), "--csv", tmp_path / "s.csv")
        assert result.exit_code == 0
        said = result.stderr
        assert re.search(
            r"^9 points \(gap 3 × hole 3\); 0 known already, 6 just computed .*, 3 to compute\.$", said, re.M
        )
        assert re.search(r"^About \d+ s on \d+ workers \(threads\)\.$", said, re.M)
        assert f"Results go to {tmp_path / 's.h5'}; every point is kept in {tmp_path / 's.points'} as it comes." in said
        assert "9 points computed, 0 reused, 3 failed." in said
        assert re.search(r"^  3 × contradiction: sieve\.\w+ ", said, re.M)
        assert f"Written: {tmp_path / 's.h5'}" in said
        assert said.index("About") < said.index("points computed")
        assert "x50" in result.stdout
        fits(result.stdout)
        assert "Error" not in said
        rows = list(csv.DictReader((tmp_path / "s.csv").read_text().splitlines()))
        assert len(rows) == 9
        assert [r["status"] for r in rows].count("failed") == 3
        assert names(tmp_path) == ["s.csv", "s.h5", "s.points"]

    def test_json_is_one_object(self, tmp_path):
        result = sweep(folder_with(tmp_path, HEAD + GAP + HOLE), "--json")
        answer = json.loads(result.stdout)
        assert (answer["status"], answer["points"], answer["computed"], answer["reused"]) == ("ok", 9, 9, 0)
        assert answer["counts"]["failed"] == 3
        assert sum(answer["counts"].values()) == 9
        assert list(answer["reasons"].values()) == [3]
        assert Path(answer["file"]) == tmp_path / "s.h5"

    def test_again_it_reuses_and_renews_its_own_file_without_being_forced(self, tmp_path):
        folder_with(tmp_path, HEAD + GAP)
        assert sweep(tmp_path).exit_code == 0
        first = (tmp_path / "s.h5").read_bytes()
        result = sweep(tmp_path)
        assert result.exit_code == 0
        assert "0 points computed, 3 reused, 0 failed." in result.stderr
        assert (tmp_path / "s.h5").read_bytes() == first

    def test_what_changed_is_named(self, tmp_path):
        folder_with(tmp_path, HEAD + GAP)
        sweep(tmp_path)
        result = sweep(tmp_path, "--set", "rotor.bars=6", "--force")
        assert result.exit_code == 0
        assert "Since the last run of these points something has changed, so they are computed anew:" in result.stderr
        assert "  rotor.bars: 4 -> 6" in result.stderr.splitlines()
        assert "3 points computed, 0 reused" in result.stderr

    def test_damage_is_told_and_mended(self, tmp_path):
        folder_with(tmp_path, HEAD + GAP)
        sweep(tmp_path)
        first, kept = (tmp_path / "s.h5").read_bytes(), (tmp_path / "s.points").read_bytes()
        (tmp_path / "s.points").write_bytes(kept[:-100])
        result = sweep(tmp_path)
        assert re.search(
            r"s\.points held \d+ torn bytes at its end; those points are computed again\.$", result.stderr, re.M
        )
        assert "1 points computed, 2 reused" in result.stderr
        data = bytearray((tmp_path / "s.points").read_bytes())
        data[data.index(b'"rows"') + 100] ^= 8
        (tmp_path / "s.points").write_bytes(data)
        result = sweep(tmp_path)
        assert "s.points held 1 damaged record; those points are computed again." in result.stderr
        assert (tmp_path / "s.h5").read_bytes() == first

    def test_so_far_computes_nothing(self, tmp_path):
        folder_with(tmp_path, HEAD + GAP)
        result = sweep(tmp_path, "--so-far")
        assert result.exit_code == 1
        assert errors(result) == [f"Error: {tmp_path / 's.points'} holds no point of this sweep yet."]
        assert not (tmp_path / "s.h5").exists()


class TestFiles:
    @pytest.mark.parametrize("content", [b"my notes", b""])
    def test_another_file_is_not_overwritten_unless_forced(self, tmp_path, content):
        folder_with(tmp_path, HEAD + GAP)
        (tmp_path / "s.h5").write_bytes(content)
        result = sweep(tmp_path)
        assert result.exit_code == 2
        assert f"{tmp_path / 's.h5'} exists already and is no sweep file" in errors(result)[0]
        assert (tmp_path / "s.h5").read_bytes() == content
        assert names(tmp_path) == ["s.h5"]
        assert sweep(tmp_path, "--force").exit_code == 0
        assert read.read(tmp_path / "s.h5").count == 3

    def test_a_rename_or_a_comment_needs_no_force(self, tmp_path):
        folder_with(tmp_path, HEAD + GAP)
        assert sweep(tmp_path).exit_code == 0
        (tmp_path / "demo.toml").rename(tmp_path / "mill.toml")
        (tmp_path / "s.toml").write_text("# mine\n" + HEAD.replace("demo.toml", "mill.toml") + GAP)
        result = sweep(tmp_path)
        assert result.exit_code == 0, result.stderr
        assert "0 points computed, 3 reused" in result.stderr

    def test_another_sweep_is_not_replaced_and_is_told_how_far_it_is_the_same(self, tmp_path):
        folder_with(tmp_path, HEAD + GAP)
        assert sweep(tmp_path).exit_code == 0
        before = (tmp_path / "s.h5").read_bytes()
        (tmp_path / "s.toml").write_text(HEAD + GAP.replace("4 mm", "5 mm"))
        (error,) = errors(sweep(tmp_path))
        assert "holds another sweep: 2 of the 3 points asked for are in it" in error and "--force" in error
        assert (tmp_path / "s.h5").read_bytes() == before
        result = sweep(tmp_path, "--force")
        assert "1 points computed, 2 reused" in result.stderr

    def test_a_table_that_exists_is_refused_before_computing(self, tmp_path):
        folder_with(tmp_path, HEAD + GAP)
        (tmp_path / "s.csv").write_text("mine")
        result = sweep(tmp_path, "--csv", tmp_path / "s.csv")
        assert result.exit_code == 2
        assert "--csv" in errors(result)[0]
        assert (tmp_path / "s.csv").read_text() == "mine"
        assert names(tmp_path) == ["s.csv"]

    def test_the_same_command_goes_on_after_a_kill_while_drawing(self, tmp_path, monkeypatch):
        folder_with(tmp_path, HEAD + GAP)
        every = figures._drawings
        monkeypatch.setattr(figures, "_drawings", lambda *of: dict(list(every(*of).items())[:2]))
        also = ("--csv", tmp_path / "s.csv", "--plots", tmp_path / "figs")
        assert sweep(tmp_path, *also).exit_code == 0
        whole = {p: p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()}
        first, second = sorted((tmp_path / "figs").iterdir())
        second.unlink()  # as it is left by a kill: files are there whole or not at all
        assert sweep(tmp_path, *also).exit_code == 0
        assert {p: p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()} == whole
        (tmp_path / "s.csv").write_text("mine")
        (tmp_path / "s.h5").unlink()  # whether it is whole is not known: refused before computing
        result = sweep(tmp_path, *also)
        assert result.exit_code == 2 and "--csv" in errors(result)[0]
        assert not (tmp_path / "s.h5").exists()
        (tmp_path / "s.h5").write_bytes(whole[tmp_path / "s.h5"])
        result = sweep(tmp_path, *also)
        assert result.exit_code == 2 and "s.csv: exists already; use --force" in errors(result)[0]
        assert (tmp_path / "s.csv").read_text() == "mine"
        (tmp_path / "s.csv").unlink()
        first.write_bytes(b"mine")
        result = sweep(tmp_path, *also)
        assert result.exit_code == 2 and "exists already; use --force" in errors(result)[0]
        assert first.read_bytes() == b"mine"

    def test_a_changed_law_asks_for_force_and_is_named(self, tmp_path, monkeypatch):
        folder_with(tmp_path, HEAD + GAP)
        assert sweep(tmp_path).exit_code == 0
        before = (tmp_path / "s.h5").read_bytes()
        monkeypatch.setattr("millsim.explore.sweep.identity.MODEL_VERSION", "next")
        (error,) = errors(sweep(tmp_path))
        assert "holds another sweep: 0 of the 3 points asked for are in it; changed since: model version: " in error
        assert "-> next" in error and "--force" in error
        assert (tmp_path / "s.h5").read_bytes() == before
        result = sweep(tmp_path, "--force")
        assert "3 points computed, 0 reused" in result.stderr

    def test_points_keep_the_version_that_computed_them(self, tmp_path, monkeypatch):
        folder_with(tmp_path, HEAD + GAP.replace(', "4 mm"', ""))
        monkeypatch.setattr("millsim.explore.sweep.identity.__version__", "0.0.9")
        assert sweep(tmp_path).exit_code == 0
        monkeypatch.undo()
        assert sweep(tmp_path).exit_code == 0
        assert read.read(tmp_path / "s.h5").version == "0.0.9"
        (tmp_path / "s.toml").write_text(HEAD + GAP)
        assert sweep(tmp_path, "--force").exit_code == 0
        assert read.read(tmp_path / "s.h5").version == f"0.0.9, {__version__}"

    @pytest.mark.parametrize("damage", ["cut", "all of it", "first bytes", "a bit"])
    def test_a_damaged_sweep_file_is_made_anew_from_its_points(self, tmp_path, damage):
        folder_with(tmp_path, HEAD + GAP)
        assert sweep(tmp_path).exit_code == 0
        file = tmp_path / "s.h5"
        whole = file.read_bytes()
        middle = len(whole) // 2
        spoilt = {
            "cut": whole[:middle],
            "all of it": b"",
            "first bytes": bytes(512) + whole[512:],
            "a bit": whole[:middle] + bytes([whole[middle] ^ 1]) + whole[middle + 1 :],
        }[damage]
        file.write_bytes(spoilt)
        result = sweep(tmp_path)
        assert result.exit_code == 0, result.stderr
        assert "0 points computed, 3 reused" in result.stderr
        assert file.read_bytes() == whole
        file.write_bytes(spoilt)
        (tmp_path / "s.points").unlink()  # perhaps of another sweep
        assert "exists already and is no sweep file" in errors(sweep(tmp_path))[0]
        assert file.read_bytes() == spoilt

    @pytest.mark.parametrize(
        ("out", "words"), [("s.csv", "ends in .h5"), ("none/s.h5", "is not a folder"), (".", "is a folder")]
    )
    def test_a_name_that_cannot_be_is_refused_before_computing(self, tmp_path, out, words):
        result = sweep(folder_with(tmp_path, HEAD + GAP), out=out)
        assert result.exit_code == 2
        assert words in errors(result)[0]
        assert names(tmp_path) == []

    def test_all_points_failing_leaves_no_file_and_no_picture(self, tmp_path):
        text = HEAD + '[[axis]]\nkey = "sieve.hole"\nvalues = ["1.3 mm", "1.4 mm"]\n'
        result = sweep(folder_with(tmp_path, text), "--plots", tmp_path / "plots", "--csv", tmp_path / "s.csv")
        assert result.exit_code == 1
        (line,) = errors(result)
        assert line.startswith(
            "Error: none of the 2 points gives any powder; the commonest reason, 2 times: contradiction: sieve."
        )
        assert result.stdout == ""
        assert names(tmp_path) == ["s.points"]
        answer = json.loads(sweep(tmp_path, "--json").stdout)
        assert answer["status"] == "error"
        assert "the commonest reason" in answer["message"]

    def test_a_folder_that_cannot_be_written_is_one_sentence(self, tmp_path):
        folder_with(tmp_path, HEAD + GAP)
        (tmp_path / "shut").mkdir()
        place = tmp_path / "shut"
        if os.geteuid() == 0:  # to whom no folder is shut
            if not Path("/proc/self").exists():
                pytest.skip("no folder here refuses root")
            place = Path("/proc/self")
        else:
            place.chmod(0o555)
        result = CliRunner().invoke(main.cli, ["sweep", str(tmp_path / "s.toml"), "--out", str(place / "s.h5")])
        place.chmod(0o755) if place.parent == tmp_path else None
        assert result.exit_code == 1
        (line,) = errors(result)
        assert line.startswith(f"Error: --out: cannot write {place}: ")
        assert names(tmp_path) == ["shut"]


def command(*args, before="", cwd=None, **how):
    """The real command in a process of its own."""
    code = f"{before}\nfrom millsim.__main__ import main\nmain()"
    return subprocess.Popen(
        [sys.executable, "-c", code, "sweep", *map(str, args)], cwd=cwd, stdout=subprocess.PIPE,
        stderr=subprocess.PIPE, text=True, **how,
    )  # fmt: skip


def finish(process):
    """(exit code, stdout, stderr) of a process."""
    try:
        out, err = process.communicate(timeout=120)
    finally:
        process.kill()
    return process.returncode, out, err


MANY = HEAD + 'draws = 4\n[[axis]]\nkey = "stator.gap"\nfrom = "1 mm"\nto = "4 mm"\ncount = 48\n'


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """Folder, with bytes of the sweep file and size of the points file, of MANY run without trouble."""
    folder = folder_with(tmp_path_factory.mktemp("whole"), MANY)
    assert sweep(folder).exit_code == 0
    return (folder / "s.h5").read_bytes(), (folder / "s.points").stat().st_size


class TestTrouble:
    @pytest.mark.parametrize("means", ["threads", "processes"])
    def test_ctrl_c_keeps_everything_done_and_says_so(self, whole, tmp_path, means):
        folder_with(tmp_path, MANY)
        before = "from millsim.explore.sweep import runner; runner.PROCESSES_FROM_S = " + (
            "1e9" if means == "threads" else "0.0"
        )
        process = command("s.toml", "--json", "--workers", 2, before=before, cwd=tmp_path)
        points, end = tmp_path / "s.points", time.monotonic() + 60
        while not (points.exists() and points.stat().st_size > 0.3 * whole[1]) and time.monotonic() < end:
            time.sleep(0.002)
        process.send_signal(signal.SIGINT)
        start = time.monotonic()
        code, out, err = finish(process)
        assert time.monotonic() - start < 20.0  # a second or two; more where the machine is busy
        assert code == 130, err
        kept = re.search(
            r"^Error: interrupted; (\d+) points are kept in s\.points; the same command goes on", err, re.M
        )
        assert kept, err
        assert json.loads(out)["exit_code"] == 130
        assert not (tmp_path / "s.h5").exists()
        result = sweep(tmp_path)
        assert result.exit_code == 0
        known = int(re.search(r"; (\d+) known already", result.stderr)[1])
        assert 5 <= known < 48
        assert known == int(kept[1])
        assert (tmp_path / "s.h5").read_bytes() == whole[0]

    @pytest.mark.parametrize("share", [0.0, 0.3, 0.95])
    def test_a_disk_that_fills_up_is_one_sentence_and_resumes(self, whole, tmp_path, share):
        folder_with(tmp_path, MANY)
        limit = int(share * whole[1]) or 5  # the size a file may have stands for the room on the disk
        process = command(
            "s.toml", cwd=tmp_path,
            before="import resource, sys; sys.dont_write_bytecode = True\n"
            "from millsim.explore.sweep import journal; real = journal.open_journal\n"
            f"def small(path):\n  resource.setrlimit(resource.RLIMIT_FSIZE, ({limit}, -1))\n  return real(path)\n"
            "journal.open_journal = small",
        )  # fmt: skip
        code, out, err = finish(process)
        assert code == 1
        (line,) = [x for x in err.splitlines() if x.startswith("Error: ")]
        assert re.fullmatch(
            r"Error: cannot write s\.points: the file would be larger than allowed here; name another folder\. "
            r"\d+ computed points are kept; the same command goes on from there\.", line,
        ), line  # fmt: skip
        assert "Traceback" not in err
        assert out == ""
        assert names(tmp_path) == ["s.points"]
        result = sweep(tmp_path)
        assert result.exit_code == 0
        assert (tmp_path / "s.h5").read_bytes() == whole[0]

    def test_a_disk_that_fills_up_at_the_end_leaves_nothing_that_looks_finished(self, whole, tmp_path):
        folder_with(tmp_path, MANY)
        before = (
            "import resource, sys; sys.dont_write_bytecode = True\n"
            "from millsim.record import files; real = files.write_through\n"
            "def small(path, data):\n  resource.setrlimit(resource.RLIMIT_FSIZE, (len(data) // 2, -1))\n"
            "  real(path, data)\nfiles.write_through = small"
        )
        code, out, err = finish(command("s.toml", cwd=tmp_path, before=before))
        assert code == 1
        assert err.splitlines()[-1] == (
            "Error: cannot write s.h5: the file would be larger than allowed here; name another folder."
        )
        assert names(tmp_path) == ["s.points"]
        result = sweep(tmp_path)
        assert "0 points computed, 48 reused" in result.stderr
        assert (tmp_path / "s.h5").read_bytes() == whole[0]

    @pytest.mark.parametrize("size_KiB", [16, 64, 128])
    def test_a_real_small_disk(self, whole, tmp_path, size_KiB):
        folder_with(tmp_path, MANY)
        disk = tmp_path / "disk"
        disk.mkdir()
        mount = ["mount", "-t", "tmpfs", "-o", f"size={size_KiB}k", "tmpfs", str(disk)]
        try:
            made = subprocess.run(mount, capture_output=True, text=True)
        except FileNotFoundError:
            pytest.skip("no mount command here")
        if made.returncode:
            pytest.skip(f"mounting is not permitted here: {made.stderr.strip()}")
        try:
            result = sweep(tmp_path, out="disk/s.h5")
            assert result.exit_code == 1
            (line,) = errors(result)
            assert ": the disk is full; make room or name another folder." in line
            assert [p.name for p in disk.iterdir()] == ["s.points"]
            subprocess.run(["mount", "-o", "remount,size=8m", str(disk)], check=True)
            result = sweep(tmp_path, out="disk/s.h5")
            assert result.exit_code == 0
            assert (disk / "s.h5").read_bytes() == whole[0]
            subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
            result = sweep(tmp_path, "--force", out="disk/s.h5")
            assert result.exit_code == 1
            assert "the disk is read-only; name another folder." in errors(result)[0]
        finally:
            subprocess.run(["umount", "-l", str(disk)], check=True)
