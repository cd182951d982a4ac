"""Repeated runs: what changes from run to run, and whether a change did anything or luck would have done as much."""

import json
from dataclasses import replace
from math import log, sqrt
from types import SimpleNamespace

import numpy as np
import pytest
from click.testing import CliRunner
from helpers import fake_prediction
from runsheets import CONFIGS, changed, mill_in, run_of, sieved
from scipy import stats
from statsmodels.stats.power import TTestIndPower

from millsim.base.numerics.scatter import Scatter, pooled, runs_needed, scatter_of
from millsim.base.quantities.params import Param
from millsim.base.quantities.scores import at_score
from millsim.commands.main import cli
from millsim.errors import InputError
from millsim.learn.calibration import findings, repeats
from millsim.learn.calibration.compare import compare
from millsim.learn.calibration.observations import blocks_of
from millsim.learn.calibration.runmodel import model_of
from millsim.learn.measured.otherday import of_the_mill
from millsim.learn.measured.runbalance import close
from millsim.learn.measured.runsheet import MeasuredRun, read_run
from millsim.record import write
from millsim.show.words import repeats as words

A, B = (610.0, 655.0, 590.0), (560.0, 620.0, 545.0)  # um
GUESS = Param("repeat_size", 0.05, "-", 0.02, 0.1, "assumed", "", "log")
MOVED = '[run]\noverrides = ["stator.gap=2 mm"]'


def sizes(um) -> str:
    """A sieve sheet whose median by the rule of sieves is this: 50 g about it."""
    x = np.array([0.5, 0.7, 1.0, 1.4, 2.0]) * um / 1000
    masses = (2.0, 12.0, 22.0, 12.0, 2.0)
    return "aperture_mm,retained_g\n" + "".join(f"{a:.7f},{m}\n" for a, m in zip(x[::-1], masses, strict=True))


def runs_with(folder, medians, *changes) -> list[MeasuredRun]:
    """Runs whose powder has such medians [um], metered; each weighs a little more, as no two runs are the same."""
    found = []
    for i, um in enumerate(medians):
        sheet = sieved(folder, f"p{um:g}.csv", sizes(um) + "pan,1.0\n")
        more = (('fed = "300 g"', f'fed = "{300 + i / 10} g"'), *changes)
        found.append(run_of(sheet, *more, folder=mill_in(folder)))
    return found


def test_the_worked_example():
    sd, dof = pooled([A, B])
    assert (np.mean(A), np.mean(B), dof) == (pytest.approx(618, abs=0.5), 575.0, 4)
    assert sd == pytest.approx(37.0, abs=0.5)
    finer = Scatter(sd, dof).below(np.mean(A) - np.mean(B), sqrt(2 / 3))
    assert finer == pytest.approx(0.89, abs=0.005)
    assert finer == pytest.approx(1 - stats.ttest_ind(A, B).pvalue / 2)


def test_intervals_and_numbers_of_runs_are_those_of_the_textbook():
    a, b = np.log(A), np.log(B)
    sd, dof = pooled([a, b])
    s, d = Scatter(sd, dof), a.mean() - b.mean()
    ends = stats.ttest_ind(a, b).confidence_interval(0.95)
    reach = s.reach(sqrt(2 / 3))
    assert (d - reach, d + reach) == (pytest.approx(ends.low), pytest.approx(ends.high))
    assert s.plausible == tuple(pytest.approx(sd * sqrt(4 / q)) for q in stats.chi2.ppf([0.975, 0.025], 4))
    n = TTestIndPower().solve_power(d / sd, power=0.8, alpha=0.05)
    assert runs_needed(d, sd) == int(np.ceil(n)) == 12
    assert runs_needed(0.001, 0.1) is None


def test_without_repeats_the_scatter_is_assumed_over_its_range():
    s = scatter_of([[1.0], [1.1]], [GUESS], 0.0)
    assert s.assumed and s.sd == 0.05 and s.dof == 0
    assert 0.02 < s.plausible[0] < 0.03 and 0.085 < s.plausible[1] < 0.1
    known = stats.norm.cdf(0.1 / (0.05 * sqrt(2)))
    assert 0.5 < s.below(0.1, sqrt(2)) < known  # not knowing the scatter makes less sure
    assert s.below(s.reach(sqrt(2)), sqrt(2)) == pytest.approx(0.975, abs=1e-6)


def test_a_single_pair_of_repeats_only_weighs_what_is_assumed():
    near, far = (scatter_of([[1.0], [1.0, 1.0 + d]], [GUESS], 0.0) for d in (0.01, 0.25))
    assert near.assumed and near.dof == far.dof == 1
    assert near.sd < 0.05 < far.sd < 0.1
    two = scatter_of([[1.0, 1.1], [1.0, 1.1]], [GUESS], 0.0)
    assert not two.assumed and two.dof == 2 and two.sd == pytest.approx(0.1 / sqrt(2))


def test_no_scatter_is_smaller_than_what_the_instruments_make():
    assert scatter_of([[1.0, 1.0, 1.0]], [GUESS], 0.02).sd == 0.02


@pytest.mark.parametrize("n, m", [(1, 1), (1, 2), (3, 3)])
def test_by_luck_alone_a_change_is_called_in_one_case_of_twenty(n, m):
    rng, called = np.random.default_rng(3), 0
    for _ in range(500):  # mills whose scatter is what is thought of it
        sd = float(at_score(GUESS, rng.standard_normal()))
        a, b = rng.normal(0.0, sd, n), rng.normal(0.0, sd, m)
        less = scatter_of([a, b], [GUESS], 1e-4).below(a.mean() - b.mean(), sqrt(1 / n + 1 / m))
        called += 2 * min(less, 1 - less) < repeats.SURE
    assert 0.02 < called / 500 < 0.08  # three standard errors of 5 %


def test_x50_before_and_after_a_change(tmp_path):
    before, after = runs_with(tmp_path, A), runs_with(tmp_path, B, ("[run]", MOVED))
    c = repeats.changed(before, after)
    x50 = next(f for f in c.figures if f.name == "x50_m")
    read = [repeats.readings(r)["x50_m"].value for r in (*before, *after)]
    ratio = read[0] / A[0]
    assert read == [pytest.approx(ratio * um, rel=2e-4) for um in (*A, *B)]  # so its statistics are those of A and B
    assert x50.less == pytest.approx(1 - stats.ttest_ind(np.log(A), np.log(B)).pvalue / 2, abs=1e-3)
    assert x50.less == pytest.approx(0.89, abs=0.005)
    assert (x50.before.mean, x50.after.mean) == (
        pytest.approx(618 * ratio, rel=2e-3), pytest.approx(575 * ratio, rel=2e-3),
    )  # fmt: skip
    assert x50.before.scatter.sd * 597 == pytest.approx(37, abs=1.0) and x50.before.scatter.dof == 4
    assert (x50.verdict, x50.more) == (repeats.TOO_FEW, (9, 9))
    assert [d[0] for d in c.differing] == ["stator.gap"]
    for said in (words.repeats_text(c.before), words.change_text(c)):
        assert max(map(len, said.splitlines())) <= 100
    text = words.change_text(c)
    assert "89 % less" in text and "x50 9 of each" in text and "(stator.gap 3 mm -> 2 mm)" in text
    assert "throughput_kg_s" not in {f.name for f in c.figures} and "feeder set the rate" in text
    assert len(text.splitlines()) <= 23


def test_a_change_luck_and_how_sure(tmp_path):
    far = repeats.changed(runs_with(tmp_path, A), runs_with(tmp_path, (400.0, 430.0, 390.0)))
    x50 = far.figures[0] if far.figures[0].name == "x50_m" else far.figures[1]
    assert x50.verdict == repeats.CHANGE and x50.high < 1.0 and x50.less > 0.999
    assert "what was changed is not on them" in " ".join(words.change_text(far).split())
    near = repeats.changed(runs_with(tmp_path, A), runs_with(tmp_path, (612.0, 650.0, 588.0)))
    assert {f.verdict for f in near.figures if f.name in ("x50_m", "x90_m")} == {repeats.LUCK}


def test_twenty_per_cent_more_from_single_runs_is_no_proof(tmp_path):
    how = ('how = "metered"', 'how = "as much as it took"\nlimit = "shaft power"')
    (a,), (b,) = runs_with(tmp_path, A[:1], how), runs_with(tmp_path, B[:1], how, ('"262 g"', '"267 g"'))
    b = replace(b, milling_s=b.milling_s / 1.2, sha256="other")
    c = repeats.changed([a], [b])
    rate = next(f for f in c.figures if f.name == "throughput_kg_s")
    assert rate.change == pytest.approx(1.2 * 267 / 262) and rate.verdict == repeats.TOO_FEW and rate.low < 1.0
    assert rate.before.scatter.assumed and [p.name for p in rate.before.basis] == ["repeat_rate"]
    text = " ".join(words.change_text(c).split())
    assert "Nothing was repeated, so what changes from run to run is assumed" in text and "rate 8 % (3 to 20)" in text


def test_runs_of_another_mill_or_named_twice_are_no_repeats(tmp_path):
    a, b = runs_with(tmp_path, A[:1]), runs_with(tmp_path, B[:1], ("[run]", MOVED))
    with pytest.raises(InputError, match=r"is 2 mm, of the first run 3 mm: no repeat.*--after"):
        repeats.repeated([*a, *b])
    with pytest.raises(InputError, match="would count twice"):
        repeats.changed(a, a)


def test_a_single_run_says_what_its_mill_gives(tmp_path):
    run = runs_with(tmp_path, A[:1], ('how = "metered"', 'how = "as much as it took"\nlimit = "shaft power"'))[0]
    rate, energy = of_the_mill(run, b := close(run))
    assert rate.figure.u == pytest.approx(sqrt((0.08 * rate.figure.value) ** 2 + b.product_rate.u**2))
    assert energy.assumed == pytest.approx(sqrt(0.08**2 + 0.04**2))
    metered = runs_with(tmp_path, A[:1])[0]
    assert [f.name for f in of_the_mill(metered, close(metered))] == ["gross_J_kg"]  # the feeder set the rate


def test_the_mean_of_repeats_against_a_prediction(tmp_path):
    runs = runs_with(tmp_path, A)
    found = [compare(fake_prediction(), run) for run in runs]
    r = repeats.repeated(runs)
    x50 = next(m for m in repeats.mean_points(found, r) if m.point.name == "x50_m")
    single = [next(p for p in c.points if p.name == "x50_m") for c in found]
    assert x50.point.measured == pytest.approx(float(np.exp(np.mean([log(p.measured) for p in single]))))
    assert x50.inside == sum(p.inside for p in single) and x50.runs == 3
    scatter = next(f for f in r.figures if f.name == "x50_m").scatter.sd
    assert x50.point.error > x50.point.measured * scatter / sqrt(3)
    assert "3 runs against the forecast" in words.compared_text(found, r, repeats.mean_points(found, r), True)


def test_compare_takes_repeated_runs(tmp_path):
    folder = mill_in(tmp_path)
    for i, um in enumerate((430.0, 470.0)):
        (folder / f"p{i}.csv").write_text(sizes(um) + "pan,1.0\n", encoding="utf-8")
        text = changed(("[sieving]\n", f'[sieving]\nproduct = "p{i}.csv"\n'), ('fed = "300 g"', f'fed = "30{i} g"'))
        (folder / f"r{i}.toml").write_text(text, encoding="utf-8")
    write.write(fake_prediction(), folder / "p.h5")
    files = [str(folder / name) for name in ("p.h5", "r0.toml", "r1.toml")]
    done = CliRunner().invoke(cli, ["compare", *files, "--plots", str(folder / "figures")])
    assert done.exit_code == 0 and "2 runs against the forecast" in done.stdout, done.output
    assert len(done.stdout.splitlines()) <= 26 and max(map(len, done.stdout.splitlines())) <= 100
    assert sorted(p.name for p in (folder / "figures").iterdir()) == ["comparison.png", "comparison_2.png"]
    told = json.loads(CliRunner().invoke(cli, ["compare", *files, "--json"]).stdout)
    assert {m["runs"] for m in told["means"]} == {2} and told["repeats"]["set_by_feeder"]


def test_the_scatter_of_replicates_is_in_the_likelihood_of_a_calibration(tmp_path):
    # Each run's own part of the covariance of Q3 holds repeat_size; the model's and the sieves' parts are shared.
    run = read_run(CONFIGS / "demo_run.toml")
    model = model_of(run)
    block = next(b for b in blocks_of(run, model) if b.name == "product size")
    off = model_of(replace(run, config=replace(run.config, model_overrides={})))
    size = next(p.value for p in off.problem.parameters if p.name == "repeat_size")
    q, x = block.values, np.log([a for s in run.product_sheets for a in s.apertures_m])
    steep = int(np.argmax(np.interp(x, 0.5 * (x[1:] + x[:-1]), np.diff(q) / np.diff(x))))
    slope = np.interp(x[steep], 0.5 * (x[1:] + x[:-1]), np.diff(q) / np.diff(x))
    own = block.covariance[steep, steep] - sum(float(s.loading[steep]) ** 2 for s in block.shared)
    assert own == pytest.approx((size * slope) ** 2, rel=0.1)


def test_repeats_that_scatter_more_than_a_calibration_takes_them_to_are_told(tmp_path):
    assert repeats.more_than_assumed(runs_with(tmp_path, A)) == []  # 5 % assumed, 2 to 10 plausible
    assert repeats.more_than_assumed(runs_with(tmp_path, A[:1])) == []
    runs = runs_with(tmp_path, (400.0, 660.0, 500.0))
    (more,) = repeats.more_than_assumed(runs)
    assert (more.name, more.dof) == ("x50_m", 2) and more.sd == pytest.approx(0.25, abs=0.01) and more.chance < 0.02
    (check,) = findings._repeats(SimpleNamespace(fits=[SimpleNamespace(run=run) for run in runs]))
    assert not check.passed and "scatter by 25 % in x50 (2 degrees of freedom)" in check.text
    assert "repeat_size 5 %" in check.text


def test_the_command_takes_words_after_after(tmp_path):
    folder = mill_in(tmp_path)
    for name in ("demo_run.toml", "demo_product_sieve.csv"):
        (folder / name).write_bytes((CONFIGS / name).read_bytes())
    text = (folder / "demo_run.toml").read_text(encoding="utf-8")
    for name, power in (("b1", 1200), ("b2", 1190), ("a2", 1320)):
        (folder / f"{name}.toml").write_text(text.replace("1305 W", f"{power} W"), encoding="utf-8")
    a, b = [str(folder / f"{n}.toml") for n in ("demo_run", "a2")], [str(folder / f"{n}.toml") for n in ("b1", "b2")]
    done = CliRunner().invoke(cli, ["run", *a, "--after", *b, "--json"])
    assert done.exit_code == 0
    told = json.loads(done.stdout)
    assert told["before"]["runs"] and len(told["figures"]["gross_J_kg"]["after"]["values"]) == 2
    assert told["figures"]["gross_J_kg"]["verdict"] == "a change" and told["took_turns"] is None and told["caution"]
    assert CliRunner().invoke(cli, ["run", *a, "--after"]).exit_code == 2
    assert CliRunner().invoke(cli, ["run", "--after", *b]).exit_code == 2
    several = CliRunner().invoke(cli, ["run", *a])
    assert several.exit_code == 0 and "2 runs of workshop acrylic mill" in several.stdout
    assert max(map(len, several.stdout.splitlines())) <= 100 and len(several.stdout.splitlines()) <= 25
