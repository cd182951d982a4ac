"""The shape of the package as a test: who may import whom, sizes, docstrings, nothing private, a light start."""

import ast
import functools
import graphlib
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "millsim"
FILES = sorted(PACKAGE.rglob("*.py"))
MOST_LINES, MOST_FUNCTION_LINES = 400, 60

# The rooms, in the direction that data flows: each imports from itself and from those before it.
ROOMS = (
    "base", "laws", "record", "mill", "engines", "forecast", "studies", "learn", "explore", "show", "commands",
)  # fmt: skip
DOOR = ("errors", "version")  # what stands outside the rooms, for all of them
MOST_ROOMS = 12
NUMBERS = ("math", "numpy")


def name_of(path):
    """Module name below the package: "laws.air"; a package by its own name."""
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" and len(parts) > 1 else parts)


NAMES = {name_of(p): p for p in FILES}


@functools.cache
def tree_of(path):
    """The source of a file, parsed."""
    return ast.parse(path.read_text(encoding="utf-8"))


@functools.cache
def nodes_of(path):
    """All nodes of it."""
    return tuple(ast.walk(tree_of(path)))


@functools.cache
def imports(path, top_level_only=False):
    """(own modules, other packages) that a file imports."""
    own, other = set(), set()
    nodes = tree_of(path).body if top_level_only else nodes_of(path)
    here = path.relative_to(PACKAGE).parent.parts
    for node in nodes:
        if isinstance(node, ast.Import):
            other |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            other.add((node.module or "").split(".")[0])
        elif isinstance(node, ast.ImportFrom):
            base = here[: len(here) - (node.level - 1)]
            found = ".".join([*base, node.module] if node.module else base)
            known = [".".join(filter(None, (found, a.name))) for a in node.names]
            own |= {k if k in NAMES else found for k in known}
    return frozenset(own - {""}), frozenset(other)


def room_of(name):
    """The room of a module."""
    return name.split(".")[0]


def folder_of(name):
    """The folder of a module: "show.plots" of "show.plots.map"; a package is its own."""
    return name if NAMES[name].name == "__init__.py" else name.rpartition(".")[0]


def test_the_top_of_the_package_shows_the_rooms_and_nothing_else():
    folders = {p.name for p in PACKAGE.iterdir() if p.is_dir() and p.name != "__pycache__"}
    assert folders == set(ROOMS) and len(ROOMS) <= MOST_ROOMS
    assert {p.stem for p in PACKAGE.glob("*.py")} == {"__init__", "__main__", *DOOR}


@pytest.mark.parametrize("room", ROOMS)
def test_imports_go_down(room):
    allowed = {*ROOMS[: ROOMS.index(room) + 1], *DOOR}
    for name, path in NAMES.items():
        if room_of(name) == room:
            assert {room_of(n) for n in imports(path)[0]} <= allowed, name


@pytest.mark.parametrize("of", ["module", "folder"])
def test_no_import_goes_round_in_a_circle(of):
    named = {"module": str, "folder": folder_of}[of]
    arrows = {}
    for name, path in NAMES.items():
        if room_of(name) in ROOMS:
            arrows.setdefault(named(name), set()).update(named(n) for n in imports(path)[0] if room_of(n) in ROOMS)
    for name in arrows:
        arrows[name].discard(name)
    order = list(graphlib.TopologicalSorter(arrows).static_order())  # raises CycleError, with the circle
    assert len(order) > 5 and {*arrows} <= {*order}
    assert all(order.index(below) < order.index(name) for name, those in arrows.items() for below in those)


def test_laws_know_nothing_but_numbers():
    for path in (PACKAGE / "laws").glob("*.py"):
        own, other = imports(path)
        others = {n for n in own if room_of(n) != "laws"}
        assert others <= {"base.numerics.jit"} and other <= set(NUMBERS), path.name


def test_engines_know_no_files_no_figures_and_no_configs():
    for name, path in NAMES.items():
        if room_of(name) == "engines" or name == "mill.chamber":
            own, other = imports(path)
            assert not other & {"h5py", "click", "matplotlib", "tomllib", "json"}, name
            assert not {n for n in own if n.startswith(("mill.config", "mill.cards", "record"))} - {"record.limits"}, (
                name
            )


def test_words_and_figures_of_a_prediction_read_the_record_only():
    for name in ("words.prediction", "words.advice", "words.limits", "plots.prediction", "plots.power", "plots.size"):
        own, _ = imports(NAMES[f"show.{name}"])
        assert {room_of(n) for n in own} <= {"base", "laws", "record", "show", "studies", *DOOR}, name
        assert not {n for n in own if room_of(n) == "studies"} - {"studies.engines", "studies.why"}, name


@pytest.mark.parametrize(
    "name",
    ["__init__", "__main__", "errors", "commands.main", "mill.config.mill", "mill.config.schema", "mill.cards",
     "base.quantities.units", "base.quantities.params", "base.reading.sheet", "base.reading.values"],
)  # fmt: skip
def test_no_heavy_import_at_the_door(name):
    _, other = imports(NAMES[name], top_level_only=True)
    assert not other & {"numpy", "numba", "scipy", "matplotlib", "h5py"}


@pytest.mark.parametrize("library", ["h5py", "click"])
def test_one_place_for_each_file_library(library):
    users = {n for n, p in NAMES.items() if library in imports(p)[1]}
    allowed = {
        "h5py": {"record.write", "record.read", "record.bounds", "record.files", "record.netcdf",
                 "explore.sweep.write", "explore.sweep.read"},
        "click": {n for n in NAMES if room_of(n) == "commands"},
    }  # fmt: skip
    assert users <= allowed[library]


OPTIONAL = {"explore.sweep.cluster": {"distributed"}, "show.report.notebook": {"xarray"}}  # asked for by name


def test_only_the_six_packages_at_run_time():
    allowed = {"numpy", "numba", "scipy", "h5py", "matplotlib", "click"} | set(sys.stdlib_module_names)
    for name, path in NAMES.items():
        extra = OPTIONAL.get(name, set())
        assert imports(path)[1] <= allowed | extra, name
    assert "distributed" not in imports(NAMES["explore.sweep.cluster"], top_level_only=True)[1]


def functions(path):
    return [n for n in nodes_of(path) if isinstance(n, ast.FunctionDef | ast.AsyncFunctionDef)]


def test_modules_and_functions_stay_small():
    long = []
    for path in FILES:
        lines = len(path.read_text(encoding="utf-8").splitlines())
        long += [f"{path.name}: {lines}"] if lines > MOST_LINES else []
        long += [f"{path.name} {f.name}: {f.end_lineno - f.lineno + 1}" for f in functions(path)
                 if f.end_lineno - f.lineno + 1 > MOST_FUNCTION_LINES]  # fmt: skip
    assert not long


def test_public_things_are_explained():
    # Module, public functions, classes and methods; helpers nested in a function need no docstring, nor do the mere
    # signatures of overloads, which what they overload explains.
    bare = []
    for path in FILES:
        tree = tree_of(path)
        bare += [] if ast.get_docstring(tree) or not tree.body else [path.name]
        for scope in [tree, *[n for n in tree.body if isinstance(n, ast.ClassDef)]]:
            for node in scope.body:
                if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_"):
                    overload = any(isinstance(d, ast.Name) and d.id == "overload" for d in node.decorator_list)
                    if not overload and not ast.get_docstring(node):
                        bare.append(f"{path.name}: {node.name}")
    assert not bare


def test_no_leftovers():
    for path in FILES:
        text = path.read_text(encoding="utf-8")
        for node in nodes_of(path):
            if isinstance(node, ast.ExceptHandler):
                assert node.type is not None, f"a bare except in {path.name}"
            if isinstance(node, ast.Raise) and node.exc is not None:
                assert "NotImplementedError" not in ast.dump(node.exc), path.name
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
                assert node.func.id not in {"eval", "exec", "print"}, path.name
        assert not re.search(r"\b(TODO|FIXME|XXX)\b", text), path.name


def published():
    """Every text file that is handed on."""
    folders = ("millsim", "tests", "configs", "benchmarks", ".ci")
    files = [p for f in folders for p in (ROOT / f).rglob("*") if p.is_file()]
    files += [p for p in ROOT.glob("*") if p.is_file() and p.name != ".git"]  # a file in a worktree
    kinds = {".py", ".toml", ".md", ".csv", ".json", ".txt", ""}
    return [p for p in files if p.suffix in kinds and p.stat().st_size < 1e6]


def test_nothing_private_is_handed_on():
    # Home and work folders of some machine have no place in the sources.
    parts = ["/ho" + r"me/\w+/", "/Use" + r"rs/\w+/", "/ro" + "ot/", "/wo" + "rk/", r"C:\\Us" + "ers"]
    private = re.compile("|".join(parts))
    for path in published():
        found = private.search(path.read_text(encoding="utf-8", errors="replace"))
        assert not found, f"{path.name}: {found.group(0)}"


def test_help_starts_without_the_heavy_libraries():
    code = (
        "import sys; sys.argv = ['millsim', '--help']\n"
        "from millsim.__main__ import main\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        "heavy = {'numpy', 'numba', 'scipy', 'matplotlib', 'h5py'} & set(sys.modules)\n"
        "sys.exit(f'imported {sorted(heavy)}' if heavy else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    assert "predict" in done.stdout


def test_every_law_is_called_by_a_test_of_its_own():
    # By this name `pytest -k NAME` finds it; a law that only kernels call would be tested through them alone.
    laws = {f.name for p in (PACKAGE / "laws").glob("*.py") for f in tree_of(p).body
            if isinstance(f, ast.FunctionDef) and not f.name.startswith("_")}  # fmt: skip
    called = set()
    for path in (ROOT / "tests").glob("test_*.py"):
        for f in functions(path):
            if f.name.startswith("test_"):
                names = {n.attr if isinstance(n, ast.Attribute) else n.id for n in ast.walk(f)
                         if isinstance(n, ast.Attribute | ast.Name)}  # fmt: skip
                called |= names & laws
    assert laws - called == set()
