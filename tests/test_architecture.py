"""The shape of the package as a test: who may import whom, sizes, docstrings, nothing private, a light start."""

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "millsim"
FILES = sorted(PACKAGE.rglob("*.py"))
MOST_LINES, MOST_FUNCTION_LINES = 400, 60

# Layers, lowest first: a module imports from its own layer or from lower ones.
def modules_of(folder):
    """The modules of a sub-package, by name."""
    return tuple(f"{folder}.{p.stem}" for p in (PACKAGE / folder).glob("*.py") if p.stem != "__init__") + (folder,)


LAYERS = (
    ("errors", "units", "params", "version", "paramwords"),
    ("config", "csvin", "schema", "reading", "tables", "values", "tomlfile", "checks",
     "sheet", "sheetdoubts", "sieves", "psd", "sizefits", "jit", "rng", "progress", "prediction", "netcdf",
     "resultread", "product", *modules_of("laws"), *modules_of("cards")),
    ("chamber", "balance", "operate", "capacity", "batch", "histories", "montecarlo", "pieces", "linear",
     "freepaths", "kineticlaws", "kinetics"),
    ("problem", "outcome", "calibrated", "scores", "band", "scalars", "assemble", "chambertrace"),
    ("run", "circuit", "circuitband", "circuitline", *modules_of("measured")),
    (*modules_of("prebuild"), "heatanswers", "heatstand", "heatcool", "heatrunaway", "coolants", "wear"),
    ("results", "resultfile", "csvout", *modules_of("sweep")),
    ("wording", "style", "limitwords", "advice", "describe", "comparison", "plots", "plots_power", "plots_size",
     "summary", "sizewords", "plots_sieve", "benchwords", "idlewords", "benchjson", "energywords", "plots_bench",
     "runwords", "why", "whyfacts", "plots_drawing", "drawing_parts", "drawing_shape",
     "drawing_views", "drawing_detail", "heatwords", "heattables", "wearwords",
     "prebuildwords"),
    modules_of("report"),
    modules_of("calibration"),
    ("calwords", "plots_calibration"),
    modules_of("choose"),
    ("choicewords", "circuitwords", "sweepwords", "plots_sweep", "plots_map", "plots_pareto", "plots_tornado",
     "sweepcut", "sweepwhy", "plots_place", "plots_line"),
    ("cli_base",),
    ("cli_sieve", "cli_bench", "cli_run", "cli_calibrate", "cli_check", "cli_draw", "cli_report", "cli_heat",
     "cli_wear", "cli_sweep", "cli_choose", "cli_circuit"),
    ("cli",),
    ("__init__", "__main__"),
)  # fmt: skip
LAYER = {name: i for i, names in enumerate(LAYERS) for name in names}
ENGINES = LAYERS[2]
READERS = ("plots", "plots_power", "plots_size", "summary", "advice", "limitwords", "comparison", "describe")


def name_of(path):
    """Module name below the package: "laws.air", "run"; a package by its own name."""
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" and len(parts) > 1 else parts)


def imports(path, top_level_only=False):
    """(own modules, other packages) that a file imports."""
    own, other = set(), set()
    tree = ast.parse(path.read_text(encoding="utf-8"))
    nodes = tree.body if top_level_only else ast.walk(tree)
    here = path.relative_to(PACKAGE).parent.parts
    for node in nodes:
        if isinstance(node, ast.Import):
            other |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            other.add((node.module or "").split(".")[0])
        elif isinstance(node, ast.ImportFrom):
            base = here[: len(here) - (node.level - 1)]
            found = ".".join((*base, node.module)) if node.module else ".".join(base)
            known = [".".join(filter(None, (found, a.name))) for a in node.names]
            own |= {k if k in LAYER else found for k in known}
    return own - {""}, other


def test_every_module_has_its_layer():
    assert {name_of(p) for p in FILES} <= set(LAYER), "a new module: give it a layer here"


@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_imports_go_down(path):
    own, _ = imports(path)
    up = {n for n in own if LAYER[n] > LAYER[name_of(path)]}
    assert not up


@pytest.mark.parametrize("path", sorted((PACKAGE / "laws").glob("*.py")), ids=name_of)
def test_laws_know_nothing_but_numbers(path):
    own, other = imports(path)
    assert own <= {"jit"}
    assert other <= {"math", "numpy"}


@pytest.mark.parametrize("name", ENGINES)
def test_engines_know_no_files_and_no_figures(name):
    own, other = imports(PACKAGE / f"{name}.py")
    assert not other & {"h5py", "click", "matplotlib", "tomllib", "json"}
    assert not own & {"config", "results", "resultread", "resultfile", "cli", "cards"}


@pytest.mark.parametrize("name", READERS)
def test_figures_and_reports_read_predictions_only(name):
    own, _ = imports(PACKAGE / f"{name}.py")
    engines = {n for i in (2, 3, 4) for n in LAYERS[i]}
    assert not own & engines
    if name != "describe":  # which tells what a config says, before anything is computed
        assert "config" not in own


@pytest.mark.parametrize(
    "name", ["__init__", "__main__", "cli", "config", "units", "params", "errors", "cards", "sheet", "schema", "values"]
)
def test_no_heavy_import_at_the_door(name):
    path = PACKAGE / name / "__init__.py" if (PACKAGE / name).is_dir() else PACKAGE / f"{name}.py"
    _, other = imports(path, top_level_only=True)
    assert not other & {"numpy", "numba", "scipy", "matplotlib", "h5py"}


@pytest.mark.parametrize("library", ["h5py", "click"])
def test_one_place_for_each_file_library(library):
    users = {name_of(p) for p in FILES if library in imports(p)[1]}
    allowed = {
        "h5py": {"results", "resultread", "resultfile", "netcdf", "sweep.write", "sweep.read"},
        "click": {n for n in LAYER if n.startswith("cli")},
    }
    assert users <= allowed[library]


def test_only_the_six_packages_at_run_time():
    allowed = {"numpy", "numba", "scipy", "h5py", "matplotlib", "click"} | set(sys.stdlib_module_names)
    for path in FILES:
        extra = {"distributed"} if name_of(path) == "sweep.cluster" else set()  # an optional one, asked for by name
        assert imports(path)[1] <= allowed | extra, path.name
    assert "distributed" not in imports(PACKAGE / "sweep" / "cluster.py", top_level_only=True)[1]


def functions(path):
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return [n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef | ast.AsyncFunctionDef)]


@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_modules_and_functions_stay_small(path):
    assert len(path.read_text(encoding="utf-8").splitlines()) <= MOST_LINES
    long = [f"{f.name}: {f.end_lineno - f.lineno + 1}" for f in functions(path)
            if f.end_lineno - f.lineno + 1 > MOST_FUNCTION_LINES]  # fmt: skip
    assert not long


@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_public_things_are_explained(path):
    # Module, public functions, classes and methods; helpers nested in a function need no docstring.
    tree = ast.parse(path.read_text(encoding="utf-8"))
    bare = [] if ast.get_docstring(tree) or not tree.body else ["the module"]
    for scope in [tree, *[n for n in tree.body if isinstance(n, ast.ClassDef)]]:
        for node in scope.body:
            if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_"):
                if not ast.get_docstring(node):
                    bare.append(node.name)
    assert not bare


@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_no_leftovers(path):
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.ExceptHandler):
            assert node.type is not None, "a bare except"
        if isinstance(node, ast.Raise) and node.exc is not None:
            assert "NotImplementedError" not in ast.dump(node.exc)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            assert node.func.id not in {"eval", "exec", "print"}
    assert not re.search(r"\b(TODO|FIXME|XXX)\b", path.read_text(encoding="utf-8"))


def published():
    """Every text file that is handed on."""
    folders = ("millsim", "tests", "configs", "benchmarks", ".ci")
    files = [p for f in folders for p in (ROOT / f).rglob("*") if p.is_file()]
    files += [p for p in ROOT.glob("*") if p.is_file()]
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
        "from millsim.cli import main\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        "heavy = {'numpy', 'numba', 'scipy', 'matplotlib', 'h5py'} & set(sys.modules)\n"
        "sys.exit(f'imported {sorted(heavy)}' if heavy else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    assert "predict" in done.stdout
