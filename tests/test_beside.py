"""Mills side by side: what differs, what each makes, and differences by shared draws."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from helpers import fake_prediction, foot_is_inside

from millsim.base.quantities.written import digits
from millsim.commands.main import cli
from millsim.errors import InputError
from millsim.explore.beside import mills as sets
from millsim.mill.cards.calibrated import Calibrated, Conditions, RunErrors
from millsim.mill.config.mill import load_config
from millsim.mill.problem import build
from millsim.record import write
from millsim.show.plots import beside as plots
from millsim.show.words import beside as words

CONFIGS = Path(__file__).resolve().parent.parent / "configs"
QUICK = ("run.class_ratio=1.6", "run.band_samples=8")


def run(*args):
    return CliRunner().invoke(cli, ["beside", *map(str, args), *(w for s in QUICK for w in ("--set", s))])


@pytest.fixture(scope="module")
def demo():
    return sets.load([CONFIGS / "demo.toml"], 1, QUICK)[0]


@pytest.fixture(scope="module")
def wider(demo, tmp_path_factory):
    path = tmp_path_factory.mktemp("mills") / "wider.toml"
    text = demo.config.text.replace('hole = "0.6 mm"', 'hole = "0.8 mm"')
    assert text != demo.config.text
    path.write_text(text, encoding="utf-8")
    return path


def test_a_mill_beside_itself_differs_by_its_days_alone(demo):
    """Parameters and the model's error are shared by mills alike, so nothing but the day tells them apart."""
    found = sets.beside([demo, demo], 1, 24)
    assert not found.differ and found.against[0].both > 12
    low, middle, high = found.against[0].times["x50_m"]
    assert 0.85 < low < middle < high < 1.15
    band = demo.prediction.main.scalars["x50_m"]
    assert np.log(high / low) < 0.6 * np.log(band.high / band.low)  # surer than what either makes


def test_what_coarser_holes_bring_is_surer_than_either_rate(demo, wider):
    other = sets.load([wider], 1, QUICK)[0]
    found = sets.beside([demo, other], 1, 24)
    assert dict(found.differ)["sieve.hole"] == (0.0006, 0.0008)
    assert found.against[0].more["throughput_kg_s"] > 0.9
    assert found.against[0].times["throughput_kg_s"][0] > 1.0
    mills = [demo.prediction.main.scalars["throughput_kg_s"], other.prediction.main.scalars["throughput_kg_s"]]
    assert mills[1].low < mills[0].high  # their own bands overlap


def test_unlike_mills_share_none_of_the_models_error_and_like_ones_nearly_all(demo):
    problems = [build(load_config(CONFIGS / f"{n}.toml", QUICK)) for n in ("demo", "demo", "swinging")]
    a, b, c = (e.fresh for e in sets.joint_errors(problems, [1e-3, 1e-3, 1e-3], 4000, 1))
    assert np.corrcoef(a[:, 0], b[:, 0])[0, 1] > 0.999
    assert abs(np.corrcoef(a[:, 0], c[:, 0])[0, 1]) < 0.06  # four standard errors
    for scores in (a, c):  # each by itself as a mill unlike any run has them
        assert abs(scores.mean()) < 0.02 and scores.std() == pytest.approx(1.0, abs=0.02)


def test_numbers_of_cards_and_a_calibration_are_differences_too(demo):
    """Cards of one title differ in their numbers; of another material the title says it all."""
    settings = (*QUICK, 'material.density="1.1 g/cm3"', "model.sieve_factor=2")
    changed, pla = (replace(demo, config=load_config(CONFIGS / "demo.toml", s)) for s in
                    (settings, (*QUICK, "feed.material=pla")))  # fmt: skip
    found = sets.beside([demo, changed], 1, 0)
    assert dict(found.differ)["material.density"][1] == 1100.0 and dict(found.differ)["model.sieve_factor"][1] == 2.0
    told = words.beside_text(found)
    assert "Nothing in them differs" not in told and "1100 kg/m3" in told
    assert [key for key, _ in sets.beside([demo, pla], 1, 0).differ] == ["feed.material"]
    once = Conditions(*[(1.0, 1.0)] * 7, ("",), ("fixed",), ("blunt",))
    card = Calibrated("one run", "", "", "", ("run",), (), (), once, {})
    measured = replace(demo, config=replace(demo.config, calibration=card))
    assert sets._differences([demo, measured]) == (("calibration.card", (None, "one run")),)


def test_a_share_of_draws_in_which_both_run_is_told_as_such(demo):
    times, more, less = ({"throughput_kg_s": x} for x in ((0.8, 1.1, 1.3), 1.0, 0.0))
    some = words._sentence("B", sets.Against(times, more, less, 3), 64)
    assert some.startswith("B against A (both run in 3 of 64 draws): 1.1 times the powder")
    assert "more in 100 % of these" in some
    told = words._sentence("B", sets.Against(times, more, less, 64), 64, {"throughput_kg_s": 1.25})
    assert told.startswith("B against A: 1.2 times the powder (0.8 to 1.3;")  # as the figures of the table
    assert "both run" not in words._sentence("B", sets.Against(times, more, less, 64), 64)
    same = words._sentence("B", sets.Against(times, more, less, 64), 64, {"throughput_kg_s": 1.004})
    assert same.startswith("B against A: as much powder (0.8 to 1.3 times; more")
    alike = sets.Against(times, {"throughput_kg_s": 0.09}, {"throughput_kg_s": 0.12}, 64)
    assert "more in 9 % and less in 12 % of draws" in words._sentence("B", alike, 64)


def test_a_batch_that_ends_at_once_is_compared_with_nothing(demo):
    p = fake_prediction()
    none = {n: replace(s, value=float("nan")) for n, s in p.main.scalars.items()}
    ended = replace(p, status="over capacity", main=replace(p.main, scalars=none))
    found = sets.beside([demo, demo], 1, 0)
    mills = [replace(m, prediction=q) for m, q in zip(found.mills, (p, ended), strict=True)]
    pair = ({"throughput_kg_s": x} for x in ((0.8, 1.1, 1.3), 1.0, 0.0))
    told = words.sentences(replace(found, mills=tuple(mills), against=(sets.Against(*pair, 64),), draws=64))
    assert told[0] == "B against A: nothing to compare, for the batch of B ends at once."


def test_figures_of_a_mill_that_does_not_run_are_set_against_nothing(demo):
    found, p = sets.beside([demo, demo], 1, 0), fake_prediction()
    pair = ({"x50_m": x} for x in ((0.8, 1.1, 1.3), 1.0, 0.0))
    found = replace(found, against=(sets.Against(*pair, 9),), draws=64)
    coarse = replace(p, main=replace(p.main, scalars=p.main.scalars | {"x50_m": replace(p.main.scalars["x50_m"],
                                                                                     value=33.0)}))  # fmt: skip
    for status, middle in (("ok", digits(33.0 / p.main.scalars["x50_m"].value, 2)), ("hardly grinds", "1.1")):
        mills = [
            replace(m, prediction=q) for m, q in zip(found.mills, (replace(p, status=status), coarse), strict=True)
        ]
        told = words.sentences(replace(found, mills=tuple(mills)))[0]
        assert told == f"B against A (both run in 9 of 64 draws): x50 {middle} times as large (0.8 to 1.3)."


def test_draws_in_which_a_mill_gives_nothing_are_none_in_which_it_runs(demo):
    """Such a draw has a state and sizes, but no powder: nothing is set against it."""
    samples = sets._samples([demo], [build(demo.config)], 1, 8, None)[0]
    rates = np.where(np.arange(8) < 3, 0.0, 1e-3)
    some = replace(samples, ok=np.ones(8, bool), values={"throughput_kg_s": rates})
    assert sets._runs(some).sum() == 5
    problem = build(demo.config)
    assert sets._against(some, some, None, problem, problem).both == 5


def test_checks_that_fail_are_named_with_their_mills(demo):
    def mill(*fails):
        reviewed = demo.prediction.reviewed._replace(fails=fails)
        return replace(demo, prediction=replace(demo.prediction, reviewed=reviewed))

    found = replace(sets.beside([demo, demo], 1, 0), mills=(mill("dust in the air"), mill("nip", "dust in the air")))
    for told in (words.beside_text(found), "\n".join(words.beside_short(found).lines(0))):
        assert "The review fails dust in the air (A and B); nip (B)." in " ".join(told.split())
    assert words._failing(replace(found, mills=(mill(),))) == ""


def test_a_mill_fed_by_hand_is_reviewed_as_check_does(tmp_path):
    settings = (*QUICK, "feed.handful=30 g", "feed.every=24 s")
    (mill,) = sets.load([CONFIGS / "rotor_close.toml"], 1, settings)
    words_ = ["check", str(CONFIGS / "rotor_close.toml"), "--json", *(w for s in settings for w in ("--set", s))]
    told = json.loads(CliRunner().invoke(cli, words_).stdout)
    assert "jam at the feed asked for" in mill.prediction.reviewed.fails  # by its handfuls: fed evenly it does not
    for verdict, names in (
        ("fails", mill.prediction.reviewed.fails),
        ("not checked", mill.prediction.reviewed.unchecked),
    ):
        assert [x["name"] for x in told["checks"] if x["verdict"] == verdict] == list(names)


def test_a_figure_says_which_mill_gives_no_powder(demo):
    stands = replace(demo, prediction=replace(demo.prediction, status="cannot run"))
    for draw in (plots.sizes, plots.rates):
        said = [" ".join(t.get_text() for t in draw(sets.beside(m, 1, 0)).texts) for m in ([demo] * 2, [demo, stands])]
        assert "Without powder" not in said[0] and "Without powder, so not shown: B." in said[1]


def test_the_foot_of_a_figure_of_many_mills_is_inside_it(demo):
    stands = replace(demo, prediction=replace(demo.prediction, status="hardly grinds"))
    for draw in (plots.sizes, plots.rates):
        assert foot_is_inside(draw(sets.beside([demo, *[stands] * 6], 1, 0)))


def test_every_mill_s_hazards_are_told():
    mills = CONFIGS / "demo.toml", CONFIGS / "swinging.toml"
    told = run(*mills, "--draws", "0", "--full").stdout
    assert "hammer or pivot pin" in " ".join(told.split())


def test_mills_on_either_side_of_a_measured_run_are_off_in_opposite_ways():
    """By hand, one step of the kernel before and behind the run, and one and two steps behind it."""
    run = (RunErrors("rigid", (0.0,), {"size": (0.0,)}),)
    places = np.array([[-1.0], [1.0], [2.0]])
    k, far = np.exp(-0.5), np.exp(-2.0)
    found = sets.shared(["rigid"] * 3, places, [run] * 3)
    assert found[0, 1] == pytest.approx((far - k * k) / (1.0 - k * k), abs=1e-4)
    assert found[1, 2] == pytest.approx((k - k * far) / np.sqrt((1.0 - k * k) * (1.0 - far * far)), abs=1e-4)
    assert sets.shared(["rigid"] * 3, places, [()] * 3)[1, 2] == pytest.approx(k)
    assert sets.shared(["rigid", "swinging", "rigid"], places, [run] * 3)[0, 1] == 0.0
    root = sets._root(found)
    assert root @ root.T == pytest.approx(found, abs=1e-6)


def test_configs_and_stored_predictions_in_any_mix(demo, wider, tmp_path):
    write.write(demo.prediction, tmp_path / "demo.h5")
    stored = sets.load([tmp_path / "demo.h5"], 1)[0]
    assert stored.prediction.main.scalars == demo.prediction.main.scalars
    result = CliRunner().invoke(cli, ["beside", str(tmp_path / "demo.h5"), str(wider), "--draws", "8", "--json"])
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    assert [m["letter"] for m in told["mills"]] == ["A", "B"] and "sieve.hole" in told["differ"]
    assert told["against_first"][0]["both"] <= 8 and told["caution"]


def test_the_answer_is_short_and_says_how_they_differ(wider, tmp_path):
    result = run(CONFIGS / "demo.toml", wider, "--window", "150 um:500 um", "--draws", "8", "--plots", tmp_path / "f")
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    assert len(lines) <= 26
    for said in ("2 mills side by side", "share from 0.15 mm to 0.5 mm", "hole ", "B against A", "review fails"):
        assert any(said in line for line in lines), said
    assert sorted(p.name for p in (tmp_path / "f").iterdir()) == ["beside_rates.png", "beside_sizes.png"]
    assert run(CONFIGS / "demo.toml", "--plots", tmp_path / "f").exit_code == 2  # nothing is replaced unasked


def test_bad_input_is_told_in_one_pass(tmp_path):
    result = run(CONFIGS / "demo.toml", tmp_path / "none.toml", CONFIGS / "demo_run.toml", "--draws", "2")
    assert result.exit_code == 2
    assert "none.toml" in result.stderr and "is a run sheet" in result.stderr
    for window in ("500 um:150 um", "5"):
        assert run(CONFIGS / "demo.toml", "--window", window).exit_code == 2
    assert run(*[CONFIGS / "demo.toml"] * 8).exit_code == 2
    with pytest.raises(InputError, match="no such file"):
        sets.load([tmp_path / "none.h5"], 1)
