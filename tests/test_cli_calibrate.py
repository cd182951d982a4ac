"""calibrate, compare and next from the command line, and what they leave on disk."""

import hashlib
import json
import math
import re
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner
from helpers import fits, numbers_in
from pretend import few_chains, few_draws

from millsim.commands.main import cli
from millsim.errors import InputError
from millsim.learn.calibration import nextstep, whole
from millsim.mill.config.mill import load_config, parse_config, with_keys
from millsim.record import read
from millsim.show.words.calibration import calibration_short, next_lines

CONFIGS = Path(__file__).resolve().parent.parent / "configs"
FAST = ["--engine", "balance", "--set", "run.trace=false", "--set", "run.band_samples=16"]


def run(*args):
    return CliRunner().invoke(cli, [str(a) for a in args])


KEPT = {}  # the shop's calibration: a command that calibrates the same again takes it


@pytest.fixture(scope="module", autouse=True)
def fewer():
    """As few chains as still pass the check of the sampling: what is told is tested here, not its last digit."""
    with pytest.MonkeyPatch.context() as patch:
        few_chains(patch, 90)
        few_draws(patch)
        yield


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """A folder with the demo mill, its feed, its run and the card calibrated on it."""
    folder = tmp_path_factory.mktemp("shop")
    for name in ("demo.toml", "offcuts_sieve.csv", "demo_run.toml", "demo_product_sieve.csv"):
        shutil.copy(CONFIGS / name, folder)
    edit(
        folder, "[run]\n", "[run]\nclass_ratio = 1.5\nband_samples = 16\n", "demo.toml"
    )  # quicker; the README has the demo itself
    with pytest.MonkeyPatch.context() as patch:
        real = whole.calibrate_whole
        patch.setattr(whole, "calibrate_whole", lambda *args: KEPT.setdefault("report", real(*args)))
        result = run("calibrate", folder / "demo_run.toml", "--full", "--plots", folder / "figures")
    assert result.exit_code == 0, result.output
    (folder / "report.txt").write_text(result.stdout, encoding="utf-8")
    return folder


@pytest.fixture
def own(shop, tmp_path):
    """A copy of the shop's inputs to spoil."""
    for path in shop.iterdir():
        if path.is_file():
            shutil.copy(path, tmp_path)
    return tmp_path


def edit(folder, old, new, name="demo_run.toml"):
    path = folder / name
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    return path


# --- J4 --------------------------------------------------------------------------------------------------


def test_the_report_says_before_and_after_open_ends_and_what_next(shop):
    text = (shop / "report.txt").read_text(encoding="utf-8")
    assert text.startswith("Calibrated on acrylic offcuts")
    for words in ("width left", "Parameters before and after", "is open: more of it with", "Measure next, for x50"):
        assert words in text
    for name in ("rate_multiplier", "sieve_factor", "edge_share_bevelled", "layer_speed_ratio", "daughter_exponent"):
        assert name in text
    assert "charge size" in text  # not measured in the run, so among what is worth measuring
    assert "LOOK" not in text
    head = next(line for line in text.splitlines() if line.lstrip().startswith("parameter "))
    assert head.count("80 % range") == 2
    assert "Would hardly help" in text


def test_without_full_the_report_fits_a_screen_and_keeps_its_figures(shop):
    short = "\n".join(calibration_short(KEPT["report"]).lines(caution=2))
    assert len(fits(short)) <= 23 and "width left" in short and "Measure next" in short
    whole = (shop / "report.txt").read_text(encoding="utf-8")
    assert numbers_in(short.replace("All 8 checks", "")) <= numbers_in(whole) and "All 8 checks" in short


def test_an_hour_of_running_for_hardly_a_gain_is_no_plain_advice():
    words = {}
    for left in (0.84, 0.86):
        again = nextstep.Ranked(
            "run", "run it once more", 90.0, (267e-6, 321e-6), (270e-6, 270e-6 + left * 54e-6), left
        )
        words[left] = " ".join(next_lines([again], "x50", 1e-3))
    assert "run it once more (about 90 min), which narrows it most for" in words[0.84]
    assert "nothing brings much, so leave it if the band is narrow enough." in words[0.86]
    assert "86 % of its width" in words[0.86] and "brings much" not in words[0.84]


def test_what_is_left_on_disk(shop):
    names = sorted(p.name for p in shop.iterdir())
    assert "demo_run.card.toml" in names
    figures = sorted(p.name for p in (shop / "figures").iterdir())
    assert figures == ["calibration_parameters.png", "calibration_sizes.png"]
    assert not [n for n in names if n.endswith(".tmp")]


def test_a_calibrated_mill_with_a_key_changed_is_the_same_read_whole_or_not(shop):
    # Of a mill that changes are tried on the card is kept as it was read; nothing else is different.
    config = load_config(shop / "demo.toml", [f"calibration.card={shop / 'demo_run.card.toml'}"])
    keys = ("stator.gap=2 mm", "sieve.hole=0.5 mm")
    changed, anew = with_keys(config, keys), parse_config(config.text, overrides=keys)
    assert changed == anew and changed.calibration is config.calibration and changed.sha256 != config.sha256
    with pytest.raises(InputError, match="out of range"):
        with_keys(config, ("stator.gap=2 m",))


def test_a_card_is_not_overwritten(shop):
    before = (shop / "demo_run.card.toml").read_bytes()
    result = run("calibrate", shop / "demo_run.toml")
    assert result.exit_code == 2
    assert "--force" in result.stderr
    assert (shop / "demo_run.card.toml").read_bytes() == before


def test_a_calibration_stopped_while_drawing_goes_on_when_it_is_typed_again(own, monkeypatch):
    words, card = ("calibrate", own / "demo_run.toml", "--plots", own / "figs"), own / "demo_run.card.toml"
    kept = card.read_bytes()
    monkeypatch.setattr(whole, "calibrate_whole", lambda *_: KEPT["report"])
    monkeypatch.setattr("millsim.show.plots.calibration.save_calibration", lambda *_: ["one", "two"])
    result = run(*words)
    assert result.exit_code == 0, result.output
    assert "Kept before: " in result.stderr and "Drawn: 2 figures" in result.stderr
    assert card.read_bytes() == kept
    card.write_bytes(kept + b"# of mine")  # a card of these runs, and yet another
    result = run(*words)
    assert (result.exit_code, "--force" in result.stderr) == (2, True)
    assert card.read_bytes() == kept + b"# of mine"
    monkeypatch.setattr(whole, "calibrate_whole", lambda *_: pytest.fail("asked before the card was"))
    edit(own, 'loaded = "1305 W"', 'loaded = "1300 W"')  # another run
    for others in (words, ("calibrate", shutil.copy(own / "demo_run.toml", own / "b.toml"), "-o", card)):
        result = run(*others)
        assert (result.exit_code, "--force" in result.stderr) == (2, True)


def test_json_and_the_same_card_again(shop, tmp_path, monkeypatch):
    """That the same run and seed are calibrated to the same bits is tested with the calibration."""
    monkeypatch.setattr(whole, "calibrate_whole", lambda *args: KEPT["report"])
    out = tmp_path / "again.card.toml"
    result = run("calibrate", shop / "demo_run.toml", "-o", out, "--json")
    assert result.exit_code == 0
    told = json.loads(result.stdout)
    assert told["card"] == "again.card.toml"
    assert told["parameters"]["xw_min"]["determined"]
    assert told["effective_samples"] > 60
    low, _, high = told["answers"]["x50_m"]["after"]
    assert 1e-4 < low < high < 1e-3
    bare = [w for key in ("band_samples=0", "trace=false", "engine=balance") for w in ("--set", f"run.{key}")]
    for key, sets in (("before", ()), ("after", ("--set", f"calibration.card={out}"))):  # as `predict` has them
        said = json.loads(run("predict", shop / "demo.toml", *bare, *sets, "--json").stdout)
        found = (said["product"]["x50_m"], said["throughput_kg_s"])
        assert found == pytest.approx([told["answers"][n][key][1] for n in ("x50_m", "throughput_kg_s")], rel=1e-6)
    assert out.read_bytes() == (shop / "demo_run.card.toml").read_bytes()


def test_predict_with_the_card_says_so(shop):
    card = f"calibration.card={shop / 'demo_run.card.toml'}"
    result = run("predict", "--full", shop / "demo.toml", "--set", card, *FAST)
    assert result.exit_code == 0
    assert "How sure: calibrated on run acrylic offcuts" in result.stdout
    assert "millsim next" in result.stdout


# --- J12: dishonest data ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('product = "1150.4 g"', 'product = "1300 g"', "1300 g came out, more than the 1200 g fed"),
        ('loaded = "1305 W"', 'loaded = "100 W"', "below the idle power"),
        ('product = "demo_product_sieve.csv"', 'product = "nothing.csv"', "nothing.csv"),
    ],
)
def test_impossible_runs_end_in_one_sentence(own, old, new, says):
    result = run("calibrate", edit(own, old, new), "-o", own / "x.toml")
    assert result.exit_code == 2
    assert says in result.stderr
    assert "Traceback" not in result.stderr
    assert not (own / "x.toml").exists()


def test_a_sheet_that_sums_above_its_charge_is_refused(own):
    edit(own, "pan,3.48", "pan,8.48", "demo_product_sieve.csv")
    result = run("calibrate", own / "demo_run.toml", "-o", own / "x.toml")
    assert result.exit_code == 2
    assert "54.72" in result.stderr
    assert "50" in result.stderr


def test_lost_mass_is_not_calibrated_on_unasked(own):
    path = edit(own, 'product = "1150.4 g"', 'product = "1000 g"')
    result = run("calibrate", path, "-o", own / "x.toml")
    assert result.exit_code == 2
    assert "86.1 %" in result.stderr
    assert "--accept-losses" in result.stderr


def test_amperes_are_taken_as_an_upper_bound(own):
    path = edit(own, 'loaded = "1305 W"', 'amperes = "6.9 A"\nvolts = "230 V"')
    result = run("calibrate", path, "-o", own / "x.toml", "--json")
    assert result.exit_code == 0, result.stderr
    assert not any("loaded power" in c["text"] for c in json.loads(result.stdout)["checks"])


def test_every_bad_run_is_told_in_one_pass(own):
    shutil.copy(own / "demo_run.toml", own / "second.toml")
    edit(own, 'product = "1150.4 g"', 'product = "1300 g"')
    edit(own, 'milling = "20 min"', 'milling = "20 mn"', "second.toml")
    result = run("calibrate", own / "demo_run.toml", own / "second.toml", "-o", own / "x.toml")
    assert result.exit_code == 2
    assert "1300 g" in result.stderr
    assert "20 mn" in result.stderr


def test_nonsense_is_the_first_line_and_leaves_no_card(own, monkeypatch):
    """The feed's own sheet as the product's: no parameters make such a powder through such a sieve."""
    real, found = whole.calibrate_whole, []

    def once(*args):  # both commands calibrate on the same run with the same seed
        found.extend([] if found else [real(*args)])
        return found[0]

    monkeypatch.setattr(whole, "calibrate_whole", once)
    edit(own, 'product = "demo_product_sieve.csv"', 'product = "offcuts_sieve.csv"')
    result = run("calibrate", own / "demo_run.toml", "-o", own / "x.toml")
    assert result.exit_code == 3
    assert result.stdout.startswith("LOOK: the model does not follow these data")
    assert "It narrows" not in result.stdout
    assert not (own / "x.toml").exists()
    result = run("calibrate", own / "demo_run.toml", "-o", own / "x.toml", "--write-anyway")
    assert result.exit_code == 3
    told = run("predict", "--full", own / "demo.toml", "--set", f"calibration.card={own / 'x.toml'}", *FAST)
    assert "failed its checks" in told.stdout


def test_the_same_run_or_sheet_does_not_count_twice(own):
    result = run("calibrate", own / "demo_run.toml", own / "demo_run.toml", "-o", own / "x.toml")
    assert result.exit_code == 2
    assert "count twice" in result.stderr
    sheets = '["demo_product_sieve.csv", "demo_product_sieve.csv"]'
    edit(own, 'product = "demo_product_sieve.csv"', f"product = {sheets}")
    result = run("calibrate", own / "demo_run.toml", "-o", own / "x.toml")
    assert result.exit_code == 2
    assert "the same sieving twice" in result.stderr


def test_the_run_sheet_is_not_overwritten_by_its_card(own):
    before = (own / "demo_run.toml").read_bytes()
    result = run("calibrate", own / "demo_run.toml", "-o", own / "demo_run.toml", "--force")
    assert result.exit_code == 2
    assert "run sheet itself" in result.stderr
    assert (own / "demo_run.toml").read_bytes() == before


@pytest.mark.parametrize("command", ["predict", "run"])
def test_a_card_in_the_wrong_place_is_one_sentence(shop, command):
    result = run(command, shop / "demo_run.card.toml")
    assert result.exit_code == 2
    assert len(result.stderr.splitlines()) == 1
    assert "is a calibrated card" in result.stderr


def test_a_calibrated_mill_compared_with_its_own_run_proves_nothing(shop, tmp_path):
    path = tmp_path / "own.h5"
    card = f"calibration.card={shop / 'demo_run.card.toml'}"
    result = run("predict", shop / "demo.toml", "--set", card, "--out", path, *FAST)
    assert result.exit_code == 0
    assert "on this very run" in " ".join(run("compare", path, shop / "demo_run.toml").stdout.split())


def test_a_card_knows_its_runs_by_what_they_measured(shop, own, tmp_path):
    """Another run whose name is part of the first's is another run; the same run renamed is the same run."""
    path = tmp_path / "own.h5"
    card = f"calibration.card={shop / 'demo_run.card.toml'}"
    assert run("predict", shop / "demo.toml", "--set", card, *FAST, "--out", path).exit_code == 0

    def very_run():
        return "on this very run" in " ".join(run("compare", path, own / "demo_run.toml").stdout.split())

    name = "acrylic offcuts, third batch of the evening"
    edit(own, f'name = "{name}"', 'name = "batch"')
    edit(own, "[air]", "# the mill's config now names the card\n[air]", "demo.toml")
    edit(own, "[feed]", f'[calibration]\ncard = "{shop / "demo_run.card.toml"}"\n[feed]', "demo.toml")
    assert very_run()  # renamed, and its config names the card, as it should
    edit(own, 'loaded = "1305 W"', 'loaded = "1306 W"')
    assert not very_run()  # "batch" is a part of the first run's name
    text = (shop / "demo_run.card.toml").read_text(encoding="utf-8")
    hashes = next(line for line in text.splitlines() if line.startswith("run_hashes"))
    (tmp_path / "old.card.toml").write_text(text.replace(hashes + "\n", ""), encoding="utf-8")
    card = f"calibration.card={tmp_path / 'old.card.toml'}"
    assert run("predict", shop / "demo.toml", "--set", card, *FAST, "--out", path, "--force").exit_code == 0
    assert not very_run()  # an older card goes by the whole name
    edit(own, 'name = "batch"', f'name = "{name}"')
    assert very_run()


# --- compare ---------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def stored(shop):
    path = shop / "demo.h5"
    result = run(
        "predict", shop / "demo.toml", "--set", "feed.rate=2.7 kg/h", "--set", "air.room=21 °C", "--out", path,
        "--engine", "balance", "--set", "run.trace=false",
    )  # fmt: skip
    assert result.exit_code == 0, result.output  # of the run's 3.6 kg/h the card's own values would take 3
    return path


@pytest.fixture(scope="module")
def slow(shop):
    """The run as if fed 2.7 kg/h, the rate of the stored prediction."""
    text = (shop / "demo_run.toml").read_text(encoding="utf-8")
    for old, new in (('fed = "1200.0 g"', 'fed = "900.0 g"'), ('product = "1150.4 g"', 'product = "855 g"')):
        assert old in text
        text = text.replace(old, new)
    path = shop / "slow_run.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_compare_counts_judges_and_changes_nothing(shop, stored, slow):
    digest = hashlib.sha256(stored.read_bytes()).hexdigest()
    result = run("compare", stored, slow, "--plots", shop / "figures")
    assert result.exit_code == 0, result.output
    first = result.stdout.splitlines()[0]
    assert "sieves lie inside the 80 % band" in first
    assert "Nothing was fitted." in " ".join(result.stdout.split())
    fits(result.stdout)
    full = run("compare", stored, slow, "--full").stdout
    assert "nothing was fitted" in " ".join(full.split())
    assert "finer than 1 mm" in full
    assert hashlib.sha256(stored.read_bytes()).hexdigest() == digest
    assert (shop / "figures" / "comparison.png").stat().st_size > 10_000


def test_compare_json_agrees_with_its_own_count(stored, slow):
    told = json.loads(run("compare", stored, slow, "--json").stdout)
    sieves = [p for p in told["points"] if p["name"].startswith("Q3")]
    counted = [p for p in sieves if 0.005 < p["measured"] < 0.995 or 0.005 < p["predicted"] < 0.995]
    assert told["sieves_counted"] == len(counted)
    assert told["sieves_inside"] == sum(p["inside"] for p in counted)
    assert told["differing"] == []


def test_compare_names_what_differs(own, stored, slow):
    path = edit(own, "overrides = []", 'overrides = ["stator.gap=2 mm"]')
    told = json.loads(run("compare", stored, path, "--json").stdout)
    assert ["stator.gap", "3 mm", "2 mm"] in told["differing"]
    text = run("compare", stored, own / "demo_run.toml").stdout
    text = " ".join(text.split())
    assert "another feed rate: not judged" in text
    assert re.search(r"of the size held( in part)?, at another rate \(3.6 kg/h run, 2.7 predicted\)", text)
    same = " ".join(run("compare", stored, slow).stdout.split())
    assert "of the size held" in same
    assert "at another rate" not in same


def test_air_and_powder_are_compared_under_their_own_names(own, stored, slow):
    """One thermometer in the air, one in the powder: each against its own figure, none against the warmer of both."""
    text = (own / slow.name).read_text(encoding="utf-8")
    (own / slow.name).write_text(text.replace('# product = "60 °C"', 'product = "90 °C"'), encoding="utf-8")
    told = json.loads(run("compare", stored, own / slow.name, "--json").stdout)
    points = {p["name"]: p for p in told["points"]}
    assert "outlet_temperature_K" not in points
    assert points["air_temperature_K"]["measured"] == pytest.approx(331.15)
    powder = points["powder_temperature_K"]
    assert powder["measured"] == pytest.approx(363.15) and not powder["inside"]
    assert powder["predicted"] != points["air_temperature_K"]["predicted"]
    assert "temperature of the powder" in " ".join(run("compare", stored, own / slow.name).stdout.split())


def test_a_bad_prediction_is_told(own, stored, slow):
    rows = ["aperture_mm,retained_g", "1.0,10", "0.71,15", "0.5,15", "0.355,5", "0.25,3", "pan,2"]
    (own / "demo_product_sieve.csv").write_text("\n".join(rows), encoding="utf-8")
    lines = run("compare", stored, own / slow.name).stdout
    fits(lines)
    text = " ".join(lines.split())
    assert "did not hold: the powder is coarser" in text
    assert "charge slips past the sieve" in text  # coarser than the holes let through


# --- next ------------------------------------------------------------------------------------------------


def test_next_ranks_with_effort_and_band(shop):
    result = run("next", shop / "demo.toml", "--for", "rate")
    assert result.exit_code == 0, result.output
    text = " ".join(result.stdout.split())
    assert text.startswith("Measure next, for rate:")
    assert "min" in text
    assert "kg/h" in text
    told = json.loads(run("next", shop / "demo.toml", "--for", "rate", "--json").stdout)
    assert told["hardly"] and f"Would hardly help (narrower by under 2 %): {told['hardly'][0]}" in text
    assert not {r["name"] for r in told["next"]} & set(told["hardly"])
    assert "note" not in told
    per_minute = [r["per_minute"] for r in told["next"]]
    assert per_minute == sorted(per_minute, reverse=True)
    assert all(0.0 < r["left"] < 1.0 for r in told["next"])
    assert all(r["per_minute"] == pytest.approx(-math.log(r["left"]) / r["minutes"]) for r in told["next"])


@pytest.mark.parametrize("settings", [(), ("feed.material=ps",), ("feed.rate=1 kg/h", "sieve.hole=1 mm")])
def test_predict_names_what_next_names_first(shop, tmp_path, settings):
    """One ranking: on the terminal, in the file and in JSON, whatever the seed of the prediction."""
    sets = [w for s in ("run.band_samples=16", "run.class_ratio=1.3", *settings) for w in ("--set", s)]
    kept = tmp_path / "p.h5"
    result = run("predict", shop / "demo.toml", "--seed", "7", "--engine", "balance", *sets, "--out", kept)
    assert result.exit_code == 0, result.output
    first, *others = json.loads(run("next", shop / "demo.toml", "--json", *sets).stdout)["next"]
    text = " ".join(result.stdout.split())
    told = re.search(r"Measure next: (.*?) \(about (\d+) min\)", text)
    assert (told[1].lower(), float(told[2])) == (first["how"].lower(), first["minutes"])
    advised = read.read(kept).advised
    assert (advised.name, advised.left) == (first["name"], pytest.approx(first["left"]))
    assert not any(o["how"] in text for o in others)


@pytest.mark.parametrize(
    ("settings", "says"),
    [
        (("feed.material=pe_pp", "rotor.edge=blunt"), "The mill hardly grinds"),
        (
            ("limits.outlet_temperature=25 °C", "air.room=24 °C", "feed.temperature=24 °C"),
            "The mill cannot run like this: even with next to no feed, outlet temperature",
        ),
        (("drive.rated_power=40 W",), "The mill cannot run like this: even with next to no feed, shaft power"),
    ],
)
def test_of_a_mill_that_does_not_run_both_say_the_same(shop, settings, says):
    """Nothing to rank: that, and what predict says may be measured; the same exit code."""
    sets = [w for s in ("run.band_samples=8", "run.class_ratio=1.5", *settings) for w in ("--set", s)]
    told = run("next", shop / "demo.toml", *sets)
    text = re.sub(r" Caution: .*? come first\.", "", " ".join(told.stdout.split()), count=1)
    assert told.exit_code == 3 and text.startswith(says), told.output
    predicted = run("predict", shop / "demo.toml", "--full", "--engine", "balance", *sets)
    assert predicted.exit_code == 3
    first = text[text.index("Measure next: ") :]
    assert first in " ".join(predicted.stdout.split())
    as_json = json.loads(run("next", shop / "demo.toml", *sets, "--json").stdout)
    assert as_json["next"] == [] and as_json["note"] == text


def test_where_hardly_a_draw_runs_both_say_the_same(shop, monkeypatch):
    monkeypatch.setattr(nextstep, "LEAST_DRAWS", 10**6)
    sets = [w for s in ("run.band_samples=8", "run.class_ratio=1.5") for w in ("--set", s)]
    told = run("next", shop / "demo.toml", *sets)
    text = re.sub(r" Caution: .*? come first\.", "", " ".join(told.stdout.split()), count=1)
    assert told.exit_code == 3 and re.match(r"Only \d+ of \d+ draws of the parameters run", text)
    predicted = run("predict", shop / "demo.toml", "--full", "--engine", "balance", *sets)
    assert f"Measure next: {text[0].lower()}{text[1:]}" in " ".join(predicted.stdout.split())


def test_a_prediction_without_a_band_ranks_nothing(shop):
    sets = ("--set", "run.band_samples=0", "--engine", "balance")
    text = " ".join(run("predict", shop / "demo.toml", *sets).stdout.split())
    assert "Measure next: `millsim next` with this config ranks what would narrow the band most." in text


def test_a_reading_bears_the_run_it_needs(shop):
    """Nothing of a run is free: what needs one takes at least its minutes."""
    ranked = {r["name"]: r["minutes"] for r in json.loads(run("next", shop / "demo.toml", "--json").stdout)["next"]}
    assert ranked["product size"] == 70
    assert all(minutes >= 30 for name, minutes in ranked.items() if name not in ("drop test", "idle power", "air flow"))


def test_next_says_that_it_plans_a_steady_run_for_a_batch():
    text = " ".join(run("next", CONFIGS / "batch.toml").stdout.split())
    assert text.startswith("This config is a batch: what follows is planned for a run of this mill with a steady")
    assert 0.1 < float(re.search(r"a steady feed of ([\d.]+) kg/h", text)[1]) < 2.0


def test_next_refuses_an_unknown_question(shop):
    assert run("next", shop / "demo.toml", "--for", "colour").exit_code == 2
