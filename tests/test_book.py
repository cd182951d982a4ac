"""The notebook of builds: whole whatever happens to its writers, honest about its forecasts, and what it teaches."""

import csv
import json
import math
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import mills
import notebooks
import numpy as np
import pytest
from click.testing import CliRunner
from scipy import stats
from statsmodels.miscmodels.ordinal_model import OrderedModel

from millsim.commands.main import cli
from millsim.errors import InputError
from millsim.explore.choose import learned, targets
from millsim.learn.book import enter, pages, score, spread, store, table, window
from millsim.learn.calibration import whole
from millsim.record import write
from millsim.show.plots import book as figure
from millsim.show.words import book as said
from millsim.studies import advised

README = (mills.CONFIGS.parent / "README.md").read_text(encoding="utf-8")

# Forks writers that are killed, or that write at once. On stdin a JSON list a line: what, the folder, a number.
NURSERY = """
import json, os, signal, sys
from pathlib import Path
from millsim.learn.book import store

CALLS = {"open", "os.mkdir", "os.rename", "os.remove", "os.rmdir", "os.listdir", "os.scandir", "fcntl.flock"}

def die():
    os.kill(os.getpid(), signal.SIGKILL)

def enter(folder, name="note"):
    files = {"a.txt": b"x" * 5000, "inner/b.txt": b"y"}
    return store.add(store.require(folder), name, store.packed({"kind": "note", "text": "made"}, files))

def at_call(number):
    left = [number]
    def count(event, args):
        if event in CALLS:
            left[0] -= 1
            if left[0] < 0:
                die()
    sys.addaudithook(count)

def half_written(number):
    whole, left = store.write_through, [number]
    def some(path, data):
        left[0] -= 1
        if left[0] >= 0:
            return whole(path, data)
        path.write_bytes(data[: len(data) // 2])
        die()
    store.write_through = some

for line in sys.stdin:
    what, folder, number = json.loads(line)
    writers = []
    for _ in range(number if what == "at once" else 1):
        if 0 not in writers:
            writers.append(os.fork())
    if 0 in writers:
        if what == "at once":
            for _ in range(10):
                enter(Path(folder))
        else:
            {"at call": at_call, "half written": half_written}[what](number)
            enter(Path(folder))
        os._exit(0)
    print(json.dumps([os.waitpid(w, 0)[1] for w in writers]), flush=True)
"""


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """The notebook of the workshop; the run sheets and mills that it was made from are gone."""
    folder, work = tmp_path_factory.mktemp("book") / "acrylic", tmp_path_factory.mktemp("work")
    notebooks.workshop(folder, work)
    shutil.rmtree(work)
    return folder


@pytest.fixture
def mine(made, tmp_path):
    """A copy of it to change."""
    return Path(shutil.copytree(made, tmp_path / "acrylic"))


@pytest.fixture(scope="module")
def rows(made):
    """Its table."""
    return table.rows(pages.read_book(made))


@pytest.fixture(scope="module")
def nursery():
    """ask(what, folder, number): the exit states of the writers."""
    process = subprocess.Popen(
        [sys.executable, "-c", NURSERY], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )

    def ask(*words):
        process.stdin.write(json.dumps(words, default=str) + "\n")
        process.stdin.flush()
        return json.loads(process.stdout.readline())

    yield ask
    process.stdin.close()
    process.stdout.close()
    assert process.wait() == 0


def book(*words):
    return CliRunner().invoke(cli, ["book", *map(str, words)])


def left_over(folder):
    return [p for p in folder.rglob("*") if p.name.startswith(".millsim")]


# --- nothing is lost -------------------------------------------------------------------------------------


@pytest.mark.parametrize("what", ["at call", "half written"])
def test_killed_while_writing_it_opens_whole(made, tmp_path, nursery, what):
    folder, number, states = Path(shutil.copytree(made, tmp_path / "acrylic")), 0, set()
    while True:
        (state,) = nursery(what, folder, number)
        new = [e for e in store.entries(folder) if e.kind == "note"]
        assert len(new) <= 1 and all(not e.altered and (e.folder / "inner" / "b.txt").is_file() for e in new)
        states.add(len(new))
        for e in new:
            shutil.rmtree(e.folder)
        if state == 0:
            break
        number += 1
    assert number >= (12 if what == "at call" else 3) and states == {0, 1}
    opened = pages.read_book(folder)
    assert (len(opened.builds), len(opened.counted()), opened.faults) == (3, 5, ())
    assert left_over(folder) == []
    assert [len(r.sheet.product_sheets[0].q3) for _, r in opened.counted()] == [9] * 5


def test_writers_at_once_lose_nothing(tmp_path, nursery):
    folder = store.make(tmp_path / "book")
    assert nursery("at once", folder, 4) == [0, 0, 0, 0]
    found = store.entries(folder)
    assert len(found) == 40 and not any(e.altered for e in found)
    assert {e.key for e in found} == {"note", *(f"note-{i}" for i in range(2, 41))} and left_over(folder) == []


def test_what_a_living_writer_has_begun_is_not_cleared_away(tmp_path):
    folder = store.make(tmp_path / "book")
    with store._writing(folder) as temporary:
        (temporary / "half").write_text("x", encoding="utf-8")
        assert store.entries(folder) == [] and temporary.is_dir()
    assert left_over(folder) == []


def test_what_a_writer_left_in_a_build_is_cleared_when_the_notebook_is_opened(mine, nursery):
    build = mine / "twelve-pins"
    (build / store.MARK).write_text("", encoding="utf-8")  # for the nursery
    assert nursery("half written", build, 1)[0] != 0 and left_over(mine)
    pages.read_book(mine)
    assert left_over(mine) == []


def test_a_sheet_that_another_version_wrote_is_told_and_hides_nothing_else(mine):
    folder = next(mine.glob("twelve-pins/run-2025-03-01*"))
    about = {"kind": "run", "date": "2025-03-01", "run_sha256": "0"}
    text = (folder / "run.toml").read_text(encoding="utf-8").replace("[masses]", "[masses]\nashes = 1")
    files = {p.name: p.read_bytes() for p in folder.iterdir() if p.is_file()} | {"run.toml": text.encode()}
    files.pop(store.ENTRY)
    shutil.rmtree(folder)
    store.add(folder.parent, "run-old", store.packed(about, files))
    done = book("show", mine)
    assert done.exit_code == 0 and "5 runs, 4 of them forecast" in done.stdout
    assert "cannot be read" in done.stdout and "ashes" in done.stdout


def test_a_folder_that_is_no_notebook_is_left_alone(tmp_path):
    (tmp_path / "mine.txt").write_text("x", encoding="utf-8")
    with pytest.raises(InputError, match="no notebook, and not empty"):
        store.make(tmp_path)
    for folder, words in ((tmp_path, "is no notebook"), (tmp_path / "none", "no such folder")):
        assert words in book("show", folder).stderr


def test_entries_hold_all_they_need(made):
    opened = pages.read_book(made)
    for build, run in opened.counted():
        assert run.sheet.sha256 == run.entry.text("run_sha256")  # measured values, sheets, and the mill as it was run
        assert build.config.sha256 == build.entry.text("config_sha256")
        assert (run.entry.folder / "as-written" / "demo.toml").read_bytes() == (
            mills.CONFIGS / "demo.toml"
        ).read_bytes()
    forecast = opened.builds[0].forecasts[0]
    answers = list(csv.reader((forecast.entry.folder / "answers.csv").read_text(encoding="utf-8").splitlines()))
    assert answers[0][:3] == ["answer", "unit", "predicted"] and answers[2][0] == "x50"
    assert float(answers[2][2]) == pytest.approx(forecast.prediction.main.scalars["x50_m"].value, rel=1e-5)


def test_tables_as_toml_read_back(tmp_path):
    said = {"a": 'say "ä\\b"\n', "n": [1, 2.5, True], "s": {"1.csv": "x", "t": {"u": "\x7f"}}}
    assert store.parse_toml(store.to_toml(said), "").tables == said


# --- what was altered ------------------------------------------------------------------------------------


def test_what_was_altered_is_told_and_does_not_count(mine):
    result = next(mine.glob("gap-2-mm/forecast-*/prediction.h5"))
    result.write_bytes(result.read_bytes()[:-1] + b"x")
    sheet = next(mine.glob("twelve-pins/run-2025-03-01*/run.toml"))
    sheet.write_text(sheet.read_text(encoding="utf-8").replace("1134.0 g", "1000.0 g"), encoding="utf-8")
    entry = next(mine.glob("holes-0-8-mm/run-*/entry.toml"))
    entry.write_text(entry.read_text(encoding="utf-8").replace("2025-03-22", "2025-03-23"), encoding="utf-8")
    (next(mine.glob("gap-2-mm/run-2025-03-12*")) / "powder3.csv").unlink()
    opened = pages.read_book(mine)
    assert len(opened.faults) == 4 and [r.why for r in table.rows(opened)] == ["", table.ALTERED]
    text = " ".join(book("show", mine).stdout.split())
    assert "prediction.h5 was altered since it was written; it does not count" in text
    assert len(opened.faults) == 4 and "Note: 1 more" in text and "In brackets, not counted: forecast altered" in text


def test_a_corrected_run_takes_the_place_of_the_old_one(mine, tmp_path):
    path = notebooks.run_sheet(tmp_path, 0)
    path.write_text(path.read_text(encoding="utf-8").replace("1305 W", "1290 W"), encoding="utf-8")
    done = book("run", mine, "twelve-pins", path, "--instead", "run-2025-03-01-batch-1")
    assert done.exit_code == 0, done.output
    opened = pages.read_book(mine)
    assert len(opened.counted()) == 5 and len(opened.build("twelve").runs) == 3
    assert opened.run("run-2025-03-01-batch-1")[1].replaced
    assert "is there already" in book("run", mine, "twelve-pins", path).stderr


# --- which forecasts count -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "made_at, entered, run_day, run_entered, before",
    [
        ("2025-03-07T12:00:00Z", "2025-03-09T00:00:00Z", "2025-03-08", "2025-03-08T20:00:00Z", True),
        ("2025-03-09T12:00:00Z", "2025-03-09T12:00:00Z", "2025-03-08", "2025-03-10T20:00:00Z", False),
        ("2025-03-08T12:00:00Z", "2025-03-08T12:00:00Z", "2025-03-08", "2025-03-08T20:00:00Z", True),
        ("2025-03-08T12:00:00Z", "2025-03-08T21:00:00Z", "2025-03-08", "2025-03-08T20:00:00Z", False),
        ("", "2025-03-08T21:00:00Z", "2025-03-08", "2025-03-08T20:00:00Z", False),
        ("2025-03-07T12:00:00Z", "2025-03-07T12:00:00Z", "a day in May", "2025-03-08T20:00:00Z", False),
    ],
)
def test_a_forecast_is_one_that_was_made_before_the_run(made_at, entered, run_day, run_entered, before):
    forecast = pages.Forecast(store.Entry(Path(), {"made": made_at, "added": entered}, ()))
    run = pages.Run(store.Entry(Path(), {"date": run_day, "added": run_entered}, ()))
    assert table.was_before(forecast, run) == before


def test_a_run_that_is_dated_after_it_was_entered_does_not_count(mine, monkeypatch, tmp_path):
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1740900000")  # 2025-03-02
    path = notebooks.run_sheet(tmp_path, 0)
    path.write_text(path.read_text(encoding="utf-8").replace('"2025-03-01"', '"2052-03-01"'), encoding="utf-8")
    done = book("run", mine, "twelve-pins", path, "--instead", "run-2025-03-01-batch-1")
    assert f"(does not count: {table.AHEAD})" in " ".join(done.stdout.split())
    assert len(pages.read_book(mine).counted()) == 5


def test_the_newest_forecast_of_the_very_mill_made_before_is_taken(mine):
    opened = pages.read_book(mine)
    first = notebooks.prediction_of("twelve pins")
    for date, p in (
        ("2025-02-25T10:00:00Z", first), ("2025-03-20T10:00:00Z", first),
        ("2025-02-27T10:00:00Z", notebooks.prediction_of("gap 2 mm")),
    ):  # fmt: skip
        enter.forecast(opened.build("twelve"), replace(p, date=date, seed=int(date[8:10])))
    found = [r for r in table.rows(pages.read_book(mine)) if r.build.key == "twelve-pins"]
    assert [r.forecast.made[:10] for r in found] == ["2025-02-25"] * 2 and not any(r.why for r in found)
    gap = pages.read_book(mine).build("gap").forecasts[0].entry.folder
    shutil.rmtree(gap)
    enter.forecast(pages.read_book(mine).build("gap"), first)
    enter.forecast(
        pages.read_book(mine).build("holes"),
        replace(notebooks.prediction_of("holes 0.8 mm"), date="2025-05-01T00:00:00Z"),
    )
    shutil.rmtree(next(mine.glob("holes-0-8-mm/forecast-2025-03-15")))
    whys = {r.build.key: r.why for r in table.rows(pages.read_book(mine))}
    assert whys["gap-2-mm"] == "for another setting: stator.gap" and whys["holes-0-8-mm"] == table.AFTER
    shutil.move(next(mine.glob("twelve-pins/run-2025-03-02*")), mine / "twelve-pins" / f"run-2025-03-02-{'long-' * 8}")
    shown = book("show", mine, "--quiet").stdout
    assert max(map(len, shown.splitlines())) <= 100 and "run-2025-03-02-long" in shown
    text = " ".join(shown.split())
    assert "In brackets, not counted" in text and "made after the run (run-2025-03-22-batch-5)" in text


# --- how good they were ----------------------------------------------------------------------------------


def test_the_table_says_what_was_predicted_and_measured(made, rows, tmp_path):
    done = book("show", made)
    assert done.exit_code == 0 and done.stderr == ""
    lines = done.stdout.splitlines()
    assert len(lines) <= 26 and max(map(len, lines)) <= 100 and lines[-1].startswith("`--full` shows")
    example = README.split("```\nacrylic: ")[1].split("```")[0]
    assert "acrylic: " + example.strip() in done.stdout
    told = json.loads(book("show", made, "--json").stdout)
    assert [r["counts"] for r in told["rows"]] == [True] * 5 and len(told["builds"]) == 3
    x50 = told["rows"][4]["answers"]["x50_m"]
    assert x50["inside"] is False and x50["measured"] > x50["high"]
    file = tmp_path / "t.csv"
    assert book("show", made, "--csv", file, "--plots", tmp_path / "figures").exit_code == 0
    assert len(list(csv.DictReader(file.read_text(encoding="utf-8").splitlines()))) == 20
    assert (tmp_path / "figures" / "notebook.png").stat().st_size > 10_000
    full = book("show", made, "--full").stdout
    assert "Builds, forecasts and notes" in full and "batch 5" in full
    assert " energy / kWh/kg fed" in full and "Rate and energy are those of what was fed" in " ".join(full.split())


def test_however_many_runs_the_answer_fits_a_screen(made, rows):
    opened, s = pages.read_book(made), score.score(rows)
    change = spread.Spread({})
    told = said.short(opened, rows * 9, s, change).lines()
    assert len(told) == 25
    head = next(i for i, line in enumerate(told) if "earlier lines" in line)
    assert not told[head + 1].startswith("    ")  # a forecast, and below it the newest runs


def test_the_figure_marks_hits_misses_and_what_does_not_count(rows):
    shown = [*rows[:-1], replace(rows[-1], why=table.AFTER)]
    drawn = figure.drawn(shown, "acrylic")
    panel = drawn.axes[0]
    dots = [line for line in panel.lines if line.get_marker() in ("o", "D")]
    assert [d.get_markerfacecolor() for d in dots] == [figure.BLACK] * 4 + ["white"]
    missed = [line for line in figure.drawn(rows, "x").axes[0].lines if line.get_marker() == "D"]
    assert len(missed) == 1 and missed[0].get_color() == figure.RED
    assert len(panel.patches) == 5 and panel.get_yscale() == "log"


def test_few_forecasts_never_show_that_it_gets_better(rows):
    s = score.score(rows)
    assert (len(s.all.errors), s.all.runs, s.all.answers, s.all.inside) == (3, 5, 19, 18)
    assert s.halves.verdict == score.TOO_FEW and math.isnan(s.halves.chance) and s.calibrated is None
    first = [abs(math.log(p.measured / p.predicted)) for r in rows[:2] for p in r.points.values()]
    assert s.all.errors[0] == pytest.approx(np.mean(first))  # two runs of one forecast are one
    assert s.all.factor == pytest.approx(math.exp(np.mean(s.all.errors)))
    low, high = s.all.inside_ends
    assert low < 0.5 and high > 0.95  # as of three answers, not of nineteen
    change = spread.spread_of(pages.read_book(rows[0].build.entry.folder.parent).counted(), table.ANSWERS)
    assert change.found["x50_m"][1] == 2 and change.found["x50_m"][0] == pytest.approx(0.045, abs=0.01)


def units(*errors):
    """Forecasts with one answer that is off by so much."""
    point = SimpleNamespace(inside=True, predicted=1.0)
    forecast = SimpleNamespace(prediction=SimpleNamespace(band_level=0.8))
    return [
        [SimpleNamespace(judged=[SimpleNamespace(**vars(point), measured=math.exp(e))], forecast=forecast)]
        for e in errors
    ]


def test_better_worse_and_luck():
    def verdict(first, second):
        return score.compared(units(*first), units(*second)).verdict

    assert verdict((0.5, 0.6), (0.01, 0.02)) == score.TOO_FEW  # two are never enough
    assert verdict((0.5, 0.6, 0.7), (0.1, 0.2, 0.3)) == score.BETTER
    assert verdict((0.1, 0.2, 0.3), (0.5, 0.6, 0.7)) == score.WORSE
    assert verdict((0.5, 0.6, 0.25), (0.1, 0.2, 0.3)) == score.SAME
    a, b = (0.5, 0.4, 0.7, 0.3), (0.2, 0.45, 0.1, 0.35)
    p = stats.permutation_test(
        (b, a), lambda x, y: np.mean(x) - np.mean(y), alternative="less", n_resamples=1000
    ).pvalue
    assert score.by_luck(a, b) == pytest.approx(p)


def test_by_luck_alone_better_is_said_in_one_case_of_twenty():
    rng = np.random.default_rng(5)
    said = [score.by_luck(*rng.exponential(size=(2, 4))) <= score.SURE for _ in range(400)]
    assert 0.02 < np.mean(said) < 0.07  # 3 of 70 ways, 4.3 %, with 1 % of scatter


# --- trials of use ---------------------------------------------------------------------------------------


def trial(um, verdict, use="printed"):
    return pages.Trial(store.Entry(Path(), {}, ()), use, verdict, {"x10": math.nan, "x50": um * 1e-6, "x90": math.nan})


SEVEN = [trial(x, v) for x, v in ((180, "too fine"), (230, "too fine"), (300, "good"), (350, "good"), (420, "good"),
                                  (520, "too coarse"), (600, "too coarse"))]  # fmt: skip


def test_the_window_lies_between_good_and_not_good():
    w = window.learn([*SEVEN, trial(300, "too fine", "moulded")], "printed")
    assert w.trials == 7 and w.missing == ()
    assert 230e-6 < w.fine.value < 300e-6 and w.fine.low < 235e-6 and w.fine.high > 290e-6
    assert 420e-6 < w.coarse.value < 520e-6
    assert w.fine.value <= w.least < w.most <= w.coarse.value  # all doubt makes the window narrower, never wider
    assert 0.8 < w.best < 0.99


def test_many_trials_find_the_edges_that_a_maximum_likelihood_fit_finds():
    rng, ends, soft = np.random.default_rng(2), np.log([200e-6, 500e-6]), 0.12
    x = rng.uniform(math.log(100e-6), math.log(1e-3), 300)
    fine, coarse = (1 / (1 + np.exp(side * (x - e) / soft)) for side, e in zip((1, -1), ends, strict=True))
    u = rng.random(x.size)
    verdicts = np.where(u < fine, 0, np.where(u < fine + coarse, 2, 1))
    names = ("too fine", "good", "too coarse")
    w = window.learn([trial(1e6 * math.exp(v), names[k]) for v, k in zip(x, verdicts, strict=True)], "printed")
    fit = OrderedModel(verdicts, x[:, None], distr="logit").fit(method="bfgs", disp=False)
    edges = (
        OrderedModel(verdicts, x[:, None], distr="logit").transform_threshold_params(fit.params)[1:3] / fit.params[0]
    )
    assert np.log([w.fine.value, w.coarse.value]) == pytest.approx(edges, abs=0.03)
    for edge, true in ((w.fine, 200e-6), (w.coarse, 500e-6)):
        assert abs(math.log(edge.value / true)) < math.log(edge.high / edge.low) < 0.2


def test_what_is_missing_is_said():
    upper = window.learn(SEVEN[2:], "printed")
    assert upper.missing == ("too fine",) and upper.fine is None and upper.least is None
    assert 400e-6 < upper.most < 520e-6
    for some in (SEVEN[:2], SEVEN[2:5], [*SEVEN[:2], *SEVEN[5:]]):
        w = window.learn(some, "printed")
        assert w.fine is None and w.coarse is None and not any(learned.limits(w))


def test_a_target_from_trials_is_never_sharper_than_they_are():
    w = window.learn(SEVEN, "printed")
    target = learned.target_of(w)
    (wish,) = target.wishes
    assert (wish.section, wish.output, wish.basis) == ("x50", "x50_m", "learned")
    assert (wish.low, wish.high) == learned.limits(w) == (270e-6, 450e-6)  # two digits, rounded inwards
    assert w.least <= wish.low < wish.high <= w.most
    assert "learned from 7 trials (3 good, 2 too coarse and 2 too fine)" in wish.source
    assert "220 µm to 300 µm" in wish.source and "410 µm to 550 µm" in wish.source
    again = targets.parse(targets.to_toml(target))
    assert again == target
    (open_,) = learned.target_of(window.learn(SEVEN[2:], "printed")).wishes
    assert open_.low == -math.inf and "no trial was too fine, so that side is open" in open_.source


def test_trials_on_the_command_line(mine, tmp_path):
    shutil.copy(mills.CONFIGS / "demo_product_sieve.csv", tmp_path / "mine.csv")
    words = (("good", "--run", "twelve-pins/run-2025-03-01-batch-1"), ("good", "--sieving", tmp_path / "mine.csv"),
             ("too coarse", "--x50", "0.52 mm"))  # fmt: skip
    for verdict, *rest in words:
        done = book("trial", mine, "--use", "Printed", "--verdict", verdict, *rest)
        assert done.exit_code == 0, done.output
    opened = pages.read_book(mine)
    assert [t.use for t in opened.trials] == ["printed"] * 3
    assert sorted(round(1e6 * t.sizes_m["x50"]) for t in opened.trials) == [294, 302, 520]
    out = tmp_path / "target.toml"
    done = book("window", mine, "--use", "printed", "-o", out)
    assert done.exit_code == 0 and "at least one too fine is missing" in " ".join(done.stdout.split())
    assert targets.load(out).wishes[0].basis == "learned"
    assert book("window", mine, "--use", "printed", "--by", "x90").exit_code == 3
    assert json.loads(book("window", mine, "--use", "printed", "--json").stdout)["missing"] == ["too fine"]
    assert "uses: printed" in book("window", mine, "--use", "coated").stderr
    assert "in more ways than one, or in none" in book("trial", mine, "--use", "a", "--verdict", "good").stderr
    assert "too coarse" in book("show", mine, "--full").stdout


# --- entering and calibrating ----------------------------------------------------------------------------


def test_from_an_empty_folder_to_a_table(tmp_path, monkeypatch):
    asked = []

    def predict(config, **more):
        asked.append(config)
        p = notebooks.prediction_of("twelve pins")
        return replace(p, config_text=config.text, config_sha256=config.sha256, date="2025-02-20T18:10:00Z")

    monkeypatch.setattr(advised, "predict", predict)
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1743500000")  # 2025-04-01, after the runs
    mill = shutil.copy(mills.CONFIGS / "demo.toml", tmp_path)
    shutil.copy(mills.CONFIGS / "offcuts_sieve.csv", tmp_path)
    folder = tmp_path / "mills"
    done = book("add", folder, mill, "--name", "Zwölf Stifte", "--photo", "/a/b/pins.jpg", "--set", notebooks.FREE)
    assert done.exit_code == 0 and done.stdout.startswith("zwolf-stifte: entered") and "Caution" in done.stdout
    assert book("note", folder, "zwolf", "one pin bent", "--photo", "pin.jpg").exit_code == 0
    more = book("predict", folder, "zwolf-stifte", "--set", "stator.gap=2 mm", "--json")
    assert json.loads(more.stdout)["status"] == "ok" and asked[1].stator.gap_m == 0.002
    assert "has no card yet" in book("predict", folder, "zwolf", "--calibrated").stderr
    done = book("run", folder, "zwolf", *(notebooks.run_sheet(tmp_path, i) for i in (0, 2)))
    assert done.exit_code == 0 and done.stdout.startswith(
        "zwolf-stifte: 2 runs entered.\n  run-2025-03-01-batch-1: x50"
    )
    assert "not count" not in done.stdout  # the second was forecast with its gap
    full = book("show", folder, "--full").stdout
    assert "[photo: pins.jpg]" in full and "one pin bent [photo: pin.jpg]" in full and "with stator.gap=2 mm" in full
    again = book("add", folder, mill, "--set", notebooks.FREE)
    assert again.exit_code == 2 and "is there already: zwolf-stifte" in again.stderr and "--name" in again.stderr
    kept = tmp_path / "p.h5"
    write.write(notebooks.prediction_of("gap 2 mm"), kept)
    assert book("add", folder, kept, "--name", "gap").exit_code == 0
    assert (
        "is there already: gap" in book("add", folder, kept).stderr
    )  # typed again after a kill, it is not entered twice
    assert "changes nothing of a stored prediction" in book("add", folder, kept, "--set", "stator.gap=1 mm").stderr
    assert "no build is called 'x'" in book("run", folder, "x", notebooks.run_sheet(tmp_path, 0)).stderr


def test_all_runs_are_calibrated_together_and_the_card_is_kept(mine, monkeypatch):
    given = []

    def calibrated(sheets, *_):
        given.append([s.name for s in sheets])
        raise InputError([])

    monkeypatch.setattr(whole, "calibrate_whole", calibrated)
    book("calibrate", mine)
    book("calibrate", mine, "twelve-pins", "run-2025-03-22-batch-5")
    assert given == [[f"batch {i}" for i in (3, 4, 5, 1, 2)], ["batch 5", "batch 1", "batch 2"]]
    path = enter.card(mine, "title = 'x'\n", ["twelve-pins/run-2025-03-01-batch-1"])
    opened = pages.read_book(mine)
    assert path.read_text(encoding="utf-8") == "title = 'x'\n" and opened.cards[-1].folder == path.parent
    assert "has no run that counts and was sieved" in book("calibrate", store.make(mine.parent / "new")).stderr
