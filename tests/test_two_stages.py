"""The product of one mill as the feed of the next: as it is, by content, refused in a sentence; lines of two mills."""

from dataclasses import replace

import h5py
import mills
import numpy as np
import pytest

from millsim.base.numerics import psd
from millsim.errors import InputError
from millsim.forecast.run import predict
from millsim.mill.config.mill import load_config
from millsim.mill.problem import build
from millsim.record import write
from millsim.record.limits import CANNOT, OK, OVER
from millsim.studies.circuit.line import ASKED, FIRST, SECOND, line
from millsim.studies.circuit.loop import NO_SIEVE, closed, once
from millsim.studies.circuit.turns import SieveCut

QUICK = ("run.band_samples=0", "run.trace=false")
COARSE = ("sieve.hole=2 mm", "sieve.pitch=4 mm", *QUICK)  # the first mill: the demo with wide holes
FINE = ("sieve.hole=0.5 mm", "sieve.pitch=1 mm", *QUICK)


@pytest.fixture(scope="module")
def first():
    """Prediction of a coarse first mill."""
    return predict(mills.config("demo", "feed.rate=1 kg/h", *COARSE), engine="balance")


@pytest.fixture(scope="module")
def stored(first, tmp_path_factory):
    path = tmp_path_factory.mktemp("first") / "coarse.h5"
    write.write(first, path)
    return path


def second(path, *more):
    return load_config(mills.CONFIGS / "demo.toml", ["feed.size.kind=product", f"feed.size.file={path}", *FINE, *more])


def refusal(path):
    with pytest.raises(InputError) as caught:
        second(path)
    (problem,) = caught.value.problems
    return str(problem)


def test_the_product_is_the_feed_class_by_class(first, stored):
    # On the second mill's own classes: Q3 at each bound is Q3 of the product there, between its bounds on a line in
    # ln x, and not one gram is lost or fitted away.
    problem = build(second(stored))
    table = first.main.table
    q3 = np.interp(np.log(problem.edges), np.log(table.edges_m), table.product_q3)
    np.testing.assert_allclose(np.concatenate([[0.0], np.cumsum(problem.feed)]), q3, atol=1e-12)
    assert problem.feed.sum() == pytest.approx(1.0, abs=1e-12)


def test_sizes_of_the_feed_are_those_of_the_product(first, stored):
    size = second(stored).feed.size
    for share, name in ((0.1, "x10_m"), (0.5, "x50_m"), (0.9, "x90_m")):
        x = psd.curve_x_at(size.sheet_apertures_m, size.sheet_q3, share)
        assert x == pytest.approx(first.main.scalars[name].value, rel=1e-9)


def test_second_mill_grinds_it_finer(first, stored):
    fine = predict(second(stored, "feed.rate=1 kg/h"), engine="balance")
    assert fine.main.scalars["x50_m"].value < first.main.scalars["x50_m"].value
    straight = predict(mills.config("demo", "feed.rate=1 kg/h", *FINE), engine="balance")
    # What has been broken before needs less of the second mill than the offcuts themselves.
    assert fine.main.scalars["net_J_kg"].value < straight.main.scalars["net_J_kg"].value


def test_hash_counts_the_content_not_the_name(first, stored, tmp_path):
    own = second(stored).sha256
    moved = tmp_path / "another name.h5"
    moved.write_bytes(stored.read_bytes())
    assert second(moved).sha256 == own
    other = predict(mills.config("demo", "feed.rate=1.2 kg/h", *COARSE), engine="balance")
    write.write(other, moved, force=True)
    assert second(moved).sha256 != own


def test_a_kept_config_needs_the_file_no_more(first, stored, tmp_path):
    from millsim.mill.config.mill import parse_config

    path = tmp_path / "gone.h5"
    path.write_bytes(stored.read_bytes())
    config = second(path)
    path.unlink()
    again = parse_config(config.text)
    assert again.sha256 == config.sha256
    np.testing.assert_array_equal(build(again).feed, build(config).feed)


# --- refused ---------------------------------------------------------------------------------------------


def test_missing_foreign_and_older_files_are_one_sentence(stored, tmp_path):
    assert "there is no such file" in refusal(tmp_path / "none.h5")
    text = tmp_path / "text.h5"
    text.write_text("x50 = 1 mm")
    assert "not" in refusal(text) and "\n" not in refusal(text)
    old = tmp_path / "old.h5"
    old.write_bytes(stored.read_bytes())
    with h5py.File(old, "r+") as file:
        file.attrs["format_version"] = "0.1"
    assert "0.1" in refusal(old)
    cut = tmp_path / "cut.h5"
    cut.write_bytes(stored.read_bytes()[:-2000])
    assert "\n" not in refusal(cut)


def test_another_plastic_is_refused(stored):
    with pytest.raises(InputError, match="the second mill would grind a different plastic"):
        second(stored, "feed.material=pla")


def test_no_product_of_a_mill_that_cannot_run(tmp_path):
    hot = mills.config("demo", "limits.outlet_temperature=21 °C", *QUICK)
    write.write(predict(hot, engine="balance"), tmp_path / "hot.h5")
    assert "cannot run, so there is no product" in refusal(tmp_path / "hot.h5")


# --- a line of two mills ---------------------------------------------------------------------------------


def coarse(rate="1 kg/h", *more):
    return mills.config("demo", f"feed.rate={rate}", *COARSE, *more)


FINER = mills.config("demo", *FINE)


def test_line_is_the_two_predictions_one_after_the_other(stored):
    # The line by itself and the two-step way over a stored file: the same mill, the same powder.
    by_file = once(second(stored, "feed.rate=1 kg/h"), 30e-3)
    found = line(coarse(), FINER)
    assert (found.code, found.binds) == (OK, ASKED)
    assert found.second.x50_m == pytest.approx(by_file.x50_m, rel=1e-6)
    assert found.second.outlet_temperature_K == pytest.approx(by_file.outlet_temperature_K, rel=1e-6)
    watts = found.first.electrical_W + found.second.electrical_W
    assert found.gross_J_kg == pytest.approx(watts / found.accepted_kg_s, rel=1e-12)
    assert found.accepted_kg_s == pytest.approx(1.0 / 3600.0, rel=1e-9)


def test_slower_mill_sets_the_rate():
    strong = replace(FINER, drive=replace(FINER.drive, rated_power_W=20 * FINER.drive.rated_power_W))
    first_binds = line(coarse("as fast as it can grind", "drive.rated_power=200 W"), strong)
    assert first_binds.binds == FIRST
    assert first_binds.rate_kg_s == pytest.approx(first_binds.first_alone_kg_s, rel=1e-9)
    second_binds = line(coarse("as fast as it can grind"), FINER)
    assert second_binds.binds == SECOND and second_binds.code == OK
    assert second_binds.rate_kg_s < second_binds.first_alone_kg_s
    assert second_binds.second.outcome.loads.max() == pytest.approx(1.0, abs=2e-3)
    # Both run at one rate: what the first gives is what the second is fed.
    assert second_binds.first.total_kg_s == pytest.approx(second_binds.second.fresh_kg_s, rel=1e-6)


def test_more_than_the_line_takes():
    found = line(coarse("30 kg/h"), FINER)
    assert found.code == OVER
    assert found.rate_kg_s == pytest.approx(line(coarse("as fast as it can grind"), FINER).rate_kg_s, rel=1e-3)


def test_a_sieve_after_the_second_mill_closes_there(stored):
    found = line(coarse(), FINER, SieveCut(0.4e-3))
    alone = closed(second(stored, "feed.rate=1 kg/h"), 0.4e-3)
    assert found.second.closed and not found.first.closed
    assert found.second.circulating_load == pytest.approx(alone.circulating_load, rel=1e-5)
    assert found.second.accepted_q3[found.second.edges_m >= 0.4e-3 * (1 - 1e-9)].min() == pytest.approx(1.0, abs=1e-12)


def test_a_line_of_mills_that_cannot_run_says_which():
    hot = "limits.outlet_temperature=21 °C"
    found = line(coarse("1 kg/h", hot), FINER)
    assert found.code == CANNOT and found.second is None and found.reason.startswith("first mill: ")
    found = line(coarse(), mills.config("demo", *FINE, hot))
    assert found.code == CANNOT and found.reason.startswith("second mill: ")
    assert np.isinf(found.gross_J_kg)


def test_lines_refuse_batches_and_other_plastics_in_one_pass():
    with pytest.raises(InputError) as caught:
        line(mills.config("batch"), mills.config("demo", "feed.material=pla"), NO_SIEVE)
    said = str(caught.value)
    assert "is a batch" in said and "different plastic" in said
