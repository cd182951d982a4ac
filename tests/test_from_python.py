"""What Python and a notebook get of a prediction: a path is enough, and it shows itself."""

import math
from pathlib import Path

import numpy as np
import pytest

import millsim
from millsim.errors import InputError
from millsim.record.prediction import Prediction

CONFIGS = Path(__file__).resolve().parent.parent / "configs"
QUICK = ["run.band_samples=8", "run.trace=false", "run.class_ratio=1.4"]


@pytest.fixture(scope="module")
def found():
    return millsim.predict(str(CONFIGS / "demo.toml"), engine="balance", settings=QUICK)


def test_a_path_is_enough_and_is_the_same_mill(found):
    loaded = millsim.predict(millsim.load_config(CONFIGS / "demo.toml", QUICK), "balance", found.seed)
    assert isinstance(found, Prediction)
    assert found.scalars == loaded.scalars and found.config_sha256 == loaded.config_sha256
    with pytest.raises(TypeError, match="load_config"):
        millsim.predict(millsim.load_config(CONFIGS / "demo.toml"), settings=QUICK)
    with pytest.raises(InputError, match="stator"):
        millsim.predict(CONFIGS / "demo.toml", settings=["stator.gap=2 parsecs"])
    with pytest.raises(InputError, match="parsecs") as caught:  # one setting by itself
        millsim.predict(CONFIGS / "demo.toml", settings="stator.gap=2 parsecs")
    assert len(caught.value.problems) == 1


def test_it_shows_itself_in_a_line_and_as_html(found):
    line = repr(found)
    assert line.startswith("<Workshop acrylic mill: ") or line.startswith("<workshop acrylic mill: ")
    assert "x50 0." in line and "kWh/kg" in line and "\n" not in line and len(line) < 200
    page = found._repr_html_()
    assert page.count("<table") >= 3 and "half by mass is finer" in page and "<html" not in page


def test_columns_are_what_pandas_takes(found):
    pandas = pytest.importorskip("pandas")
    frame = pandas.DataFrame(found.table()).set_index("output")
    assert frame.loc["x50_m", "value"] == found.scalars["x50_m"].value
    assert frame.loc["x50_m", "low"] < frame.loc["x50_m", "value"] < frame.loc["x50_m", "high"]
    sizes = pandas.DataFrame(found.table("sizes"))
    assert len(sizes) == len(found.main.table.edges_m) and {"product_q3", "feed_q3", "holdup_q3"} <= set(sizes)
    assert set(pandas.DataFrame(found.table("parameters"))["basis"]) >= {"assumed"}
    with pytest.raises(ValueError, match="there is no table \"?'?x"):
        found.table("x")


def test_xarray_and_figures(found):
    pytest.importorskip("xarray")
    tree = found.to_xarray()
    assert float(tree["scalars/x50_m"]) == found.scalars["x50_m"].value
    assert found.figures == ["size_cumulative", "size_density", "rates", "energy_ledger", "temperature"]
    assert found.plot().axes
    with pytest.raises(ValueError, match="there is no figure 'torque_speed'"):
        found.plot("torque_speed")


def test_kept_and_read_again(found, tmp_path):
    found.save(tmp_path / "a.h5")
    again = millsim.read_result(tmp_path / "a.h5")
    assert repr(again) == repr(found) and np.array_equal(again.table("sizes")["edges_m"], found.main.table.edges_m)
    with pytest.raises(InputError, match="exists already"):
        found.save(tmp_path / "a.h5")


def test_a_mill_that_does_not_run_says_so_in_its_line():
    cold = millsim.predict(CONFIGS / "demo.toml", "balance", settings=[*QUICK, "limits.outlet_temperature=21 °C"])
    assert "cannot run" in repr(cold) and "x50" not in repr(cold)
    assert math.isnan(cold.main.scalars["x50_m"].value) or "x50" not in cold._repr_html_()


def test_the_public_names_are_listed():
    assert {"predict", "load_config", "read_result", "solve_steady", "solve_batch"} <= set(dir(millsim))
