"""Compiled code is kept between runs by a hash of the sources that speak of jit: nothing it depends on may escape."""

import ast
import functools
import importlib
import inspect
import json
import logging
import os
import pickle
import subprocess
import sys
from pathlib import Path

import numba
import numpy as np
import pytest
from numba.core.dispatcher import Dispatcher

import millsim
from millsim.base.numerics import jit, kept
from millsim.base.numerics.inner import InnerLibrary
from millsim.laws import motion
from millsim.laws.air import air_density

PACKAGE = Path(millsim.__file__).parent
PLAIN = (bool, int, float, str, tuple, frozenset, np.ndarray, np.generic, np.dtype)


def modules():
    """Every module of the package, imported."""
    for path in sorted(PACKAGE.rglob("*.py")):
        name = ".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts).removesuffix(".__init__")
        if not name.endswith("__main__"):
            yield importlib.import_module(name)


@functools.cache
def compiled():
    """Every compiled function of the package, once."""
    found = {id(f): f for m in modules() for f in vars(m).values() if isinstance(f, Dispatcher)}
    return [f for f in found.values() if f.py_func.__module__.startswith("millsim.")]


def names_in(code):
    """Every global name that a function uses, its nested functions included."""
    return set(code.co_names).union(*(names_in(c) for c in code.co_consts if hasattr(c, "co_names")))


@functools.cache
def tree_of(path):
    """The source of a module, parsed."""
    return ast.parse(Path(path).read_text(encoding="utf-8"))


@functools.cache
def assigned(module):
    """The names that a module gives a value itself, at its top."""
    tree = tree_of(module.__file__)
    targets = [t for n in tree.body if isinstance(n, ast.Assign) for t in n.targets]
    targets += [n.target for n in tree.body if isinstance(n, ast.AnnAssign)]
    return {n.id for t in targets for n in ast.walk(t) if isinstance(n, ast.Name)}


@functools.cache
def imported(module_name):
    """{name: (module it is imported from, its name there)} of a module, wherever in it."""
    module = sys.modules[module_name]
    found = {}
    for node in ast.walk(tree_of(module.__file__)):
        if isinstance(node, ast.ImportFrom):
            there = "." * node.level + (node.module or "")
            for alias in node.names:
                found.setdefault(alias.asname or alias.name, (there, alias.name))
    return found


@functools.cache
def home(module_name, name):
    """The module in which a name of this module got its value, followed through imports."""
    module = sys.modules[module_name]
    if name in assigned(module):
        return module
    assert name in imported(module_name), f"{module_name}.{name}: where is it from?"
    where, there_named = imported(module_name)[name]
    there = importlib.import_module(where, module.__package__)
    return home(there.__name__, there_named) if there.__name__.startswith("millsim") else None


def constants():
    """(module that gives the value, name) of every constant that compiled code uses."""
    for f in compiled():
        for name in names_in(f.py_func.__code__):
            value = f.py_func.__globals__.get(name)
            if isinstance(value, PLAIN):
                yield home(f.py_func.__module__, name), name


def test_every_constant_of_compiled_code_stands_in_a_source_that_the_cache_knows():
    known = {(m.__name__, name): m for m, name in constants() if m is not None}
    assert len(known) > 20
    for (module, name), m in known.items():
        assert b"jit" in Path(m.__file__).read_bytes(), f"{module}.{name} is used in compiled code"


def test_every_compiled_function_stands_in_a_source_that_the_cache_knows():
    assert len(compiled()) > 100
    for f in compiled():
        assert b"jit" in Path(sys.modules[f.py_func.__module__].__file__).read_bytes(), f.py_func.__name__


def test_a_law_that_python_calls_is_compiled_for_it_apart():
    """Without what unpacks Python's values its code would crash there; in compiled code it needs none of that."""
    made = jit.law(doubled)
    assert made(1.5) == 3.0 and made.for_python.overloads and not made.overloads
    assert numba.njit(lambda x: made(x) + 1.0)(1.5) == 4.0 and made.overloads
    assert made._cache.cache_path == made.for_python._cache.cache_path
    assert made._cache._cache_file._index_name != made.for_python._cache._cache_file._index_name


def test_python_may_ask_a_law_for_an_array_also_where_it_is_made_of_others():
    c = np.linspace(0.1, 1.0, 5)
    each = [motion.thrown_energy(50.0, 0.1, 0.6, x) for x in c]
    np.testing.assert_allclose(motion.thrown_energy(50.0, 0.1, 0.6, c), each, rtol=1e-12)


def test_a_law_is_no_machine_code_of_its_own_and_is_taken_in_from_what_was_kept():
    """Each law would be compiled to the end once more in each of its callers: half of the first prediction."""
    made, again = jit.law(doubled), jit.law(doubled)
    for law in made, again:
        assert numba.njit(lambda x, law=law: law(x) + 1.0)(2.5) == 6.0
    assert list(again.stats.cache_hits.values()) == [1]
    for law in made, again:
        library = law.overloads[law.signatures[0]].library
        assert isinstance(library, InnerLibrary) and not any(map(library.get_pointer_to_function, names(library)))


def names(library):
    """What a library holds the code of."""
    found = [f.name for f in library.get_defined_functions()]
    assert found
    return found


@jit.routine
def filled(x):
    """An array of a number."""
    return np.full(3, x)


def first_filled(x):
    """What a law may not do: nobody would free the array."""
    return filled(x)[0]


def test_what_makes_arrays_is_no_law():
    assert numba.njit(lambda x: filled(x).sum())(2.0) == 6.0
    law = jit.law(first_filled)
    with pytest.raises(TypeError, match="first_filled makes arrays, so it is no law"):
        numba.njit(lambda x: law(x))(2.0)


def test_copies_of_the_same_sources_share_their_compiled_code(tmp_path, monkeypatch):
    """Another environment, or a newly installed package, need not compile again; another place in it is another."""
    here = inspect.getfile(air_density.py_func)
    there = tmp_path / Path(here).relative_to(PACKAGE)
    there.parent.mkdir()
    there.write_bytes(Path(here).read_bytes())
    place = jit._Place.from_function(air_density.py_func, here)
    folder = place.get_cache_path()
    monkeypatch.setattr(jit, "_PACKAGE", tmp_path)
    copy = jit._Place.from_function(air_density.py_func, str(there))
    assert copy.get_cache_path() == folder and copy.get_source_stamp() == place.get_source_stamp()
    there.write_bytes(there.read_bytes() + b"\n")
    assert copy.get_source_stamp() != place.get_source_stamp()
    assert place.get_cache_path() != folder  # no longer in the package


def doubled(x):
    """What the tests of kept code compile."""
    return 2.0 * x


class Planted:
    """A pickle that runs something when it is read."""

    def __reduce__(self):
        return Path.touch, (Path("planted code ran"),)


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A cache folder of its own, in which nothing has been said yet."""
    kept.say.cache_clear()
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("MILLSIM_CACHE_DIR", str(tmp_path / "cache"))
    yield use(monkeypatch, "code")
    kept.say.cache_clear()
    assert not Path("planted code ran").exists()


def use(monkeypatch, name):
    """Open a folder as a new process does."""
    path, why = kept.open_folder(name)
    monkeypatch.setattr(jit, "CACHE_FOLDER", path)
    monkeypatch.setattr(jit, "_WHY_NOT_KEPT", why)
    return None if path is None else Path(path)


def works(hits):
    """Compile and call: the answer is right, and code was or was not there."""
    made = jit.kernel(doubled)
    assert made(1.5) == 3.0
    assert sum(made.stats.cache_hits.values()) == hits
    assert sum(made.stats.cache_misses.values()) == 1 - hits


def said(caplog):
    """The one note that was said."""
    (line,) = [r.getMessage() for r in caplog.records if r.name == "millsim"]
    caplog.clear()
    return line.removeprefix("Note: ") if line.startswith("Note: ") else ""


def code_files(folder):
    """The two files of one compiled function: index and code."""
    found = sorted(p for p in folder.rglob("*") if p.suffix in (".nbi", ".nbc"))
    assert [p.suffix for p in found] == [".nbc", ".nbi"]
    return found


def test_code_is_lacking_until_it_is_compiled_here_or_kept_and_only_where_it_can_be_kept(folder, monkeypatch):
    made = jit.kernel(doubled)
    assert jit.lacks_code(made)
    assert made(1.5) == 3.0
    assert not jit.lacks_code(jit.kernel(doubled))
    for file in code_files(folder):
        file.unlink()
    assert not jit.lacks_code(made) and jit.lacks_code(jit.kernel(doubled))
    monkeypatch.setattr(jit, "CACHE_FOLDER", None)
    assert not jit.lacks_code(jit.kernel(doubled))
    monkeypatch.setattr(jit.SETTINGS, "DISABLE_JIT", 1)
    assert not jit.lacks_code(jit.kernel(doubled))


@pytest.mark.parametrize("suffix", [".nbi", ".nbc"])
def test_damaged_files_of_compiled_code_are_noticed_and_made_anew(folder, caplog, suffix):
    works(0)
    (file,) = [p for p in code_files(folder) if p.suffix == suffix]
    whole = file.read_bytes()
    middle = len(whole) // 2
    flipped = whole[:middle] + bytes([whole[middle] ^ 1]) + whole[middle + 1 :]
    for damaged in (b"", whole[:40], whole[:-1], whole + b"0", flipped, pickle.dumps(Planted())):
        file.write_bytes(damaged)
        works(0)
        works(1)
    assert "is damaged" in said(caplog)


def test_every_flipped_byte_of_kept_code_is_noticed(folder):
    path = str(folder / "file")
    kept.write_whole(path, b"some code")
    whole = Path(path).read_bytes()
    assert kept.read_whole(path) == b"some code"
    for i in range(len(whole)):
        Path(path).write_bytes(whole[:i] + bytes([whole[i] ^ 255]) + whole[i + 1 :])
        assert kept.read_whole(path) is None


def test_code_in_the_place_of_another_signature_is_not_taken(folder):
    """As it may be where two processes number their files at once."""
    made = jit.kernel(doubled)
    assert made(1.5) == 3.0 and made(1) == 2.0
    one, two = sorted(folder.rglob("*.nbc"))
    one.write_bytes(two.read_bytes())
    again = jit.kernel(doubled)
    assert again(1.5) == 3.0 and again(1) == 2.0
    assert sum(again.stats.cache_misses.values()) == 1


def test_two_processes_that_keep_code_at_once_get_their_own(folder, monkeypatch):
    """The second compiles while the first, which has read the index, is about to write it."""
    reads, load = [], kept.CodeFiles._load_index

    def slow_load(self):
        index = load(self)
        reads.append(1)
        if len(reads) == 2:  # the first read looks for code, the second is in the midst of keeping it
            monkeypatch.setattr(kept, "_PATIENCE_S", 0.0)
            second = jit.kernel(doubled)
            assert second(1) == 2.0
        return index

    monkeypatch.setattr(kept.CodeFiles, "_load_index", slow_load)
    first = jit.kernel(doubled)
    assert first(1.5) == 3.0
    again = jit.kernel(doubled)
    assert again(1.5) == 3.0 and again(1) == 2.0


def test_the_cache_folder_is_the_users_alone(folder):
    before = os.umask(0)
    try:
        works(0)
    finally:
        os.umask(before)
    places = [folder.parent, folder, *folder.rglob("*.nb?"), *(p for p in folder.iterdir() if p.is_dir())]
    assert len(places) == 5
    assert all(p.stat().st_mode & 0o077 == 0 for p in places)


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="needs owners and modes of files")
@pytest.mark.parametrize("how", ["others may write", "of another user"])
def test_a_folder_that_others_could_put_code_into_is_not_used(folder, monkeypatch, caplog, how):
    works(0)
    for file in code_files(folder):
        file.unlink()
        kept.write_whole(str(file), pickle.dumps(Planted()))  # with its checksum: only owner and mode tell
    if how == "others may write":
        folder.chmod(0o777)
    else:
        monkeypatch.setattr(os, "geteuid", lambda: folder.stat().st_uid + 1)
    assert use(monkeypatch, "code") is None
    works(0)
    works(0)
    assert "code put there would be run" in said(caplog)


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="needs owners and modes of files")
def test_files_that_another_could_write_are_not_read_and_that_is_said_once(folder, caplog):
    made = jit.kernel(doubled)
    assert made(1.5) == 3.0 and made(1) == 2.0
    for file in folder.rglob("*.nbc"):
        kept.write_whole(str(file), pickle.dumps(Planted()))
        file.chmod(0o666)
    again = jit.kernel(doubled)
    assert again(1.5) == 3.0 and again(1) == 2.0
    assert sum(again.stats.cache_misses.values()) == 2
    assert (
        said(caplog)
        == f"compiled code in {folder} may be written by other users, so it is not used; it is compiled anew."
    )


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="needs owners and modes of files")
def test_an_index_that_another_could_write_is_not_read(folder, caplog):
    works(0)
    for file in code_files(folder):
        kept.write_whole(str(file), pickle.dumps(Planted()))
        file.chmod(0o666)
    works(0)
    assert "may be written by other users" in said(caplog)


def test_a_full_disk_stops_nothing_and_leaves_nothing(folder, monkeypatch, caplog):
    def full(*_):
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(Path, "replace", full)
        works(0)
        works(0)
    assert "the disk is full" in said(caplog)
    assert {p.name for p in folder.rglob("*") if p.is_file()} == {"lock", "used"}
    works(0)
    works(1)


def test_a_folder_that_became_another_thing_stops_nothing(folder, caplog):
    works(0)
    (folder / "lock").unlink()
    (folder / "lock").mkdir()
    for file in code_files(folder):
        file.unlink()
    works(0)
    assert "cannot write to" in said(caplog)


@pytest.mark.parametrize("home", ["none", "a file"])
def test_without_a_home_that_can_be_written_all_works(folder, monkeypatch, caplog, home):
    monkeypatch.delenv("MILLSIM_CACHE_DIR")
    monkeypatch.delenv("XDG_CACHE_HOME", raising=False)
    if home == "none":
        monkeypatch.setattr(Path, "home", lambda: Path("~none").expanduser())
    else:
        (folder / "home").write_text("")
        monkeypatch.setenv("HOME", str(folder / "home"))
    assert use(monkeypatch, "code") is None
    works(0)
    works(0)
    assert "MILLSIM_CACHE_DIR names another folder" in said(caplog)


def test_what_is_said_goes_to_stderr_where_nobody_set_up_logging():
    assert logging.getLogger("millsim").getEffectiveLevel() <= logging.WARNING
    assert not logging.getLogger("millsim").handlers  # so that the handler of last resort prints the bare line


PREDICT = """
import json, sys
from millsim.forecast.run import predict
from millsim.mill.config.mill import load_config
sets = ["feed.rate='500 g/h'", "run.class_ratio=1.6", "run.histories=100", "run.x50_error=0"]
found = predict(load_config(sys.argv[1], sets + ["run.band_samples=0", "run.trace=false"]), engine="both", seed=3)
print(json.dumps([{k: s.value for k, s in e.scalars.items() if s.value == s.value} for e in (found.main, found.other)]))
"""


def test_a_prediction_by_both_engines_is_the_same_where_nothing_is_compiled(capsys, monkeypatch):
    config = str(PACKAGE.parent / "configs" / "demo.toml")
    monkeypatch.setattr(sys, "argv", ["", config])
    exec(PREDICT, {})
    balance, histories = json.loads(capsys.readouterr().out)
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", PREDICT, config],
        env={**os.environ, "NUMBA_DISABLE_JIT": "1"}, capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    plain_balance, plain_histories = json.loads(done.stdout)
    assert plain_balance == pytest.approx(balance, rel=1e-9)
    assert plain_histories == pytest.approx(histories, rel=1e-9)
    assert len(balance) > 10 and len(histories) > 10


def test_records_read_by_name_also_where_numpy_has_another_meaning_of_it(monkeypatch):
    monkeypatch.setattr(jit.SETTINGS, "DISABLE_JIT", 1)
    rows = np.zeros(2, jit.record([("shape", "f8"), ("T", "f8"), ("pair", "f8", (2,))]))
    row = rows[1]
    row.shape, row.T, row.pair[1] = 3.0, 4.0, 5.0
    assert rows[1].shape == 3.0 and rows["T"][1] == 4.0 and rows[1].pair.tolist() == [0.0, 5.0]
    assert rows[0].shape == 0.0 and rows.shape == (2,) and row.dtype == rows.dtype


ELSEWHERE = """
import sys
import numba
numba.__version__ = {version!r}
sys.modules["numba.core.codegen"] = None
from millsim.base.numerics import jit
square = jit.law(lambda x: x * x)
twice = jit.kernel(lambda x: 2.0 * square(x))
root = jit.routine(lambda x: x**0.5)
print(twice(3.0), square(3.0), root(16.0), "millsim.base.numerics.inner" in sys.modules)
"""


@pytest.mark.parametrize("version", ["0.60.0", "0.680.0", "1.0.0"])
def test_laws_are_compiled_as_numba_does_where_its_inside_is_not_known(version, tmp_path):
    assert jit.fits(jit.numba.__version__) and not jit.fits(version)
    program = tmp_path / "laws.py"
    program.write_text(ELSEWHERE.format(version=version), encoding="utf-8")
    for _ in ("compiled", "kept"):
        done = subprocess.run(
            [sys.executable, str(program)], capture_output=True, text=True, check=False,
            env=os.environ | {"PYTHONPATH": str(PACKAGE.parent), "MILLSIM_CACHE_DIR": str(tmp_path)},
        )  # fmt: skip
        assert done.stdout.split() == ["18.0", "9.0", "4.0", "False"], done.stderr
