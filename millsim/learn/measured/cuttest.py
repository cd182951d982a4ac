"""A saw or disc cut as a bench test: energy per mass of dust, and the most powder a motor could make at that price.

Power under load less idle power, times time, over the mass of dust; where no idle power was measured the figure is
gross, an upper bound. Errors: the meter's class and the steps of clock, rule and scale are limits, plus or minus
(rectangles, standard error the limit over root 3); repeats add their scatter.
"""

from dataclasses import dataclass
from math import inf, sqrt
from pathlib import Path

from ...base.quantities.params import ParamSet
from ...errors import InputError, Problem
from .cutlaw import cut_J_kg
from .table import BenchTable, TableColumn, TableRow, read_table

EXAMPLE = "power_loaded_W,power_idle_W,time_s,kerf_mm,length_mm,depth_mm / 1150,610,3.5,2.0,80,12"
LIMIT = sqrt(3.0)
METER, CLOCK_S, KERF_M, LENGTH_M, SCALE_KG = 0.03, 0.2, 0.1e-3, 1e-3, 0.01e-3  # plus or minus, where not given: assumed
CHIPS_M = (0.02e-3, 0.25e-3)  # chip sizes between which a saw or disc works, for the comparison (assumed)

COLUMNS = (
    TableColumn("power_loaded", ("loaded power", "power load", "load", "power under load", "power"), "power_loaded_W",
                si="W", low=1.0, high=1e5, need=True),
    TableColumn("power_idle", ("idle power", "idle", "power no load", "no load"), "power_idle_W",
                si="W", low=0.0, high=1e5),
    TableColumn("time", ("cutting time", "duration"), "time_s", si="s", low=0.1, high=36000.0, need=True),
    TableColumn("kerf", ("kerf width", "cut width", "width"), "kerf_mm", si="m", low=5e-5, high=0.05),
    TableColumn("length", ("cut length", "length cut"), "length_mm", si="m", low=1e-3, high=1000.0),
    TableColumn("depth", ("cut depth", "thickness", "sheet thickness"), "depth_mm", si="m", low=1e-4, high=0.5),
    TableColumn("removed", ("removed mass", "dust", "dust mass", "mass removed", "mass loss"), "removed_g",
                si="kg", low=1e-6, high=100.0),
    TableColumn("chip", ("chip size", "chips", "dust size", "chip thickness"), "chip_um", si="m", low=1e-6, high=5e-3),
    TableColumn("density", (), "density_kg/m3", si="kg/m3", low=100.0, high=23000.0),
)  # fmt: skip


@dataclass(frozen=True)
class BenchCut:
    """One cut: mass of dust [kg], energies per mass [J/kg] net of idle (or gross) and gross, standard error [J/kg].

    common: the part of the standard error that repeats share, the meter's.
    """

    line: int
    dust_kg: float
    net_J_kg: float
    gross_J_kg: float
    se_J_kg: float
    common_J_kg: float
    chip_m: float | None = None  # size of the chips, where known


@dataclass(frozen=True)
class CutTest:
    """All cuts, their mean and its standard error; is_net: whether idle power was taken off.

    dof: effective degrees of freedom of the error (Welch & Satterthwaite, as in the GUM): few repeats that scatter
    make wide limits.
    """

    name: str
    cuts: tuple[BenchCut, ...]
    is_net: bool
    at: str
    efficiency: float | None
    mean_J_kg: float
    se_J_kg: float
    scatter_J_kg: float
    dof: float
    assumed: tuple[str, ...]
    model_J_kg: tuple[float, float] | None

    @property
    def at_shaft_J_kg(self) -> float:
        """Energy per mass at the shaft where the efficiency is known, else as measured."""
        known = self.efficiency if self.at == "mains" else None
        return self.mean_J_kg * (1.0 if known is None else known)

    def relative_95(self) -> float:
        """Half-width of the 95 % limits of the energy per mass, as a share of it."""
        from scipy.stats import t

        return float(t.ppf(0.975, self.dof)) * self.se_J_kg / self.mean_J_kg

    def most_kg_s(self, motor_W: float) -> tuple[float, float, float]:
        """(rate, low, high) [kg/s] at which this energy per mass takes all of a motor's shaft power; 95 % limits."""
        rate, relative = motor_W / self.at_shaft_J_kg, self.relative_95()
        return rate, rate / (1.0 + relative), rate / (1.0 - relative) if relative < 1.0 else inf


def read_cuts(
    path: "str | Path", material: ParamSet | None, meter: float | None = None, at: str = "mains",
    efficiency: float | None = None, decimal: str = "", chip_m: float | None = None,
) -> CutTest:  # fmt: skip
    """Read and work out a cut test; InputError with every problem.

    material: card for the density where no column gives it; meter: class of the power meter as a share; efficiency:
    of the motor, where power was measured at the mains; chip_m: size of the chips where no column gives it.
    """
    path = Path(path)
    table, problems = read_table(path, COLUMNS, EXAMPLE, decimal)
    if not problems:
        _check(table, material, problems)
    if problems:
        raise InputError(problems)
    share = METER if meter is None else meter
    is_net = "power_idle" in table
    cuts = tuple(_cut(row, material, share, is_net, chip_m) for row in table.rows)
    mean = sum(c.net_J_kg for c in cuts) / len(cuts)
    scatter, se, dof = _errors(cuts, mean)
    assumed = tuple(_assumed(table, material, meter))
    model = _model(material) if material is not None else None
    return CutTest(path.name, cuts, is_net, at, efficiency, mean, se, scatter, dof, assumed, model)


def _check(table: BenchTable, material: ParamSet | None, problems: list[Problem]) -> None:
    sizes = ("kerf", "length", "depth")
    missing = [n for n in sizes if n not in table]
    if "removed" not in table and missing:
        message = f"says neither the mass removed nor the {', '.join(missing)} of the cut"
        hint = "add a column removed_g, or kerf_mm, length_mm and depth_mm"
        problems.append(Problem(table.where, "", message, hint=hint))
        return
    for row in table.rows:
        key = f"line {row.line}"
        if row["removed"] is None and any(row[n] is None for n in sizes):
            message = "there is neither a mass removed nor kerf, length and depth"
            problems.append(Problem(table.where, key, message))
        elif row["removed"] is None and row["density"] is None and material is None:
            hint = "add a column density_kg/m3, or say --material CARD"
            problems.append(Problem(table.where, key, "there is no density for the mass of the dust", hint=hint))
        if "power_idle" in table and row["power_idle"] is None:
            problems.append(Problem(table.where, key, "there is no idle power, though other rows have one"))
        elif "power_idle" in table and row["power_idle"] >= row["power_loaded"]:
            message = f"idle power {row['power_idle']:g} W is not below the loaded power {row['power_loaded']:g} W"
            problems.append(Problem(table.where, key, message, hint="are the two swapped?"))


def _cut(row: TableRow, material: ParamSet | None, meter: float, is_net: bool, chip_m: float | None) -> BenchCut:
    """Energy per mass of one cut, with the errors of its instruments."""
    idle = row["power_idle"] if is_net else 0.0
    power = row["power_loaded"] - idle
    if row["removed"] is not None:
        dust, dust_error = row["removed"], SCALE_KG / row["removed"]
    else:
        density = row["density"]
        if density is None:
            assert material is not None  # else asked for: see `_check`
            density = material.value("density")
        dust = row["kerf"] * row["length"] * row["depth"] * density
        parts = (KERF_M / row["kerf"], LENGTH_M / row["length"], KERF_M / row["depth"])
        dust_error = sqrt(sum(p * p for p in parts))
    net = power * row["time"] / dust
    own = net * sqrt((CLOCK_S / row["time"]) ** 2 + dust_error**2) / LIMIT
    # The meter may be off by different shares at the two readings, so the errors of load and idle do not cancel.
    common = net * meter * sqrt(row["power_loaded"] ** 2 + idle**2) / power / LIMIT
    gross = row["power_loaded"] * row["time"] / dust
    return BenchCut(row.line, dust, net, gross, sqrt(own**2 + common**2), common, row["chip"] or chip_m)


def _errors(cuts: tuple[BenchCut, ...], mean: float) -> tuple[float, float, float]:
    """(scatter of the repeats, standard error of the mean, its effective degrees of freedom).

    The error is the larger of scatter and instruments, together with the meter's, which repeats share.
    """
    n = len(cuts)
    scatter = sqrt(sum((c.net_J_kg - mean) ** 2 for c in cuts) / (n - 1)) if n > 1 else 0.0
    own = sqrt(sum(c.se_J_kg**2 - c.common_J_kg**2 for c in cuts)) / n
    common = sum(c.common_J_kg for c in cuts) / n
    seen = scatter / sqrt(n)
    se = sqrt(max(seen, own) ** 2 + common**2)
    return scatter, se, (n - 1) * (se / seen) ** 4 if seen > own else inf


def _model(material: ParamSet) -> tuple[float, float]:
    """What the model's law of cutting asks for coarse and for fine chips by a sharp tooth, J/kg."""
    low, high = (cut_J_kg(material, "toothed", h) for h in reversed(CHIPS_M))
    return low, high


def _assumed(table: BenchTable, material: ParamSet | None, meter: float | None):
    """Sentences on what was not said."""
    if meter is None:
        yield f"the power meter is right to within {METER * 100:g} % (say --meter otherwise)"
    yield f"the time is known to within {CLOCK_S:g} s"
    if any(r["removed"] is not None for r in table.rows):
        yield f"the mass removed is known to within {SCALE_KG * 1e3:g} g"
    if any(r["removed"] is None for r in table.rows):
        yield f"kerf and depth are known to within {KERF_M * 1e3:g} mm, length to within {LENGTH_M * 1e3:g} mm"
        if any(r["density"] is None for r in table.rows) and material is not None:
            yield f"the density is {material.value('density'):g} kg/m3, from the card {material.title}"
    if table.ignored:
        yield f"columns not read: {', '.join(table.ignored)}"
