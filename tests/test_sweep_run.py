"""A run of a sweep: the same numbers by whichever workers, reuse of what still holds, and nothing lost on the way."""

import os
import signal
import threading
import time
from concurrent.futures import BrokenExecutor, CancelledError, Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pytest
from helpers import same
from sweeps import tornado_once

from millsim.errors import MillsimError, NotConverged
from millsim.explore.sweep import compute, gather, identity, runner, write
from millsim.explore.sweep.journal import open_journal
from millsim.explore.sweep.plan import read_plan
from millsim.record.limits import FAILED, OK
from millsim.show.words import sweep

CONFIGS = Path(__file__).resolve().parent.parent / "configs"
GAP = '[[axis]]\nkey = "stator.gap"\nvalues = ["1 mm", "2 mm", "3 mm", "4 mm", "6 mm"]\n'
SPEED = '[[axis]]\nkey = "drive.speed"\nvalues = ["9000 rpm", "12000 rpm"]\n'
EDGE = '[[axis]]\nkey = "rotor.edge"\nvalues = ["blunt", "toothed"]\n'
HOLE = '[[axis]]\nkey = "sieve.hole"\nvalues = ["0.5 mm", "0.6 mm", "1.3 mm"]\n'  # 1.3 mm: wider than the pitch
AXES = GAP + EDGE + HOLE
COUNT, CONTRADICT = 30, 10


def plan(folder, axes=AXES, head="", name="s.toml", base=None, extra=""):
    """A plan from a sweep file in the folder, beside its base config with a feed rate: a largest one takes long."""
    for source in CONFIGS.iterdir():
        (folder / source.name).write_bytes(source.read_bytes())
    text = (CONFIGS / "demo.toml").read_text(encoding="utf-8").replace('"as fast as it can grind"', '"300 g/h"')
    (folder / "demo.toml").write_text(base(text) if base else text, encoding="utf-8")
    text = f'[sweep]\nconfig = "demo.toml"\nclass_ratio = 1.6\n{head}\n{extra}\n{axes}'
    (folder / name).write_text(text, encoding="utf-8")
    return read_plan(folder / name)


class Found:
    """A gathered sweep, equal to another if all of it is, bit by bit; a file is made of nothing else."""

    def __init__(self, sweep):
        self.sweep = sweep

    def __eq__(self, other):
        return same(self.sweep, other.sweep)

    __hash__ = None

    def file(self):
        """Bytes of the sweep file."""
        return write.to_bytes(self.sweep)


def swept(p, points, **how):
    """(report, what was found) of a run."""
    with open_journal(points) as journal:
        report = runner.run(p, journal, **how)
        return report, Found(gather.collect(p, journal))


@pytest.fixture(scope="module", autouse=True)
def tornado():
    """Of each base mill once, in this process."""
    with pytest.MonkeyPatch.context() as patch:
        tornado_once(patch)
        yield


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("run")


@pytest.fixture(scope="module")
def made(folder):
    """The plan, and what one worker without interruption finds."""
    p = plan(folder)
    report, content = swept(p, folder / "one.points", workers=1)
    assert (report.planned, report.computed, report.reused, report.failed) == (COUNT, COUNT, 0, CONTRADICT)
    return p, content


class Odd(Executor):
    """An executor as nobody would build it: starts jobs late and in any order, drops some, cancels some."""

    def __init__(self, seed, lose=0.3):
        self.rng, self.lose, self.waiting, self.lost = np.random.default_rng(seed), lose, [], 0

    def submit(self, fn, /, *args, **kwargs):
        future = Future()
        self.waiting.append((future, fn, args, kwargs))
        threading.Timer(0.002, self._some).start()
        return future

    def _some(self):
        future, fn, args, kwargs = self.waiting.pop(int(self.rng.integers(len(self.waiting))))
        fate = self.rng.random()
        if fate < self.lose:
            self.lost += 1
            if fate < self.lose / 2:
                future.cancel()
                future.set_running_or_notify_cancel()
            else:
                future.set_exception(ConnectionResetError("the other machine is gone"))
        elif future.set_running_or_notify_cancel():
            try:
                future.set_result(fn(*args, **kwargs))
            except BaseException as error:
                future.set_exception(error)


class TestSameNumbers:
    @pytest.mark.parametrize("workers", [2, 3])
    def test_any_number_of_threads(self, made, tmp_path, workers):
        report, content = swept(made[0], tmp_path / "s.points", workers=workers)
        assert (report.means, report.workers) == ("threads", workers)
        assert content == made[1] and content.file() == made[1].file()

    def test_processes_of_our_own(self, made, tmp_path, monkeypatch):
        monkeypatch.setattr(runner, "PROCESSES_FROM_S", 0.0)
        report, content = swept(made[0], tmp_path / "s.points", workers=2)
        assert (report.means, report.computed, report.failed) == ("processes", COUNT, CONTRADICT)
        assert content == made[1]

    @pytest.mark.parametrize("method", ["spawn", "fork"])
    def test_a_process_pool_given(self, made, tmp_path, method):
        if method == "fork" and threading.active_count() > 1:
            pytest.skip("forking beside running threads is not sound")
        with ProcessPoolExecutor(2, get_context(method)) as pool:
            report, content = swept(made[0], tmp_path / "s.points", executor=pool)
        assert (report.means, report.computed) == ("executor", COUNT)
        assert content == made[1]

    def test_a_thread_pool_given(self, made, tmp_path):
        with ThreadPoolExecutor(3) as pool:
            assert swept(made[0], tmp_path / "s.points", executor=pool)[1] == made[1]

    @pytest.mark.parametrize("seed", range(3))
    def test_an_executor_that_shuffles_and_loses(self, made, tmp_path, seed):
        odd = Odd(seed)
        report, content = swept(made[0], tmp_path / "s.points", executor=odd)
        assert odd.lost > 0
        assert (report.computed, report.failed) == (COUNT, CONTRADICT)
        assert content == made[1]

    @pytest.mark.parametrize("seed", range(4))
    def test_interrupted_at_any_point_and_resumed(self, made, tmp_path, seed):
        rng, points, left, times = np.random.default_rng(seed), tmp_path / "s.points", COUNT, 0
        while left:
            after = int(rng.integers(1, 9))
            calls = iter(range(after))

            def check(calls=calls):
                if next(calls, None) is None:
                    raise KeyboardInterrupt

            try:
                report, content = swept(made[0], points, workers=int(rng.integers(1, 4)), check=check)
                left = 0
            except KeyboardInterrupt:
                times += 1
                with open_journal(points) as journal:
                    now = COUNT - runner.known(made[0], journal).reused
                assert now <= left
                left = now or 1
        assert times >= 1
        assert content == made[1]

    @pytest.mark.parametrize("seed", range(2))
    def test_points_computed_in_any_order_by_many_small_sweeps(self, made, tmp_path, seed):
        gaps, points = np.random.default_rng(seed).permutation([1, 2, 3, 4, 6]), tmp_path / "s.points"
        for gap in gaps:
            swept(plan(tmp_path, f'[[axis]]\nkey = "stator.gap"\nvalues = ["{gap} mm"]\n' + HOLE + EDGE), points)
        report, content = swept(made[0], points)
        assert (report.computed, report.reused) == (0, COUNT)
        assert content == made[1]

    @pytest.mark.parametrize(
        ("head", "extra"),
        [
            ("draws = 8", ""),
            ('engine = "montecarlo"\nreplicates = 2', '[set]\n"run.histories" = 100\n"run.x50_error" = 0.0'),
            ('design = "sobol"\npoints = 12', ""),
        ],
        ids=["draws", "monte carlo", "sobol"],
    )
    def test_other_kinds_of_sweep(self, tmp_path, head, extra, monkeypatch):
        p = plan(tmp_path, SPEED + HOLE, head, extra=extra)
        one = swept(p, tmp_path / "one.points", workers=1)[1]
        two = swept(p, tmp_path / "two.points", executor=Odd(1))[1]
        assert two == one and two.file() == one.file()
        monkeypatch.setattr(runner, "PROCESSES_FROM_S", 0.0)
        assert swept(p, tmp_path / "three.points", workers=2)[1] == one


class TestReuse:
    def test_a_second_run_computes_nothing_and_says_so(self, made, folder):
        report, content = swept(made[0], folder / "one.points")
        assert (report.computed, report.reused, report.changed, report.left) == (0, COUNT, [], 0)
        assert content == made[1]

    def test_a_rename_a_comment_and_key_order_reuse(self, made, folder, tmp_path):
        def renamed(text):
            lines = text.replace('name = "', 'name = "another ').splitlines()
            at = next(i for i, line in enumerate(lines) if line.startswith("bars"))
            lines[at], lines[at + 1] = lines[at + 1], lines[at]
            return "# a remark\n" + "\n".join(lines) + "\n"

        p = plan(tmp_path, "# and here\n" + HOLE + GAP + EDGE, name="other.toml", base=renamed)
        assert "another" in p.base.name
        with open_journal(folder / "one.points") as journal:
            assert runner.known(p, journal).reused == COUNT
            size = journal.path.stat().st_size
            assert runner.run(p, journal).computed == 0
            assert journal.path.stat().st_size == size  # not even the base mill anew

    @pytest.mark.parametrize(
        ("head", "base", "extra", "words"),
        [
            ("", None, '[set]\n"rotor.bars" = 6', "rotor.bars: 4 -> 6"),
            ("class_ratio = 1.5", None, "", "class_ratio: 1.6 -> 1.5"),
            ("draws = 8", None, "", "draws: 0 -> 8"),
            (
                "",
                lambda text: text.replace('rated_power = "1100 W"', 'rated_power = "900 W"'),
                "",
                "drive.rated_power: ",
            ),
        ],
        ids=["set", "class ratio", "draws", "config"],
    )
    def test_a_changed_key_recomputes_and_is_named(self, tmp_path, head, base, extra, words):
        first, points = plan(tmp_path, HOLE), tmp_path / "s.points"
        before = swept(first, points)[1]
        text = f'[sweep]\nconfig = "demo.toml"\n{head if "class" in head else "class_ratio = 1.6" + chr(10) + head}\n'
        if base:
            old = (tmp_path / "demo.toml").read_text()
            new = base(old)
            assert new != old
            (tmp_path / "demo.toml").write_text(new)
        (tmp_path / "s.toml").write_text(text + extra + "\n" + HOLE)
        report, content = swept(read_plan(tmp_path / "s.toml"), points)
        assert (report.computed, report.reused) == (3, 0)
        assert any(row.startswith(words) for row in report.changed)
        assert len(report.changed) == 1  # not the ranges that draws are made from
        assert content != before
        again, content = swept(first, points)  # going back costs nothing
        assert (again.computed, content) == (0, before)

    def test_a_changed_seed_matters_where_there_is_chance(self, tmp_path):
        points = tmp_path / "s.points"
        swept(plan(tmp_path, HOLE, "draws = 8"), points)
        report, _ = swept(plan(tmp_path, HOLE, "draws = 8\nseed = 2"), points)
        assert (report.computed, report.changed) == (3, ["seed: 1 -> 2"])
        swept(plan(tmp_path, HOLE), points)
        report, _ = swept(plan(tmp_path, HOLE, "seed = 2"), points)
        assert (report.computed, report.changed) == (0, [])

    def test_more_replicates_are_added_to_those_known(self, tmp_path):
        points, extra = tmp_path / "s.points", '[set]\n"run.histories" = 100\n"run.x50_error" = 0.0'
        head = 'engine = "montecarlo"\nreplicates = {}'
        swept(plan(tmp_path, SPEED, head.format(2), extra=extra), points)
        report, content = swept(plan(tmp_path, SPEED, head.format(3), extra=extra), points)
        assert (report.computed, report.reused, report.changed) == (2, 4, [])
        assert content == swept(plan(tmp_path, SPEED, head.format(3), extra=extra), tmp_path / "new.points")[1]

    def test_a_changed_density_recomputes_and_is_named(self, tmp_path):
        from millsim.mill import cards

        text = Path(cards.__file__).with_name("pmma.toml").read_text(encoding="utf-8")
        at = text.index("value", text.index("[density]"))
        line = text[at : text.index("\n", at)]
        (tmp_path / "own.toml").write_text(text, encoding="utf-8")
        changed = text.replace(line, "value = 1190", 1)
        assert changed != text
        extra, points = '[set]\n"feed.material" = "own.toml"', tmp_path / "s.points"
        before = swept(plan(tmp_path, HOLE, extra=extra), points)[1]
        (tmp_path / "own.toml").write_text(changed, encoding="utf-8")
        report, content = swept(plan(tmp_path, HOLE, extra=extra), points)
        assert report.computed == 3
        assert report.changed == ["material.density: 1180 -> 1190"]
        assert content != before

    @pytest.mark.parametrize(("name", "new"), [("engine_sources", "0123456789ab"), ("MODEL_VERSION", "99.0")])
    def test_a_changed_law_or_model_recomputes_and_never_mixes(self, tmp_path, monkeypatch, name, new):
        p, points = plan(tmp_path, HOLE), tmp_path / "s.points"
        swept(p, points)
        monkeypatch.setattr(identity, name, (lambda: new) if name == "engine_sources" else new)
        with open_journal(points) as journal:
            assert runner.known(p, journal).reused == 0
            assert gather.collect(p, journal).points.status.tolist() == [4, 4, 4]  # not computed, rather than of old
        report, _ = swept(p, points)
        assert (report.computed, report.reused) == (3, 0)
        assert len(report.changed) == 1
        assert report.changed[0].startswith("engine sources: " if name == "engine_sources" else "model version: ")
        assert report.changed[0].endswith(f"-> {new}")

    def test_sweeps_with_other_axes_share_their_points(self, tmp_path):
        points = tmp_path / "s.points"
        swept(plan(tmp_path, SPEED + HOLE), points)
        p = plan(tmp_path, SPEED.replace('"12000', '"15000 rpm", "12000'), extra='[set]\n"sieve.hole" = "0.5 mm"')
        report, content = swept(p, points)
        assert (report.computed, report.reused) == (1, 2)
        assert report.changed == []  # that other keys are varied is no change of what the points rest on
        assert content == swept(p, tmp_path / "new.points")[1]

    def test_a_change_is_named_although_other_keys_are_varied(self, tmp_path):
        points = tmp_path / "s.points"
        swept(plan(tmp_path, SPEED), points)
        report, _ = swept(plan(tmp_path, HOLE, extra='[set]\n"rotor.bars" = 6'), points)
        assert report.changed == ["rotor.bars: 4 -> 6"]

    def test_equal_points_of_a_design_are_computed_once(self, tmp_path):
        p = plan(tmp_path, SPEED + HOLE, 'design = "sobol"\npoints = 64')
        report, content = swept(p, tmp_path / "s.points")
        assert (report.computed, report.twins, report.left) == (6, 58, 0)
        with open_journal(tmp_path / "s.points") as journal:
            found = gather.collect(p, journal)
        assert np.count_nonzero(found.points.status == OK) + np.count_nonzero(found.points.status == FAILED) == 64


def fails(monkeypatch, error):
    """Every point with a 2 mm gap meets an error on its way."""
    real = compute.build

    def build(config, *more):
        if abs(config.stator.gap_m - 2e-3) < 1e-9:
            raise error
        return real(config, *more)

    monkeypatch.setattr(compute, "build", build)


class TestFailures:
    def test_they_are_counted_with_their_reason(self, made):
        with open_journal(made[0].path.parent / "one.points") as journal:
            points = gather.collect(made[0], journal).points
        assert np.count_nonzero(points.status == FAILED) == CONTRADICT
        assert sorted(points.reason) == np.flatnonzero(points.status == FAILED).tolist()
        assert set(points.reason.values()) == {next(iter(points.reason.values()))}
        assert next(iter(points.reason.values())).text.startswith("contradiction: sieve.")
        assert np.all(np.isnan(points.values["x50_m"][points.status == FAILED]))

    @pytest.mark.parametrize(
        ("error", "words"),
        [
            (NotConverged("the chamber state did not settle: 3 left"), "the chamber state did not settle: 3 left"),
            (ZeroDivisionError("float division"), "a fault of the program: ZeroDivisionError: float division"),
            (IndexError("out of bounds"), "a fault of the program: IndexError: out of bounds"),
        ],
    )
    def test_a_point_without_an_answer_does_not_end_the_night(self, tmp_path, monkeypatch, error, words):
        fails(monkeypatch, error)
        p = plan(tmp_path, GAP + EDGE, "draws = 8")
        report, _ = swept(p, tmp_path / "s.points", workers=2)
        assert (report.computed, report.failed) == (10, 2)
        with open_journal(tmp_path / "s.points") as journal:
            found = gather.collect(p, journal)
        assert {i: r.text for i, r in found.points.reason.items()} == {2: words, 3: words}
        assert np.all(np.isnan(found.points.draws["x50_m"][2:4]))
        assert any(words.split(":")[0] in line and "2 ×" in line for line in sweep.after(report, found))

    def test_want_of_memory_is_no_property_of_a_point(self, tmp_path, monkeypatch):
        fails(monkeypatch, MemoryError())
        with pytest.raises(MemoryError):
            swept(plan(tmp_path, GAP), tmp_path / "s.points", workers=1)
        monkeypatch.undo()
        report, _ = swept(plan(tmp_path, GAP), tmp_path / "s.points", workers=1)
        assert (report.failed, report.computed + report.reused) == (0, 5)

    def test_all_points_failing_is_said_with_the_commonest_reason(self, tmp_path):
        p = plan(tmp_path, HOLE.replace('"0.5 mm", "0.6 mm", "1.3 mm"', '"1.3 mm", "1.4 mm"'))
        with open_journal(tmp_path / "s.points") as journal:
            report = runner.run(p, journal)
            found = gather.collect(p, journal)
        assert report.failed == 2
        with pytest.raises(
            MillsimError, match=r"^none of the 2 points gives any powder; the commonest reason, 2 times: contradiction"
        ):
            sweep.refuse_if_nothing_runs(found)


def dies_once(job, stopping=None):
    """`compute` in a worker that dies at the first job it is given, if no other has before."""
    mark = Path(os.environ["MILLSIM_TEST_DIES"])
    try:
        mark.touch(exist_ok=False)
    except FileExistsError:
        return compute.compute(job)
    os.kill(os.getpid(), signal.SIGKILL)


def always_dies(job, stopping=None):
    """`compute` in a worker that never comes back."""
    os.kill(os.getpid(), signal.SIGKILL)


class TestLostWorkers:
    @pytest.fixture(autouse=True)
    def only_workers_die(self, monkeypatch, tmp_path):
        here = compute.compute
        monkeypatch.setattr(runner, "PROCESSES_FROM_S", 0.0)
        monkeypatch.setattr(runner._Work, "here", lambda self, job, counted=True: self.store(*here(job), counted))
        monkeypatch.setenv("MILLSIM_TEST_DIES", str(tmp_path / "died"))

    def test_a_worker_that_dies_is_replaced_and_nothing_lost(self, made, tmp_path, monkeypatch):
        monkeypatch.setattr(runner, "compute", dies_once)
        said = []
        report, content = swept(
            made[0], tmp_path / "s.points", workers=2, say=lambda stage, done, detail: said.append(detail)
        )
        assert (tmp_path / "died").exists()
        assert "a worker process died; starting new ones" in said
        assert (report.computed, report.left) == (COUNT, 0)
        assert content == made[1]

    def test_workers_that_only_die_end_in_one_sentence(self, made, tmp_path, monkeypatch):
        monkeypatch.setattr(runner, "compute", always_dies)
        with pytest.raises(MillsimError) as caught:
            swept(made[0], tmp_path / "s.points", workers=2)
        assert str(caught.value) == (
            "workers were lost 3 times in a row with nothing computed, perhaps for want of memory; --workers 1 may "
            "help. 6 points computed by this run are kept; the same command goes on from there."
        )
        monkeypatch.undo()
        report, content = swept(made[0], tmp_path / "s.points", workers=2)
        assert (report.reused, report.computed) == (runner.PILOT, COUNT - runner.PILOT)
        assert content == made[1]

    def test_an_executor_that_was_shut_down_ends_in_one_sentence(self, made, tmp_path):
        pool = ThreadPoolExecutor(1)
        pool.shutdown()
        with pytest.raises(MillsimError, match="^workers were lost 3 times in a row with nothing computed"):
            swept(made[0], tmp_path / "s.points", executor=pool)

    @pytest.mark.parametrize("error", [BrokenExecutor(), CancelledError(), ConnectionResetError()])
    def test_an_executor_that_loses_everything_ends_in_one_sentence(self, made, tmp_path, error):
        class Hole(Executor):
            def submit(self, fn, /, *args, **kwargs):
                future = Future()
                future.set_exception(error)
                return future

        with pytest.raises(MillsimError, match="0 points computed by this run are kept"):
            swept(made[0], tmp_path / "s.points", executor=Hole())

    def test_a_worker_of_another_version_is_refused(self, made, tmp_path, monkeypatch):
        class Old(Executor):
            def submit(self, fn, /, job, sources):
                future = Future()
                try:
                    future.set_result(fn(job, "another"))
                except MillsimError as error:
                    future.set_exception(error)
                return future

        with pytest.raises(MillsimError, match="^a worker computes with another engine than this millsim"):
            swept(made[0], tmp_path / "s.points", executor=Old())

    def test_a_fault_of_the_work_itself_is_not_tried_again(self, made, tmp_path, monkeypatch):
        tried = []

        def fault(job, stopping=None):
            tried.append(job)
            raise AssertionError("a fault")

        monkeypatch.setattr(runner, "compute", fault)
        monkeypatch.setattr(runner, "PROCESSES_FROM_S", 1e9)
        with pytest.raises(AssertionError, match="a fault"):
            swept(made[0], tmp_path / "s.points", workers=1)
        assert len(tried) <= 4  # those that were out


class TestPace:
    def test_what_will_be_done_is_told_before_the_bulk_of_it(self, made, tmp_path):
        told = []
        report, _ = swept(made[0], tmp_path / "s.points", workers=2, before=lambda r: told.append((r.left, r.pace_s)))
        ((left, pace),) = told
        assert left == COUNT - runner.PILOT
        assert pace > 0.0
        lines = sweep.before(made[0], report, Path("s.h5"), Path("s.points"))
        assert lines[0].startswith("30 points (gap 5 × edge 2 × hole 3)")

    def test_the_first_point_only_warms_up(self, made, tmp_path, monkeypatch):
        real, calls = compute.compute, []

        def cold(job, stopping=None):
            calls.append(job)
            if len(calls) <= 2:  # the base mill, the first point
                time.sleep(0.5)
            return real(job, stopping)

        monkeypatch.setattr(runner, "compute", cold)
        told = []
        swept(made[0], tmp_path / "s.points", workers=1, before=lambda r: told.append(r.pace_s))
        assert told[0] < 0.1

    def test_progress_goes_from_nothing_to_all(self, made, tmp_path):
        said = []
        swept(made[0], tmp_path / "s.points", workers=2, say=lambda stage, done, detail: said.append((done, detail)))
        shares = [done for done, _ in said]
        assert shares == sorted(shares)
        assert said[0][0] == 0.0
        assert said[-1] == (1.0, "30 of 30 points, 10 failed")

    def test_an_interrupt_is_heard_between_the_first_points(self, made, tmp_path):
        calls = iter(range(4))

        def check():
            if next(calls, None) is None:
                raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            swept(made[0], tmp_path / "s.points", check=check)
        with open_journal(tmp_path / "s.points") as journal:
            assert 1 <= sum(e.count for e in journal.entries) <= 4
