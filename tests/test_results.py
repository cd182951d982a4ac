"""The result file: exact round trip, netCDF-4 for xarray, the same bytes, whole or not at all; CSV tables."""

import csv
import dataclasses
import errno
import json
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import h5py
import numpy as np
import pytest
from click.testing import CliRunner
from helpers import fake_engine, fake_prediction, fake_trace, same
from hypothesis import given, settings
from hypothesis import strategies as st
from lazily import later

from millsim.base.quantities.scalar import Scalar
from millsim.commands import main
from millsim.errors import InputError, MillsimError, ResultFileError
from millsim.record import export, files, read, write
from millsim.record.prediction import Limit
from millsim.record.seal import SIGNATURE, is_whole, sealed
from millsim.show.words.stalls import stall_risk

xr = later("xarray")

TESTS = Path(__file__).parent
ENGINES = ("h5netcdf", "netcdf4")


@pytest.fixture
def path(tmp_path):
    target = tmp_path / "result.h5"
    write.write(fake_prediction(), target)
    return target


CASES = {
    "full": {},
    "one engine, no band, no trace": {"both": False, "band": False, "trace": False},
    "no lists": {"limits": (), "parameters": (), "warnings": (), "widest": {}},
    "no warm-up": {"warmup_time_s": np.empty(0), "warmup_temperature_K": np.empty(0)},
    "seed of 64 bits": {"seed": 2**64 - 1},
    "odd words": {"mill_name": 'Mühle $x_1$ \\ "5" µm', "command": "", "warnings": ("", "a")},
    "uneven ranks": {"widest": {"x50_m": [], "span": [("a", 1.5), ("b", 1.25)]}},
    "trace without samples": {
        "trace": dataclasses.replace(fake_trace(), **{k: np.empty(0) for k in (
            "time_s", "torque_Nm", "peak_torque_Nm", "speed_rad_s", "pieces", "charge_kg")}),
    },
}  # fmt: skip


@pytest.mark.parametrize("changes", CASES.values(), ids=CASES)
def test_read_gives_back_what_was_written(tmp_path, changes):
    trace = changes.get("trace", True)
    prediction = (
        fake_prediction(**changes) if isinstance(trace, bool) else dataclasses.replace(fake_prediction(), trace=trace)
    )
    write.write(prediction, tmp_path / "r.h5")
    assert same(read.read(tmp_path / "r.h5"), prediction)


def test_unusual_keys_units_and_values_survive(tmp_path):
    odd = {
        "a b": Scalar(1.5, "", "", low=-np.inf),
        "a_b": Scalar(np.inf, "kg", "x"),
        "1 µ": Scalar(-0.0, "°C", "y", 0.1),
    }
    engine = dataclasses.replace(fake_engine("montecarlo"), scalars=odd, numerics={})
    limits = (Limit("a/b", 0.0, np.inf, "", ""), Limit("a b", 1.0, 2.0, "W", "s"))
    prediction = fake_prediction(main=engine, limits=limits)
    write.write(prediction, tmp_path / "r.h5")
    assert same(read.read(tmp_path / "r.h5"), prediction)


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.floats(width=64), min_size=49, max_size=49),
    st.text(st.characters(exclude_categories=["Cs"], min_codepoint=1)),
)
def test_any_numbers_and_words_come_back_bit_by_bit(tmp_path_factory, values, words):
    path = tmp_path_factory.mktemp("any") / "r.h5"
    table = dataclasses.replace(fake_engine("balance").table, product_q3=np.array(values))
    engine = dataclasses.replace(fake_engine("balance"), table=table)
    prediction = fake_prediction(both=False, trace=False, main=engine, mill_name=words)
    write.write(prediction, path)
    assert same(read.read(path), prediction)


def test_same_prediction_same_bytes(tmp_path):
    first = write.to_bytes(fake_prediction())
    time.sleep(1.1)  # a time stamp in seconds would show
    assert write.to_bytes(fake_prediction()) == first
    code = (
        f"import sys; sys.path.insert(0, {str(TESTS)!r})\n"
        "from helpers import *\n"
        "from millsim.record import write\n"
        f"write.write(fake_prediction(), {str(tmp_path / 'other.h5')!r})\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True, cwd=TESTS.parent)
    assert (tmp_path / "other.h5").read_bytes() == first


@pytest.mark.parametrize("engine", ENGINES)
def test_xarray_opens_root_groups_and_tree(path, engine):
    with xr.open_dataset(path, engine=engine) as root:
        root.load()
        assert root.attrs["status"] == "ok"
        assert root["size"].attrs["bounds"] == "size_bnds"
        assert root["size_bnds"].dims == ("size", "bnds")
    with xr.open_datatree(path, engine=engine) as tree:
        tree.load()
        q3 = tree["sizes"]["product_q3"]
        assert np.array_equal(q3.coords["edge"], fake_prediction().main.table.edges_m)
        for name in q3.attrs["ancillary_variables"].split():
            assert name in tree["sizes"]
        assert tree["engine2/sizes"]["product_q3"].dims == ("edge2",)
        assert float(tree["scalars"]["x50_m"]) == fake_prediction().main.scalars["x50_m"].value
        assert [str(n) for n in tree["parameters"]["parameter"].values[:2]] == ["density", "f_mat_warm"]
        for node in tree.subtree:
            assert all("units" in v.attrs and v.attrs["long_name"] for v in node.data_vars.values()), node.path
    with xr.open_dataset(path, engine=engine, group="engine2/scalars") as dataset:
        assert "x50_m" in dataset.load()


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("engine", ENGINES)
def test_xarray_opens_every_shape_of_prediction(tmp_path, engine, case):
    changes = dict(CASES[case])
    trace = changes.pop("trace", True)
    prediction = fake_prediction(**changes) if trace is True else dataclasses.replace(
        fake_prediction(**changes), trace=trace or None)  # fmt: skip
    write.write(prediction, tmp_path / "r.h5")
    with xr.open_datatree(tmp_path / "r.h5", engine=engine) as tree:
        tree.load()
        assert tree.attrs["mill_name"] == prediction.mill_name


def test_every_dimension_has_a_scale_and_every_variable_unit_and_name(path):
    seen = []

    def look(name, item):
        if not isinstance(item, h5py.Dataset):
            return
        seen.append(name)
        assert item.attrs["units"], name
        assert "long_name" in item.attrs, name
        assert all(len(d) == 1 for d in item.dims) or item.is_scale, name
        if item.ndim:
            assert item.compression == "gzip", name
            assert item.shuffle, name
            assert item.fletcher32 or item.dtype == object, name

    with h5py.File(path) as file:
        file.visititems(look)
        scales = {"edge", "size", "edge2", "size2", "bnds", "parameter", "warmup_time", "trace_time"}
        assert all(file[s].is_scale for s in scales)
        assert list(file.attrs)[-1] == "status" or "status" in file.attrs
    assert len(seen) > 100


def test_every_variable_that_is_not_known_says_why(tmp_path):
    open_rate = fake_prediction(band=False)
    scalars = open_rate.main.scalars | {"capacity_kg_s": Scalar(float("nan"), "kg/s", "largest steady feed")}
    main = dataclasses.replace(open_rate.main, scalars=scalars)
    write.write(dataclasses.replace(open_rate, main=main), tmp_path / "r.h5")
    why = {}

    def look(name, item):
        if isinstance(item, h5py.Dataset) and item.dtype.kind == "f" and np.isnan(item[()]).any():
            why[name] = item.attrs.get("missing", item.attrs["long_name"])

    with h5py.File(tmp_path / "r.h5") as file:
        file.visititems(look)
    assert {"sizes/product_q3_se", "sizes/product_q3_low", "scalars/capacity_kg_s", "band_level"} <= {*why}
    assert all("NaN: " in words for words in why.values()), why
    assert "no band was run" in why["sizes/product_q3_low"] and "steady rate" in why["scalars/capacity_kg_s"]


def test_root_attributes_say_what_was_run(path):
    with h5py.File(path) as file:
        attrs = dict(file.attrs)
    assert attrs["filetype"] == "millsim result"
    assert attrs["format_version"] == "1.1"
    for name in ("program_version", "model_version", "config", "config_sha256", "seed", "command", "engine"):
        assert name in attrs


def test_existing_file_is_kept_without_force(path):
    before = path.read_bytes()
    with pytest.raises(InputError, match="exists already.*--force"):
        write.write(fake_prediction(seed=1), path)
    assert path.read_bytes() == before
    write.write(fake_prediction(seed=1), path, force=True)
    assert read.read(path).seed == 1
    assert [p.name for p in path.parent.iterdir()] == ["result.h5"]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs pipes and links")
@pytest.mark.parametrize("kind", ["link", "dangling link", "pipe", "folder"])
def test_force_replaces_files_only(path, kind):
    kept, place = path.read_bytes(), path.with_name("place.h5")
    if "link" in kind:
        place.symlink_to(path if kind == "link" else path.with_name("nowhere"))
    elif kind == "pipe":
        os.mkfifo(place)
    else:
        place.mkdir()
    before = place.lstat()
    for force in (False, True):
        for write_it in (
            lambda force=force: write.write(fake_prediction(seed=1), place, force=force),
            lambda force=force: files.check_target(place, force),
            lambda force=force: files.write_together({"other": b"", place.name: b""}, place.parent, force),
        ):
            with pytest.raises(InputError) as told:
                write_it()
            assert "--force" not in str(told.value)
    assert (place.lstat().st_ino, place.lstat().st_mode) == (before.st_ino, before.st_mode)
    assert path.read_bytes() == kept and not path.with_name("other").exists()


@pytest.mark.parametrize("links", [True, False], ids=["hard links", "no hard links"])
def test_of_two_writers_at_once_one_wins_and_nothing_is_replaced(tmp_path, monkeypatch, links):
    monkeypatch.setattr(files, "refuse_existing", lambda *a, **k: None)  # both saw the name free
    if not links:
        monkeypatch.delattr(os, "link")
    outcomes, gate = [], threading.Barrier(8)

    def attempt(i):
        gate.wait()
        try:
            files.write_bytes(tmp_path / "r", bytes([i]) * 1000)
            outcomes.append(i)
        except FileExistsError:
            pass

    threads = [threading.Thread(target=attempt, args=(i,)) for i in range(8)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    assert len(outcomes) == 1
    assert (tmp_path / "r").read_bytes() == bytes(outcomes) * 1000
    assert [p.name for p in tmp_path.iterdir()] == ["r"]


def test_full_disk_leaves_nothing_and_says_so(tmp_path, monkeypatch):
    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(MillsimError, match=r"cannot write .*r\.h5: the disk is full; make room"):
        write.write(fake_prediction(), tmp_path / "r.h5")
    assert list(tmp_path.iterdir()) == []


def test_file_size_limit_leaves_nothing(tmp_path):
    code = (
        "import sys, resource, signal; sys.dont_write_bytecode = True\n"  # or modules read later would be cut off
        f"sys.path.insert(0, {str(TESTS)!r}); from helpers import *\n"
        "from millsim.record import write\n"
        "from millsim.errors import MillsimError\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (20000, 20000))\n"
        f"try: write.write(fake_prediction(), {str(tmp_path / 'r.h5')!r})\n"
        "except MillsimError as e: sys.stdout.write(str(e))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], check=True, cwd=TESTS.parent, capture_output=True, text=True)
    assert "larger than allowed" in done.stdout
    assert list(tmp_path.iterdir()) == []


def test_read_only_place_and_missing_folder_are_refused(tmp_path):
    with pytest.raises(MillsimError, match="cannot write /proc/r.h5"):
        write.write(fake_prediction(), "/proc/r.h5")
    with pytest.raises(MillsimError, match="the folder does not exist"):
        write.write(fake_prediction(), tmp_path / "no" / "r.h5")


def test_writer_killed_half_way_leaves_no_file_of_that_name(tmp_path):
    code = (
        f"import sys; sys.path.insert(0, {str(TESTS)!r}); import os, time; from helpers import *\n"
        "from millsim.record import write\n"
        "def slow(fd): sys.stdout.write('half'); sys.stdout.flush(); time.sleep(60)\n"
        f"os.fsync = slow; write.write(fake_prediction(), {str(tmp_path / 'r.h5')!r})\n"
    )
    with subprocess.Popen([sys.executable, "-c", code], cwd=TESTS.parent, stdout=subprocess.PIPE) as process:
        assert process.stdout.read(4) == b"half"
        process.send_signal(signal.SIGKILL)
        process.wait()
    assert not (tmp_path / "r.h5").exists()
    with pytest.raises(ResultFileError, match="no such file"):
        read.read(tmp_path / "r.h5")


@pytest.mark.skipif(os.name != "posix", reason="a writer is looked for by the number of its process")
@pytest.mark.parametrize(
    "come",
    [lambda folder: files.write_bytes(folder / "r", b"whole"), lambda folder: files.check_folder(folder, "--out")],
)
def test_litter_of_dead_writers_is_cleared_and_that_of_live_ones_is_not(tmp_path, come):
    dead = subprocess.Popen(["true"])
    dead.wait()
    machine = files._machine()
    old, young = tmp_path / ".millsim-0123456789ab.tmp", tmp_path / ".millsim-ba9876543210.tmp"
    killed = tmp_path / f".millsim-{machine}-{dead.pid}-0123456789ab.tmp"
    alive = tmp_path / f".millsim-{machine}-{os.getppid()}-0123456789ab.tmp"
    elsewhere = tmp_path / f".millsim-00000000-{dead.pid}-0123456789ab.tmp"
    mine = tmp_path / "notes.tmp"
    for file in (old, young, killed, alive, elsewhere, mine):
        file.write_bytes(b"half")
    os.utime(old, (0, 0))
    come(tmp_path)
    assert {*tmp_path.iterdir()} - {tmp_path / "r"} == {young, alive, elsewhere, mine}


@pytest.mark.parametrize("force", [False, True])
@pytest.mark.parametrize("there", [False, True])
def test_tables_on_a_full_disk_are_all_there_or_none(tmp_path, monkeypatch, force, there):
    tables, count = tmp_path / "tables", [0]
    if there:
        tables.mkdir()
        (tables / "limits.csv" if force else tables / "mine.csv").write_text("mine")
    real = files.write_through

    def full(path, data):
        count[0] += 1
        real(path, data[:10] if count[0] == 5 else data)
        if count[0] == 5:
            raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(files, "write_through", full)
    with pytest.raises(MillsimError, match="cannot write .*: the disk is full; make room"):
        export.write_csv(fake_prediction(), tables, force)
    if there:
        assert [p.read_text() for p in tables.iterdir()] == ["mine"]
    else:
        assert not tables.exists()
    monkeypatch.undo()
    assert len(export.write_csv(fake_prediction(), tables, force)) > 7
    assert not list(tables.glob(".*"))


def test_tables_take_none_that_appears_meanwhile(tmp_path, monkeypatch):
    tables, real, count = tmp_path / "tables", files._publish, [0]

    def publish(temporary, path, force):
        count[0] += 1
        if count[0] == 3:
            path.write_text("mine")
        real(temporary, path, force)

    monkeypatch.setattr(files, "_publish", publish)
    with pytest.raises(InputError, match="exists already; use --force"):
        export.write_csv(fake_prediction(), tables)
    assert [p.read_text() for p in tables.iterdir()] == ["mine"]


def test_file_without_status_is_not_taken_for_finished(path):
    with h5py.File(path, "r+") as file:
        del file.attrs["status"]
    resign(path)
    with pytest.raises(ResultFileError, match="not finished by its writer; run the prediction again"):
        read.read(path)


def resign(path):
    """Seal the file again after a change, as a writer would."""
    path.write_bytes(sealed(path.read_bytes()))


def as_of_format_1_0(file):
    """The checksum as it was kept before files had a seal."""
    file.attrs["format_version"] = "1.0"
    file.attrs[read.CHECKSUM] = read.content_sha256(file, file.attrs["status"])


def test_a_change_of_one_bit_of_any_number_is_noticed(path):
    with h5py.File(path) as file:
        names = []
        file.visititems(lambda name, item: names.append(name) if hasattr(item, "shape") else None)
    whole = path.read_bytes()
    for name in ("scalars/x50_m", "hole", "trace/stalls", "sizes/product_q3", "engine2/sizes/feed_q3"):
        assert name in names
        for before, words in ((lambda file: None, "its checksum is gone"), (as_of_format_1_0, "does not match its ch")):
            path.write_bytes(whole)
            with h5py.File(path, "r+") as file:
                before(file)
                data = np.array(file[name][()])
                data.reshape(-1)[-1:].view(np.uint8)[0] ^= 1
                file[name][...] = data
            with pytest.raises(ResultFileError, match=f"is damaged: .*{words}.*; run"):
                read.read(path)


def test_a_file_of_format_1_0_still_opens_with_a_note(path, caplog):
    read.read(path)
    assert not caplog.records
    with h5py.File(path, "r+") as file:
        as_of_format_1_0(file)
    for _ in range(2):  # and is said once
        assert same(read.read(path), fake_prediction())
    (note,) = caplog.records
    assert note.getMessage() == (
        f"Note: {path} was written before files had a seal, so a damaged copy of it may not be refused; run the "
        "prediction again."
    )


def test_the_note_on_an_old_file_stays_out_of_json(path, caplog):
    with h5py.File(path, "r+") as file:
        as_of_format_1_0(file)
    done = CliRunner().invoke(main.cli, ["why", str(path), "--json"])
    assert json.loads(done.stdout)["status"] == "ok"
    assert [r.levelname for r in caplog.records] == ["WARNING"]  # which logging puts on stderr


def test_a_file_of_before_that_knows_starts_alone_still_opens(path):
    later = ("charge", "arrived", "fed", "piece_rate", "rated_torque", "overload_torque", "running")
    with h5py.File(path, "r+") as file:
        for name in later:
            del file["trace"][name]
        del file["trace"].attrs["shown_from"]
        as_of_format_1_0(file)
    trace, new = read.read(path).trace, fake_trace()
    assert (trace.runs, trace.stalls, trace.stall_high) == (new.runs, new.stalls, new.stall_high)
    assert trace.running is None and not trace.too_few and len(trace.charge_kg) == 0
    old = stall_risk(dataclasses.replace(fake_prediction(), trace=trace))
    assert old.endswith("3 of 200 cold starts from empty of 5 min stalled: 0.31 to 4.3 % of starts do (95 % interval).")


@pytest.mark.parametrize("name", ["status", "mill_name", "command", "config", "content_sha256"])
def test_changed_and_missing_attributes_are_noticed(path, name):
    with h5py.File(path, "r+") as file:
        as_of_format_1_0(file)
        file.attrs[name] = file.attrs[name][:-1] + "x"
    with pytest.raises(ResultFileError, match="does not match its checksum"):
        read.read(path)
    with h5py.File(path, "r+") as file:
        del file.attrs[name]
    with pytest.raises(ResultFileError) as caught:
        read.read(path)
    assert "object" not in str(caught.value)


@pytest.mark.parametrize("name", ["sizes", "scalars", "limits", "edge", "ledger/in", "parameters/value"])
@pytest.mark.parametrize("signed", [True, False])
def test_missing_parts_are_told_in_one_plain_sentence(path, name, signed):
    with h5py.File(path, "r+") as file:
        del file[name]
    if signed:
        resign(path)
    with pytest.raises(ResultFileError) as caught:
        read.read(path)
    words = str(caught.value)
    assert "is damaged: " in words
    assert "\n" not in words
    assert not [raw for raw in ("nable to", "synchronously", "KeyError", "b'") if raw in words]


def damaged(whole, rng):
    """A file with one bit flipped, a sector of zeros, cut short, made longer, with forty bad bytes; by turns."""
    for k in range(150):
        data, at = bytearray(whole), int(rng.integers(len(whole)))
        if k % 5 == 0:
            data[at] ^= 1 << int(rng.integers(8))
        elif k % 5 == 1:
            at -= at % 512
            data[at : at + 512] = bytes(len(data[at : at + 512]))
        elif k % 5 == 2:
            data = data[:at]
        elif k % 5 == 3:
            data += rng.bytes(1000)
        else:
            for _ in range(40):
                data[rng.integers(len(data))] = rng.integers(256)
        if data != whole:
            yield bytes(data)


def test_no_damaged_file_reaches_the_hdf5_library(path, monkeypatch):
    whole, handed = path.read_bytes(), []
    monkeypatch.setattr(h5py, "File", lambda *a, **k: handed.append(a))
    for data in damaged(whole, np.random.default_rng(11)):
        path.write_bytes(data)
        with pytest.raises(ResultFileError) as caught:
            read.read(path)
        assert "\n" not in str(caught.value)
    assert not handed


@pytest.mark.parametrize("version", [0, 2, 3])
def test_a_file_of_another_program_is_whole_whatever_its_superblock(tmp_path, version):
    access = h5py.h5p.create(h5py.h5p.FILE_ACCESS)
    least = {2: h5py.h5f.LIBVER_V18, 3: h5py.h5f.LIBVER_V110}.get(version, h5py.h5f.LIBVER_EARLIEST)
    access.set_libver_bounds(least, h5py.h5f.LIBVER_LATEST)
    other = tmp_path / "other.h5"
    h5py.File(h5py.h5f.create(str(other).encode(), fapl=access)).close()
    assert other.read_bytes()[8] == version
    with pytest.raises(ResultFileError, match="another program"):
        read.read(other)


def test_a_superblock_of_version_1_ends_four_bytes_later(tmp_path):
    """Section II.A of the format: two sizes of nodes in place of one. h5py writes none."""
    block = SIGNATURE + b"\1" + bytes(35) + (96).to_bytes(8, "little") + bytes(44)
    (tmp_path / "other.h5").write_bytes(block)
    assert is_whole(tmp_path / "other.h5") is None
    (tmp_path / "other.h5").write_bytes(block + b"more")
    assert is_whole(tmp_path / "other.h5") is False


def test_foreign_and_future_files_are_refused_by_name(path, tmp_path):
    with h5py.File(path, "r+") as file:
        file.attrs["format_version"] = "2.3"
    resign(path)
    with pytest.raises(ResultFileError, match=r"result.h5: has result format 2.3, this program reads 1.x; use"):
        read.read(path)
    with h5py.File(path, "r+") as file:
        file.attrs["format_version"] = "1.7"
        file.create_group("later_idea")
    resign(path)
    assert read.read(path).status == "ok"
    with h5py.File(tmp_path / "foreign.h5", "w") as file:
        file["x"] = 1.0
    with pytest.raises(ResultFileError, match="another program"):
        read.read(tmp_path / "foreign.h5")


BAD_CONTENT = {
    "empty": (b"", "is empty"),
    "text": (b"rotor = 3\n" * 99, "not HDF5"),
    "netcdf3": (b"CDF\x01" * 9, "not HDF5"),
}


@pytest.mark.parametrize(("content", "message"), BAD_CONTENT.values(), ids=BAD_CONTENT)
def test_files_that_are_no_results(tmp_path, content, message):
    (tmp_path / "bad.h5").write_bytes(content)
    with pytest.raises(ResultFileError, match=rf"bad\.h5: .*{message}.*; "):
        read.read(tmp_path / "bad.h5")


def test_folder_missing_file_and_odd_names(tmp_path):
    with pytest.raises(ResultFileError, match="is a folder"):
        read.read(tmp_path)
    with pytest.raises(ResultFileError, match=r"nothere\.h5: there is no such file; .*millsim predict"):
        read.read(tmp_path / "nothere.h5")
    with pytest.raises(ResultFileError, match="cannot be read"):
        read.read(tmp_path / ("x" * 300))


def test_csv_tables_have_units_and_all_rows(tmp_path):
    prediction = fake_prediction()
    paths = export.write_csv(prediction, tmp_path / "tables")
    *sheets, config = paths
    assert config.name == "config.toml" and config.read_text("utf-8").strip() == prediction.config_text.strip()
    tables = {p.name: list(csv.reader(p.read_text(encoding="utf-8").splitlines())) for p in sheets}
    assert set(tables) >= {"sizes.csv", "scalars.csv", "ledger.csv", "parameters.csv", "limits.csv"}
    for name, rows in tables.items():
        assert {len(r) for r in rows} == {len(rows[0])}, name
    header, first = tables["sizes.csv"][0], tables["sizes.csv"][30]
    assert header[1] == "x [mm]"
    assert float(first[1]) == pytest.approx(prediction.main.table.edges_m[29] * 1e3, rel=1e-9)
    assert len(tables["sizes.csv"]) == 1 + 2 * 49
    assert first[header.index("product Q3 standard error [1]")] == ""  # NaN is an empty cell
    assert ["quoted" in row[6] for row in tables["parameters.csv"]].count(True) == 1
    total = sum(float(r[3]) for r in tables["ledger.csv"] if r[:2] == ["balance", "in"])
    assert total == pytest.approx(371.0)
    with pytest.raises(InputError) as caught:
        export.write_csv(prediction, tmp_path / "tables")
    assert len(caught.value.problems) == 1
    assert f"{len(paths)} of the files exist already, run.csv to config.toml; use --force" in str(caught.value)
    assert export.write_csv(prediction, tmp_path / "tables", force=True) == paths
