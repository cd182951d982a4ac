"""Compiled code is kept between runs by a hash of the sources that speak of jit: nothing it depends on may escape."""

import ast
import functools
import importlib
import inspect
import sys
from pathlib import Path

import numpy as np
import pytest
from numba.core.dispatcher import Dispatcher

import millsim
from millsim.base.numerics import jit
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
    """What the test of damaged files compiles."""
    return 2.0 * x


@pytest.mark.parametrize("suffix", [".nbi", ".nbc"])
@pytest.mark.parametrize("left", [0, 40])
def test_damaged_files_of_compiled_code_are_made_anew(tmp_path, monkeypatch, suffix, left):
    monkeypatch.setattr(jit, "CACHE_FOLDER", str(tmp_path))
    assert jit.law(doubled)(1.5) == 3.0
    kept = [p for p in tmp_path.rglob("*") if p.suffix == suffix]
    assert len(kept) == 1
    whole = kept[0].read_bytes()
    kept[0].write_bytes(whole[:left])
    assert jit.law(doubled)(1.5) == 3.0
    again = jit.law(doubled)
    assert again(1.5) == 3.0
    assert sum(again.stats.cache_hits.values()) == 1  # what was damaged is whole again: nothing is compiled now
    assert sum(again.stats.cache_misses.values()) == 0
    (tmp_path / "lock").unlink()
    (tmp_path / "lock").mkdir()  # nothing can be kept any more
    for path in kept:
        path.unlink()
    assert jit.law(doubled)(1.5) == 3.0
