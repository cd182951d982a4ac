"""The laws called with quantities (pint, test only) give the dimension their docstrings state.

Run in a process without numba, where the laws are plain Python. math.sqrt knows no units, so there it is
replaced by a power; exp, log and the rest take numbers only, which is the check that their arguments are pure.
Left out, because constants inside them carry units: air_density, air_viscosity, restitution, log_between (from 40 K
above), enthalpy_rise, chamber_temperature, stickiness, opening_flow, bond_energy, settling_size; and coarse_weight,
which takes the logarithm of a size in metres (only ratios of its results are used), with those that call it, and
breaking_work, which adds up over logarithms of sizes.
"""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

TESTS = Path(__file__).resolve().parent

# law: (module, arguments, dimension stated)
CASES = {
    "breakage_probability": ("breakage", ["0.003 m", "1300 J/kg", "0.12 kg/(J m)", "1.5 J m/kg"], ""),
    "size_floor": ("breakage", ["1.5 J m/kg", "0.004 m", "0.8", "50 m/s"], "m"),
    "threshold_at": ("breakage", ["0.003 m", "1.5 J m/kg", "0.004 m", "0.8"], "J m/kg"),
    "shatter_share": ("breakage", ["1", "0.7"], ""),
    "fines_share": ("breakage", ["0.003 m", "2e-6 m"], ""),
    "fines_weight": ("breakage", ["2e-5 m", "1.2", "5e-5 m"], ""),
    "floor_share": ("breakage", ["2e-5 m", "5e-5 m"], ""),
    "fines_size": ("breakage", ["0.003 m", "0.4", "1.2", "5e-5 m"], "m"),
    "cutting_energy": ("cutting", ["2", "1e8 Pa", "1500 J/m^2", "1e-4 m", "1240 kg/m^3"], "J/kg"),
    "process_zone": ("cutting", ["0.3", "3.5e9 Pa", "1500 J/m^2", "1.2e8 Pa"], "m"),
    "separation_energy": ("cutting", ["1500 J/m^2", "1", "1.2e8 Pa", "8e-5 m"], "J/m^2"),
    "plastic_work": ("cutting", ["3", "1.2e8 Pa", "1e-4 m", "2e-4 m"], "J/m^3"),
    "chip_energy": ("cutting", ["1e-4 m", "3e8 J/m^3", "5e-5 m", "4000 J/m^2"], "J"),
    "chip_paid": ("cutting", ["1e-4 J", "3e8 J/m^3", "5e-5 m", "4000 J/m^2"], "m"),
    "chip_share": ("cutting", ["65 J/kg", "15 J/kg", "2e5 J/kg"], ""),
    "shear_energy": ("cutting", ["8e7 Pa", "1240 kg/m^3", "0.003 m", "0.12 kg/(J m)", "1.5 J m/kg"], "J/kg"),
    "shear_force": ("cutting", ["8e7 Pa", "0.004 m"], "N"),
    "nip_angle": ("cutting", ["0.005 m", "0.004 m", "0.001 m", "0.002 m"], ""),
    "overlap_share": ("cutting", ["0.003 m", "0.001 m", "5e-4 m"], ""),
    "bridging": ("cutting", ["0.4", "0.2", "0.3", "0.8", "0.0"], ""),
    "pin_bending_force": ("cutting", ["6.4e8 Pa", "0.008 m", "0.02 m", "1"], "N"),
    "pin_stiffness": ("cutting", ["2.1e11 Pa", "0.008 m", "0.02 m", "1"], "N/m"),
    "hammer_energy": ("cutting", ["0.02 kg", "60 m/s"], "J"),
    "hammer_bite": ("cutting", ["7 J", "0.5 J"], ""),
    "hammer_speed_share": ("cutting", ["0.5 J", "7 J"], ""),
    "bar_pass_rate": ("motion", ["4", "1000 1/s", "0.35"], "1/s"),
    "layer_depth": ("motion", ["0.005 kg", "600 kg/m^3", "0.06 m", "0.02 m"], "m"),
    "engagement": ("motion", ["0.003 m", "0.001 m", "0.002 m", "0.001 m"], ""),
    "exposure": ("motion", ["0.001 m", "0.002 m"], ""),
    "relaxation_time": ("motion", ["0.001 m", "1240 kg/m^3", "25 m/s", "1.2 kg/m^3", "1.8e-5 Pa s"], "s"),
    "impact_efficiency": ("motion", ["0.1 s", "25 m/s", "0.008 m"], ""),
    "land_factor": ("motion", ["0.3", "4", "0.008 m", "0.06 m"], ""),
    "ploughing_power": ("motion", ["0.05 kg", "100 1/s", "0.003 m", "0.006 m", "0.3", "60 m/s"], "W"),
    "pin_share": ("motion", ["12", "0.008 m", "0.002 m", "0.063 m"], ""),
    "bar_energy": ("motion", ["60 m/s", "0.35", "0.9"], "J/kg"),
    "bar_work": ("motion", ["60 m/s", "0.35", "0.5", "0.9"], "J/kg"),
    "thrown_energy": ("motion", ["60 m/s", "0.35", "0.5", "0.9"], "J/kg"),
    "path_survival": ("motion", ["0.3", "0.02 m", "0.063 m"], ""),
    "open_area_staggered": ("openings", ["0.0006 m", "0.0012 m"], ""),
    "open_area_mesh": ("openings", ["0.0016 m", "0.0008 m"], ""),
    "unblinded_share": ("sieving", ["0.02 1/s", "0.1 1/s"], ""),
    "fan_pressure": ("air", ["1.2 kg/m^3", "0.4", "60 m/s", "18 m/s"], "Pa"),
    "fan_flow_max": ("air", ["0.05", "0.06 m", "0.02 m", "60 m/s"], "m^3/s"),
    "air_flow": ("air", ["300 Pa", "0.02 m^3/s", "500 Pa", "1e6 Pa s^2/m^6", "2e3 Pa s/m^3"], "m^3/s"),
    "air_swirl": (
        "air",
        ["4", "1.5", "0.02 m", "0.06 m", "0.018 m", "12", "1.2", "0.008 m", "0.01", "0.063 m", "3e-6 m^3"],
        "",
    ),
    "windage_power": ("air", ["4", "1.2 kg/m^3", "1.5", "0.02 m", "1000 1/s", "0.4", "0.06 m", "0.018 m"], "W"),
    "speed_under_load": ("drive", ["300 W", "0 W", "1000 1/s", "600 W", "950 1/s"], "1/s"),
    "own_loss": ("drive", ["90 W", "1000 1/s", "1200 1/s"], "W"),
    "load_loss": ("drive", ["1100 W", "0.78", "120 W"], "W"),
    "motor_output": ("drive", ["420 W", "1100 W", "0.78", "120 W"], "W"),
    "tool_speed": ("drive", ["1300 W", "1000 1/s", "1100 W", "0.3", "0.4"], "1/s"),
    "short_time_duty": ("drive", ["600 s", "1200 s"], ""),
    "lasting_share": ("drive", ["0.4", "90 W", "510 W"], ""),
    "motor_input": ("drive", ["300 W", "1100 W", "0.78", "120 W"], "W"),
    "power_at_speed": ("drive", ["300 W", "900 1/s", "1000 1/s"], "W"),
    "labouring_speed": ("drive", ["1200 W", "2000 W", "1000 1/s"], "1/s"),
    "kinetic_energy": ("drive", ["7e-4 kg m^2", "1000 1/s"], "J"),
    "jam_energy_index": ("drive", ["0.5 J", "0.2 J^2", "300 J", "0.3"], ""),
    "series_conductance": ("heat", ["2 W/K", "0.8 W/K"], "W/K"),
    "warming_time": ("heat", ["0.004 m", "1240 kg/m^3", "1250 J/(kg K)", "0.13 W/(m K)", "200 W/(m^2 K)"], "s"),
    "film_coefficient": (
        "heat",
        ["0.001 m", "15 m/s", "1.2 kg/m^3", "1.8e-5 Pa s", "0.026 W/(m K)", "0.7"],
        "W/(m^2 K)",
    ),
    "self_heating": ("heat", ["500 W/kg", "1240 kg/m^3", "0.002 m", "150 W/(m^2 K)"], "K"),
    "warmed_share": ("heat", ["4 s", "2 s"], ""),
    "lumped_warmup": ("heat", ["293 K", "330 K", "60 s", "400 s"], "K"),
    "size_energy": ("sizes", ["0.05 m", "0.01 m", "160 J m/kg", "2"], "J/kg"),
    "size_constant": ("sizes", ["13e3 J/kg", "0.05 m", "0.01 m", "2"], "J m/kg"),
    "size_reached": ("sizes", ["10e3 J/kg", "0.006 m", "57 J m/kg", "2"], "m"),
    "air_rise": ("cooling", ["500 W", "0.0167 m^3/s", "1.2 kg/m^3", "1005 J/(kg K)"], "K"),
    "air_for_rise": ("cooling", ["500 W", "25 K", "1.2 kg/m^3", "1005 J/(kg K)"], "m^3/s"),
    "blower_for_flow": ("cooling", ["0.02 m^3/s", "300 Pa", "0.05 m^3/s", "1e6 Pa s^2/m^6", "2e3 Pa s/m^3"], "Pa"),
    "mixed_air": ("cooling", ["303 K", "278 K", "0.9"], "K"),
    "cooler_outlet": ("cooling", ["280 K", "303 K", "0.9"], "K"),
    "time_to": ("cooling", ["303 K", "318 K", "327 K", "138 s"], "s"),
    "coolant_ratio": ("cooling", ["96e3 J/kg", "36e4 J/kg", "199e3 J/kg", "1040 J/(kg K)", "77 K", "243 K", "1.2"], ""),
    "gas_volume": ("cooling", ["0.5 kg", "0.044 kg/mol", "293 K", "8.314 J/(mol K)", "101325 Pa"], "m^3"),
    "air_for_oxygen": ("cooling", ["0.01 m^3/s", "0.195", "0.209"], "m^3/s"),
    "air_for_gas": ("cooling", ["0.01 m^3/s", "0.005"], "m^3/s"),
    "amplification": ("cooling", ["0.3"], ""),
    "iron_share": ("wear", ["5e-5 kg", "2 kg"], ""),
    "worn_area": ("wear", ["6e-9 m^3", "4", "0.02 m"], "m^2"),
    "face_recession": ("wear", ["6e-9 m^3", "4", "0.008 m", "0.02 m"], "m"),
    "rounded_radius": ("wear", ["3e-5 m", "2e-9 m^2"], "m"),
    "bar_stress": ("strength", ["7850 kg/m^3", "80 m/s", "20 m/s"], "Pa"),
    "ring_stress": ("strength", ["7850 kg/m^3", "80 m/s"], "Pa"),
    "centrifugal_force": ("strength", ["0.02 kg", "0.06 m", "942 1/s"], "N"),
    "shear_stress": ("strength", ["1600 N", "3e-5 m^2", "2"], "Pa"),
    "round_area": ("strength", ["0.006 m"], "m^2"),
    "bearing_pressure": ("strength", ["1600 N", "0.006 m", "0.01 m"], "Pa"),
    "core_diameter": ("strength", ["0.006 m", "0.001 m"], "m"),
    "cantilever_moment": ("strength", ["500 N", "0.02 m"], "N m"),
    "spread_moment": ("strength", ["500 N", "0.01 m"], "N m"),
    "across_hub": ("strength", ["500 N", "4"], "N"),
    "beam_moment": ("strength", ["500 N", "0.02 m"], "N m"),
    "bending_stress": ("strength", ["10 N m", "0.008 m"], "Pa"),
    "flat_bending_stress": ("strength", ["10 N m", "0.03 m", "0.01 m"], "Pa"),
    "flat_for_moment": ("strength", ["10 N m", "0.03 m", "2.35e8 Pa"], "m"),
    "thermal_growth": ("strength", ["12e-6 1/K", "0.06 m", "50 K"], "m"),
    "second_moment": ("strength", ["0.012 m"], "m^4"),
    "overhung_speed": ("strength", ["2.1e11 Pa", "1e-9 m^4", "0.4 kg", "0.06 m", "0.1 m"], "1/s"),
    "midspan_speed": ("strength", ["2.1e11 Pa", "1e-9 m^4", "0.4 kg", "0.16 m"], "1/s"),
    "permitted_eccentricity": ("strength", ["0.0063 m/s", "838 1/s"], "m"),
    "permitted_mass": ("strength", ["7e-6 m", "0.6 kg", "0.06 m"], "kg"),
    "restoring_moment": ("strength", ["0.02 kg", "942 1/s", "0.045 m", "0.015 m"], "N m"),
    "bar_inertia": ("strength", ["0.02 kg", "0.03 m"], "kg m^2"),
    "swing_back": ("strength", ["6e-6 kg m^2", "12 N m", "170 1/s"], ""),
    "speed_lost": ("strength", ["70 m/s", "16 J", "2.3 J"], "m/s"),
    "speed_lost_by_hit": ("strength", ["45 m/s", "0.5", "9e-5 kg", "0.02 kg"], "m/s"),
    "yield_at": ("cutting", ["1.5e8 Pa", "-1e6 Pa/K", "195 K", "293 K"], "Pa"),
    "shaft_torque": ("strength", ["600 W", "2094 1/s"], "N m"),
    "bar_half_energy": ("strength", ["0.075 kg", "80 m/s"], "J"),
    "wall_energy": ("strength", ["32 J", "0.0025 m", "0.005 m"], "J"),
    "coast_down": ("strength", ["7e-4 kg m^2", "1000 1/s", "0.01 N m", "80 W"], "s"),
    "dust_concentration": ("strength", ["2.8e-4 kg/s", "0.9", "0.01 m^3/s"], "kg/m^3"),
    "pin_for_moment": ("strength", ["10 N m", "2.35e8 Pa"], "m"),
    "impact_force": ("strength", ["50 m/s", "0.004 m", "1240 kg/m^3", "3e8 Pa"], "N"),
    "surface_work": ("least", ["1150 J/m^2", "1180 kg/m^3", "0.0003 m", "0.004 m"], "J/kg"),
    "cutting_work": ("least", ["3e8 J/m^3", "1150 J/m^2", "1180 kg/m^3", "0.0003 m"], "J/kg"),
    "cake_resistance": ("filter", ["2e-5 m", "1180 kg/m^3", "1.8e-5 Pa s", "0.6"], "1/s"),
    "loaded_resistance": ("filter", ["2e3 Pa s/m", "3e4 1/s", "0.2 kg/m^2"], "Pa s/m"),
    "share_lost": ("filter", ["5e-6 1/s", "3600 s"], ""),
    "mesh_thread": ("openings", ["0.0006 m", "0.3"], "m"),
}

# One argument of a wrong dimension each: a formula that swallowed it would prove nothing above.
WRONG = {
    "breakage_probability": (1, "1300 J"),
    "cutting_energy": (3, "1e-4 s"),
    "air_flow": (4, "2e3 Pa s/m^2"),
    "chip_energy": (1, "3e8 J/m^2"),
    "separation_energy": (2, "1.2e8 N"),
    "shear_energy": (3, "0.12 kg/J"),
    "air_swirl": (10, "3e-3 m^3/s"),
    "ploughing_power": (1, "100"),
    "relaxation_time": (4, "1.8e-5 Pa"),
    "thrown_energy": (1, "0.35 m"),
    "warming_time": (4, "200 W/(m K)"),
    "jam_energy_index": (1, "0.2 J"),
    "size_energy": (2, "160 J/kg"),
    "bar_stress": (0, "7850 kg/m^2"),
    "overhung_speed": (1, "1e-9 m^3"),
    "swing_back": (1, "12 N"),
    "coast_down": (2, "0.01 N"),
    "impact_force": (3, "3e8 N"),
    "blower_for_flow": (4, "2e3 Pa s^2/m^6"),
    "coolant_ratio": (3, "1040 J/kg"),
    "rounded_radius": (1, "2e-9 m"),
    "surface_work": (0, "1150 J/m^3"),
    "cake_resistance": (2, "1.8e-5 Pa"),
    "loaded_resistance": (1, "3e4 1/m"),
}


def _evaluate() -> dict[str, str]:
    """Each case as "ok" or what went wrong (runs in the child process)."""
    import importlib

    import pint

    # pint raises ValueError where a quantity is compared with a number.
    units = pint.UnitRegistry()

    def quantity(text: str):
        found = units.Quantity(text)
        return found.magnitude if found.unitless else found

    def call(name: str, arguments: list[str]):
        module = importlib.import_module(f"millsim.laws.{CASES[name][0]}")
        if hasattr(module, "sqrt"):
            module.sqrt = lambda q: q**0.5
        return getattr(module, name)(*[quantity(a) for a in arguments])

    found = {}
    for name, (_, arguments, unit) in CASES.items():
        try:
            result = units.Quantity(call(name, arguments))
            right = result.check(units.Quantity(1, unit).dimensionality)
            found[name] = "ok" if right else f"{result.dimensionality} instead of {unit}"
        except (pint.DimensionalityError, ValueError) as error:
            found[name] = str(error)
    for name, (i, wrong) in WRONG.items():
        arguments = list(CASES[name][1])
        arguments[i] = wrong
        try:
            result = units.Quantity(call(name, arguments))
            right = result.check(units.Quantity(1, CASES[name][2]).dimensionality)
            found[f"wrong {name}"] = "swallowed" if right else "noticed"
        except (pint.DimensionalityError, ValueError):
            found[f"wrong {name}"] = "noticed"
    return found


@pytest.fixture(scope="module")
def found():
    code = "import json, test_laws_units as t; print(json.dumps(t._evaluate()))"
    env = {**os.environ, "NUMBA_DISABLE_JIT": "1", "PYTHONPATH": os.pathsep.join([str(TESTS.parent), str(TESTS)])}
    done = subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


@pytest.mark.parametrize("name", CASES)
def test_dimension(found, name):
    assert found[name] == "ok"


@pytest.mark.parametrize("name", WRONG)
def test_a_wrong_unit_is_noticed(found, name):
    assert found[f"wrong {name}"] == "noticed"


def test_no_law_is_forgotten():
    import ast

    left_out = {
        "air_density", "air_viscosity", "restitution", "log_between", "enthalpy_rise", "chamber_temperature",
        "stickiness", "opening_flow", "coarse_weight", "coarse_size", "finer_share", "bond_energy",
        "breaking_work", "settling_size",
    }  # fmt: skip
    pure = {  # numbers in, number out
        "drag_coefficient", "bite_probability", "screening", "plate_loss", "pass_slow", "pass_skim", "mean_pass_skim",
        "pass_open", "open_to_pass", "chipped_size", "log_left", "thinned",
    }  # fmt: skip
    laws = set()
    for path in (TESTS.parent / "millsim" / "laws").glob("*.py"):
        laws |= {n.name for n in ast.parse(path.read_text()).body if isinstance(n, ast.FunctionDef)}
    assert laws == set(CASES) | left_out | pure
