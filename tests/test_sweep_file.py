"""The sweep file opens in general tools with named axes that have units, reads back whole, and refuses the rest."""

import csv
import io
import shutil
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest
import sweeps
from lazily import later

from millsim.base.numerics import psd
from millsim.errors import ResultFileError
from millsim.explore.sweep import gather, read, runner, tidy, write
from millsim.explore.sweep.journal import open_journal
from millsim.explore.sweep.plan import read_plan
from millsim.explore.sweep.points import config_at
from millsim.explore.sweep.record import SIZES_M, Failure
from millsim.record import missing
from millsim.record.files import write_bytes
from millsim.record.limits import LIMITS
from millsim.record.outputs import OUTPUTS
from millsim.record.read import CHECKSUM, content_sha256
from millsim.show.words import sweep

xarray = later("xarray")
pint = later("pint")

CONFIGS = Path(__file__).resolve().parent.parent / "configs"
AXES = """
[[axis]]
key = "stator.gap"
values = ["2 mm", "4 mm"]
[[axis]]
key = "rotor.edge"
values = ["blunt", "toothed"]
[[axis]]
key = "sieve.hole"
values = ["0.5 mm", "0.6 mm", "1.3 mm"]
along = { "sieve.thickness" = ["0.5 mm", "0.6 mm", "0.8 mm"] }
"""  # with the demo's pitch of 1.2 mm the last hole contradicts: those points fail


def swept(folder, head, axes=AXES):
    """A sweep really computed."""
    text = f'[sweep]\nconfig = "{CONFIGS / "demo.toml"}"\nclass_ratio = 1.4\n{head}\n{axes}'
    (folder / "s.toml").write_text(text, encoding="utf-8")
    plan = read_plan(folder / "s.toml")
    with open_journal(folder / "s.points") as journal:
        runner.run(plan, journal, workers=2)
        return gather.collect(plan, journal)


@pytest.fixture(scope="module")
def grid(tmp_path_factory):
    return swept(tmp_path_factory.mktemp("grid"), "draws = 8")


@pytest.fixture(scope="module")
def file(grid, tmp_path_factory):
    path = tmp_path_factory.mktemp("file") / "s.h5"
    write.write(grid, path)
    return path


@pytest.mark.parametrize("engine", ["h5netcdf", "netcdf4"])
def test_xarray_finds_named_axes_with_units(file, grid, engine):
    with xarray.open_dataset(file, engine=engine) as data:
        assert data["x50_m"].dims == ("stator_gap", "rotor_edge", "sieve_hole")
        assert data["stator_gap"].attrs["units"] == "m"
        assert data["stator_gap"].attrs["long_name"] == "bar tip to pin or wall"
        assert data["rotor_edge"].values.tolist() == ["blunt", "toothed"]
        assert data["sieve_thickness"].dims == ("sieve_hole",)
        assert data["x50_m_draw"].dims[-1] == "draw"
        assert data["load_draw"].dims == (*data["x50_m"].dims, "draw", "limit")
        assert data["product_q3"].dims[-1] == "size"
        assert data["size"].attrs["units"] == "m"
        one = data["x50_m"].sel(stator_gap=2e-3, rotor_edge="toothed").sel(sieve_hole=5e-4, method="nearest")
        assert float(one) == grid.points.values["x50_m"][3]
        assert all(v.attrs.get("units") and v.attrs.get("long_name") for v in data.variables.values())
        assert data.attrs["model_version"] == grid.model_version
        assert set(data["status"].attrs["flag_meanings"].split()) >= {"ok", "failed", "cannot_run"}
        built = data["x50_m"].isel(sieve_hole=2)
        assert np.all(np.isnan(built))  # the contradiction is no number
        band = data[["x50_m_low", "x50_m_high"]].isel(sieve_hole=0)
        assert bool((band["x50_m_low"] < band["x50_m_high"]).all())


@pytest.mark.parametrize("engine", ["h5netcdf", "netcdf4"])
def test_groups_open_too(file, engine):
    with xarray.open_datatree(file, engine=engine) as tree:
        assert float(tree["as_built"]["x50_m"]) > 0.0
        assert tree["tornado"]["x50_m_up"].dims == ("tornado_parameter",)
        assert "contradiction" in str(tree["failed"]["reason"].values[0])


def test_a_sampled_design_has_its_axes_over_the_points(tmp_path):
    axes = '[[axis]]\nkey = "stator.gap"\nfrom = "1 mm"\nto = "6 mm"\n'
    axes += '[[axis]]\nkey = "drive.speed"\nfrom = "7000 rpm"\nto = "12000 rpm"\n'
    s = swept(tmp_path, 'design = "sobol"\npoints = 8', axes)
    write.write(s, tmp_path / "s.h5")
    with xarray.open_dataset(tmp_path / "s.h5") as data:
        assert data["x50_m"].dims == data["stator_gap"].dims == ("point",)
        assert data["drive_speed"].attrs["units"] == "rad/s"
        assert np.array_equal(data["stator_gap"], s.settings(0))
    again = read.read(tmp_path / "s.h5")
    assert again.axes == s.axes
    assert config_at(again, 5).stator.gap_m == s.axes[0].values[5]


def test_replicates_are_an_axis_of_seeds(tmp_path):
    head = 'engine = "montecarlo"\nreplicates = 2\nseed = 5\n[set]\n"run.histories" = 200\n'
    s = swept(tmp_path, head, '[[axis]]\nkey = "stator.gap"\nvalues = ["2 mm", "3 mm"]\n')
    write.write(s, tmp_path / "s.h5")
    with xarray.open_dataset(tmp_path / "s.h5") as data:
        assert data["x50_m"].dims == ("stator_gap", "replicate")
        assert data["replicate"].values.tolist() == [5, 6]
        assert bool((data["x50_m_se"] > 0).all())
        assert bool((data["x50_m"][:, 0] != data["x50_m"][:, 1]).all())


def test_a_file_of_a_version_that_kept_no_kinds_opens(grid, file, tmp_path):
    old = Path(shutil.copy(file, tmp_path / "old.h5"))
    with h5py.File(old, "r+") as f:
        del f["failed/kind"]
        f.attrs["format_version"] = "1.0"
        f.attrs[CHECKSUM] = content_sha256(f, f.attrs["status"])
    texts = {i: Failure(r.text, r.text) for i, r in grid.points.reason.items()}
    assert read.read(old).points.reason == texts and texts


def test_reads_back_the_same(grid, file):
    again = read.read(file)
    assert (again.axes, again.shape, again.points.reason) == (grid.axes, grid.shape, grid.points.reason)
    assert any(r.kind != r.text for r in again.points.reason.values())
    assert np.array_equal(again.identity, grid.identity)
    for name in OUTPUTS:
        assert np.array_equal(again.points.values[name], grid.points.values[name], equal_nan=True)
        assert np.array_equal(again.points.draws[name], grid.points.draws[name], equal_nan=True)
        assert again.as_built.values[name] == grid.as_built.values[name]
    assert np.array_equal(again.points.draw_q3, grid.points.draw_q3, equal_nan=True)
    assert np.array_equal(again.points.loads, grid.points.loads, equal_nan=True)
    assert again.points.draw_loads.shape == (12, 8, len(LIMITS))
    assert np.array_equal(again.points.draw_loads, grid.points.draw_loads, equal_nan=True)
    assert np.array_equal(again.as_built.draw_loads, grid.as_built.draw_loads)
    assert again.tornado.parameters == grid.tornado.parameters
    assert again.class_error == grid.class_error


def test_the_same_sweep_is_the_same_bytes(grid):
    assert write.to_bytes(grid) == write.to_bytes(grid)


def test_a_point_of_the_file_is_a_config_again(file, grid):
    again = read.read(file)
    config = config_at(again, 4)
    assert (config.stator.gap_m, config.rotor.edge, config.sieve.hole_m) == (2e-3, "toothed", 6e-4)
    assert config.sieve.thickness_m == 6e-4


def test_q3_on_the_kept_sizes_gives_the_quantiles(grid):
    # x50 read off the kept Q3 against that of the full curve: both are lines in ln x, between bounds 12 to 40 % apart.
    for i in (0, 1, 3):
        edges, q3 = SIZES_M, grid.points.q3[i].astype(float)
        top = int(np.argmax(q3 >= q3.max()))
        assert psd.x_at(edges[: top + 1], q3[: top + 1], 0.5) == pytest.approx(grid.points.values["x50_m"][i], rel=0.02)
    assert np.all(np.diff(grid.points.q3[0]) >= 0)


def test_the_tidy_table_has_one_row_per_point(grid):
    rows = list(csv.DictReader(io.StringIO("".join(tidy.tidy_parts(grid)))))
    assert len(rows) == 12
    assert rows[3]["stator.gap [mm]"] == "2"
    assert rows[3]["rotor.edge"] == "toothed"
    assert rows[1]["sieve.thickness [mm]"] == "0.6"
    assert float(rows[0]["x50_um"]) == pytest.approx(1e6 * grid.points.values["x50_m"][0], rel=1e-5)
    assert float(rows[0]["throughput_g_h"]) == pytest.approx(3.6e6 * grid.points.values["throughput_kg_s"][0], rel=1e-5)
    assert float(rows[0]["outlet_C"]) == pytest.approx(grid.points.values["outlet_temperature_K"][0] - 273.15, rel=1e-5)
    assert rows[2]["status"] == "failed"
    assert rows[2]["reason"].startswith("contradiction: sieve.pitch")
    assert rows[2]["x50_um"] == rows[2]["binding"] == ""
    assert rows[0]["binding"] in LIMITS
    assert len({r["point_hash"] for r in rows}) == 12
    assert {r["base_config_sha256"] for r in rows} == {grid.base_sha256}
    assert float(rows[0]["x50_um_low"]) <= float(rows[0]["x50_um_high"])


def test_every_column_of_the_tidy_table_is_in_the_unit_of_its_name(grid):
    # Against pint, a general library of units. A sweep whose values are all one number in SI.
    ureg = pint.UnitRegistry()
    units = {"um": "micrometer", "g_h": "gram/hour", "g": "gram", "kWh_kg": "kWh/kg", "W": "watt", "C": "degC",
             "m3_h": "m^3/hour", "m_s": "m/s", "s": "second"}  # fmt: skip
    row = next(csv.DictReader(io.StringIO("".join(tidy.tidy_parts(grid)))))
    checked = 0
    for name, (output, _, _) in tidy._COLUMNS.items():
        unit = next((u for u in sorted(units, key=len, reverse=True) if name.endswith(f"_{u}")), None)
        si = OUTPUTS[output].si
        value = grid.points.values[output][0]
        if unit is not None:
            value = ureg.Quantity(value, si.replace("m3", "m^3")).to(units[unit]).magnitude
            checked += 1
        assert float(row[name]) == pytest.approx(value, rel=1e-5), name
    assert checked >= 12


def test_the_tidy_table_is_made_in_parts(grid, monkeypatch):
    whole = "".join(tidy.tidy_parts(grid))
    monkeypatch.setattr(tidy, "PART", 5)
    parts = list(tidy.tidy_parts(grid))
    assert len(parts) == 3 and "".join(parts) == whole


def test_bands_are_those_of_predict():
    from millsim.base.numerics.statistics import quantile
    from millsim.forecast.band import band_of

    rng = np.random.default_rng(3)
    draws = rng.lognormal(size=(40, 16))
    draws[rng.random(draws.shape) < 0.2] = np.nan
    draws[rng.random(draws.shape) < 0.1] = np.inf
    draws[0] = np.nan
    for row, low, high in zip(draws, quantile(draws, 0.1), quantile(draws, 0.9), strict=True):
        assert (low, high) == pytest.approx(band_of(row, np.ones(16, bool)), nan_ok=True)


# --- refusals ------------------------------------------------------------------------------------------------


def refusal(path):
    with pytest.raises(ResultFileError) as caught:
        read.read(path)
    return str(caught.value)


def test_a_result_file_is_not_a_sweep(tmp_path):
    import helpers

    from millsim.record import write as results

    results.write(helpers.fake_prediction(), tmp_path / "r.h5")
    assert "is a millsim result file, not a sweep file" in refusal(tmp_path / "r.h5")
    assert "millsim sweep SWEEP.toml" in refusal(tmp_path / "r.h5")


def test_a_sweep_is_not_a_result_file(file):
    from millsim.record import read as results

    with pytest.raises(ResultFileError, match="is a millsim sweep file, not a result file"):
        results.read(file)


def test_a_cut_or_changed_file_is_refused(file, tmp_path):
    data = file.read_bytes()
    write_bytes(tmp_path / "cut.h5", data[: len(data) // 2])
    assert "damaged" in refusal(tmp_path / "cut.h5")
    import h5py

    write_bytes(tmp_path / "edited.h5", data)
    with h5py.File(tmp_path / "edited.h5", "a") as h:
        h["x50_m"][0, 0, 0] = 1.0
    assert "checksum" in refusal(tmp_path / "edited.h5")
    assert "there is no such file" in refusal(tmp_path / "none.h5")


def test_an_unfinished_sweep_says_so(tmp_path):
    text = f'[sweep]\nconfig = "{CONFIGS / "demo.toml"}"\nclass_ratio = 1.4\n{AXES}'
    (tmp_path / "s.toml").write_text(text, encoding="utf-8")
    plan = read_plan(tmp_path / "s.toml")

    class Enough(Exception):
        pass

    def stop(stage, done, detail):
        if done > 0.3:
            raise Enough

    with open_journal(tmp_path / "s.points") as journal:
        with pytest.raises(Enough):
            runner.run(plan, journal, workers=1, say=stop)
        s = gather.collect(plan, journal)
    rows = list(csv.DictReader(io.StringIO("".join(tidy.tidy_parts(s)))))
    assert all(r["binding"] == "" for r in rows if r["status"] == "missing")
    write.write(s, tmp_path / "s.h5")
    with xarray.open_dataset(tmp_path / "s.h5") as data:
        assert data.attrs["status"].startswith("unfinished: ")
        assert 0 < int((data["status"] == 4).sum()) < 12
    assert np.isnan(read.read(tmp_path / "s.h5").points.values["x50_m"]).sum() > 4


def test_every_variable_that_is_not_known_everywhere_says_why(tmp_path):
    gone = {n: [1.0, np.nan, np.nan, np.nan] for n in OUTPUTS} | {"capacity_kg_s": np.nan}
    found = sweeps.points(4, status=[0, 1, 3, 4], draws=2, reason={2: "contradiction: sieve.pitch"}, **gone)
    found = replace(found, loads=np.full((4, len(LIMITS)), 0.5), draw_loads=np.full((4, 2, len(LIMITS)), 0.5, "f4"))
    s = sweeps.made([sweeps.axis("stator.gap", 1e-3, 2e-3, 3e-3, 4e-3)], found)
    names = {}

    def look(name, item):
        if isinstance(item, h5py.Dataset) and item.dtype.kind == "f" and np.isnan(item[()]).any():
            names[name] = item.attrs.get("missing", item.attrs["long_name"])

    write.write(s, tmp_path / "s.h5")
    with h5py.File(tmp_path / "s.h5") as file:
        file.visititems(look)
    assert {"x50_m", "x50_m_low", "x50_m_draw", "capacity_kg_s"} <= {*names} and "status" not in names
    assert all(words.startswith("NaN: ") for words in names.values()), names
    assert "no largest rate" in names["capacity_kg_s"] and missing.TOO_LITTLE in names["x50_m"]
    rows = list(csv.DictReader(io.StringIO("".join(tidy.tidy_parts(s)))))
    assert [r["x50_um"] for r in rows] == ["1e+06", "", "", ""]
    assert [r["reason"] for r in rows] == ["", missing.TOO_LITTLE, "contradiction: sieve.pitch", ""]
    assert rows[3]["status"] == "not computed"


def test_much_memory_is_told_before(tmp_path):
    ends = (("stator.gap", "1 mm", "4 mm"), ("drive.speed", "8000 rpm", "9000 rpm"))
    axes = "".join(f'[[axis]]\nkey = "{k}"\nfrom = "{a}"\nto = "{b}"\ncount = 1000\n' for k, a, b in ends)
    told = {}
    for draws in (0, 16):
        (tmp_path / "s.toml").write_text(f'[sweep]\nconfig = "{CONFIGS / "demo.toml"}"\ndraws = {draws}\n{axes}')
        plan = read_plan(tmp_path / "s.toml")
        told[draws] = " ".join(sweep.before(plan, runner.SweepReport(plan.count), Path("s.h5"), Path("s.points")))
    assert "memory" not in told[0]
    assert "takes about 22 GB of memory; fewer draws take less." in told[16]
