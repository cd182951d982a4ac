"""A made-up Prediction for tests of files, figures and reports. Every number here is INVENTED."""

import dataclasses
import math
import re

import numpy as np

from millsim.base.quantities.params import Param
from millsim.base.quantities.scalar import Scalar
from millsim.record.prediction import (
    Advised,
    ChamberTrace,
    Change,
    EngineResult,
    Limit,
    Prediction,
    Reviewed,
    Running,
    SizeTable,
)

NAN = float("nan")
HOLE_M = 0.5e-3


def _table(seed: int, band: bool, noise: float) -> SizeTable:
    n = 48
    edges = HOLE_M * 1.15 ** np.arange(15.0 - n, 16.0)
    x = np.sqrt(edges[1:] * edges[:-1])
    rng = np.random.default_rng(seed)

    def rrsb(x50: float, slope: float, top: float) -> np.ndarray:
        q = -np.expm1(-math.log(2) * (edges / x50) ** slope)
        q = q / -math.expm1(-math.log(2) * (top / x50) ** slope)
        return np.where(edges >= top, 1.0, np.minimum(q, 1.0))

    top = HOLE_M / 0.85
    product = rrsb(0.272e-3, 2.1, top)
    error = noise * np.sqrt(product * (1 - product))
    if noise:
        product = np.maximum.accumulate(np.clip(product + error * rng.standard_normal(n + 1), 0, 1))
    nan = np.full(n + 1, NAN)
    feed = 0.5 * (1 + np.vectorize(math.erf)(np.log(edges / 2.4e-3) / (0.22 * math.sqrt(2))))
    feed[-1] = 1.0
    over = np.maximum(0.0, x * 1e3 - 0.16)
    escape = np.where(0.85 * x < HOLE_M, 9.0 * (1 - 0.85 * x / HOLE_M).clip(0) ** 2, 0.0)
    return SizeTable(
        edges_m=edges,
        feed_q3=feed,
        product_q3=product,
        product_q3_se=error if noise else nan,
        product_q3_low=rrsb(0.37e-3, 2.2, top) if band else nan,
        product_q3_high=rrsb(0.19e-3, 1.9, top) if band else nan,
        holdup_q3=rrsb(0.55e-3, 1.1, 3.5e-3),
        x_m=x,
        strike_1_s=420 * x / (x + 0.05e-3),
        selection_1_s=14 * over**1.4,
        nip_1_s=np.where(x > 1e-3, 6.0, 0.0),
        chip_1_s=0.02 + 0.1 * over,
        escape_1_s=escape,
    )


def _scalars(shift: float, se: bool, band: bool) -> dict[str, Scalar]:
    rows = [  # key, value, unit, name, relative standard error, low, high
        ("x10_m", 0.112e-3, "m", "10 % of the product mass is finer than", 0.008, 0.07e-3, 0.16e-3),
        ("x50_m", 0.272e-3, "m", "half of the product mass is finer than", 0.006, 0.19e-3, 0.37e-3),
        ("x90_m", 0.463e-3, "m", "90 % of the product mass is finer than", 0.004, 0.38e-3, 0.53e-3),
        ("span", 1.29, "1", "span (x90 - x10)/x50", 0.01, 1.0, 1.7),
        ("throughput_kg_s", 0.096e-3, "kg/s", "throughput", NAN, 0.045e-3, 0.21e-3),
        ("capacity_kg_s", 0.096e-3, "kg/s", "largest steady feed", NAN, 0.045e-3, 0.21e-3),
        ("holdup_kg", 1.42e-3, "kg", "charge inside the chamber", 0.012, 0.6e-3, 3.3e-3),
        ("hits_per_particle", 512.0, "1", "bar hits per tagged gram of feed until it leaves", 0.011, 240.0, 1100.0),
        ("hits_above_threshold_share", 0.147, "1", "share of hits above the breakage threshold", 0.006, 0.06, 0.31),
        ("gross_J_kg", 4.81e6, "J/kg", "electrical energy per kilogram of powder", 0.01, 2.3e6, 1.02e7),
        ("net_J_kg", 2.92e6, "J/kg", "shaft energy spent on the charge per kilogram", 0.01, 1.2e6, 6.6e6),
        ("shaft_power_W", 371.0, "W", "shaft power", 0.004, 300.0, 420.0),
        ("electrical_power_W", 462.0, "W", "power from the socket", 0.004, 400.0, 540.0),
        ("idle_power_W", 148.0, "W", "power from the socket when empty", NAN, 90.0, 260.0),
        ("outlet_temperature_K", 318.4, "K", "temperature of the air leaving", 0.0004, 309.0, 336.0),
        ("air_flow_m3_s", 0.0124, "m3/s", "air flow", NAN, 0.008, 0.019),
        ("open_sieve_share", 0.83, "1", "share of the sieve holes that is open", 0.002, 0.6, 0.95),
        ("speed_rad_s", 1225.0, "rad/s", "rotor speed under load", NAN, 1190.0, 1250.0),
        ("tip_speed_m_s", 61.2, "m/s", "tip speed under load", NAN, 59.5, 62.5),
        ("residence_s", 14.8, "s", "mean residence time", 0.012, 5.0, 40.0),
        ("jam_index", 0.21, "1", "torque of a bite over what the drive can give", 0.02, 0.1, 0.5),
    ]
    return {
        key: Scalar(v * (1 + shift), u, name, e * v if se else NAN, lo if band else NAN, hi if band else NAN)
        for key, v, u, name, e, lo, hi in rows
    }


def _watts(values: dict[str, float], se: bool) -> dict[str, Scalar]:
    return {k: Scalar(v, "W", k, 0.004 * v if se else NAN) for k, v in values.items()}


LEDGER_IN = {"windage": 71.0, "bearings": 12.2, "striking": 262.4, "nip": 7.9, "layer drive": 17.5}
LEDGER_OUT = {
    "air drag heat": 71.0,
    "bearing heat": 12.2,
    "bar impact heat": 96.1,
    "pin impact heat": 118.6,
    "path friction heat": 39.2,
    "wall rub heat": 17.5,
    "chips cut": 8.5,
    "nip shear": 7.9,
}


def fake_engine(engine: str, band: bool = True, shift: float = 0.0, seed: int = 1) -> EngineResult:
    """One invented engine result; the Monte Carlo one carries standard errors."""
    monte_carlo = engine == "montecarlo"
    numerics = {"residual": 3.1e-10, "iterations": 11.0, "class_error": 0.006}
    if monte_carlo:
        numerics = {"histories": 20000.0, "batches": 20.0, "mass_closure": 2.2e-16}
    return EngineResult(
        engine=engine,
        table=_table(seed, band, 0.004 if monte_carlo else 0.0),
        scalars=_scalars(shift, monte_carlo, band),
        ledger_in_W=_watts(LEDGER_IN, monte_carlo),
        ledger_out_W=_watts(LEDGER_OUT, monte_carlo),
        numerics=numerics,
    )


def fake_trace(k: int = 600) -> ChamberTrace:
    """An invented ten-minute torque and speed trace."""
    rng = np.random.default_rng(5)
    time = np.linspace(0.5, 300.0, k)
    torque = 0.30 + 0.02 * rng.standard_normal(k) + 0.05 * (1 - np.exp(-time / 20))
    peak = torque + rng.exponential(0.25, k)
    return ChamberTrace(
        time_s=time,
        torque_Nm=torque,
        peak_torque_Nm=peak,
        speed_rad_s=1225 - 40 * (torque - 0.35),
        pieces=rng.poisson(40 * (1 - np.exp(-time / 20))).astype(float),
        runs=200,
        stalls=3,
        stall_low=0.0031,
        stall_high=0.0432,
        duration_s=300.0,
        arrived=41_000,
        running=Running(runs=40, stalls=1, watched_s=11_900.0, arrived=8_100, low_1_s=2.1276e-6, high_1_s=4.682e-4),
        charge_kg=2e-3 * (1 - np.exp(-time / 20)),
        fed_kg_s=350e-3 / 3600,
        pieces_1_s=0.68,
        rated_torque_Nm=0.33,
        overload_torque_Nm=0.66,
    )


def fake_parameters() -> tuple[Param, ...]:
    """Invented parameters with one of each basis that occurs."""
    return (
        Param("density", 1180.0, "kg/m3", 1170.0, 1200.0, "handbook", "invented for tests"),
        Param("f_mat_warm", 0.25, "kg/(J m)", 0.08, 0.8, "assumed", 'invented; "quoted", with a comma', "log"),
        Param("xw_min_warm", 1.2, "J m/kg", 0.4, 2.4, "common practice", "invented", "log", "a note"),
        Param("sieve_factor", 1.0, "1", 0.3, 3.0, "assumed", "invented", "log"),
        Param("windage_factor", 1.0, "1", 0.5, 3.0, "assumed", "invented", "log"),
        Param("stick_temperature", 358.15, "K", 348.15, 368.15, "from memory", "invented"),
    )


def fake_limits() -> tuple[Limit, ...]:
    """Invented limits; the shaft power binds."""
    return (
        Limit("shaft power", 371.0, 371.0, "W", "The motor has no shaft power left."),
        Limit(
            "outlet temperature", 318.4, 358.15, "K", "The powder stays 40 K below the point where it sticks.", 293.15
        ),
        Limit("sieve", 0.096e-3, 0.31e-3, "kg/s", "The sieve could pass about three times as much."),
        Limit("jam", 0.21, 1.0, "1", "A bite takes a fifth of the torque the drive can give."),
        Limit("feed opening", 0.0, 1.0, "1", "The feed opening does not limit."),
    )


def fake_prediction(both: bool = True, band: bool = True, trace: bool = True, **changes: object) -> Prediction:
    """An invented prediction of an acrylic mill; `changes` replace fields."""
    time = np.concatenate([[0.0], np.geomspace(5.0, 3600.0, 60)])
    widest = {
        "x50_m": [("f_mat_warm", 1.42), ("sieve_factor", 1.31), ("xw_min_warm", 1.22), ("windage_factor", 1.01)],
        "throughput_kg_s": [("sieve_factor", 1.9), ("f_mat_warm", 1.8), ("windage_factor", 1.4)],
    }
    prediction = Prediction(
        status="ok",
        config_text='[mill]\nname = "Acrylic workshop mill"\n',
        config_sha256="5f" * 32,
        mill_name="Acrylic workshop mill",
        seed=20240611,
        command="millsim predict acrylic.toml",
        version="0.1.0",
        model_version="1",
        requested_rate_kg_s=NAN,
        hole_m=HOLE_M,
        size_floor_m=2 * 1.2 / 61.2**2 / 4,
        main=fake_engine("balance", band),
        other=fake_engine("montecarlo", False, 0.004, 2) if both else None,
        limits=fake_limits(),
        binding="shaft power",
        parameters=fake_parameters(),
        band_level=0.8 if band else NAN,
        widest=widest if band else {},
        changes=(
            Change(
                "stator.pins",
                "22 pins",
                ("stator.pins=22",),
                1.5e-3,
                0.25e-3,
                9e5,
                335.0,
                "shaft power",
                1.7,
                "every nip full for one turn",
            ),
            Change(
                "sieve.hole",
                "holes of 1.2 mm",
                ('sieve.hole="1.2 mm"', 'sieve.pitch="2.4 mm"'),
                2.7e-3,
                0.41e-3,
                5e5,
                334.0,
                "shaft power",
                3.2,
                "",
            ),
        ),
        reviewed=Reviewed(("dust in the air",), ("what could fly against the guard",), ("tip speed",), 19),
        advised=Advised("product size", "sieve 50 g of product", 70.0, 0.45) if band else None,
        warmup_time_s=time,
        warmup_temperature_K=293.15 + 25.25 * (1 - np.exp(-time / 700)),
        temperature_limit_K=358.15,
        trace=fake_trace() if trace else None,
        warnings=("The air flow rests on an assumed fan coefficient.",),
    )
    return dataclasses.replace(prediction, **changes)


def same(a: object, b: object) -> bool:
    """Equality that looks into arrays bit by bit and takes NaN as equal to NaN."""
    if isinstance(a, np.ndarray):
        return isinstance(b, np.ndarray) and a.dtype == b.dtype and a.shape == b.shape and a.tobytes() == b.tobytes()
    if dataclasses.is_dataclass(a):
        return type(a) is type(b) and all(same(getattr(a, f.name), getattr(b, f.name)) for f in dataclasses.fields(a))
    if isinstance(a, dict):
        return isinstance(b, dict) and list(a) == list(b) and all(same(a[k], b[k]) for k in a)
    if isinstance(a, list | tuple):
        return type(a) is type(b) and len(a) == len(b) and all(map(same, a, b))
    if isinstance(a, float) and isinstance(b, float) and math.isnan(a):
        return math.isnan(b)
    return type(a) is type(b) and a == b


# The hand-checkable sheet of the sieve tests: sum 49.55 g, loss 0.9 %, Q3(0.5 mm) 39.9 %.
HAND = """aperture_mm,retained_g
2.0,0.60
1.4,2.10
1.0,5.40
0.71,9.80
0.50,11.90
0.355,8.70
0.25,5.30
0.18,2.90
0.125,1.60
0.09,0.70
pan,0.55
charge,50.00
"""


FITS_LINES, FITS_COLUMNS = 25, 100
SHOWN_BY_FULL = "`--full` shows "


def fits(stdout: str) -> list[str]:
    """The lines of a short answer: it fits a screen, and at most one more line says what --full shows."""
    lines = stdout.rstrip("\n").split("\n")
    told = lines[:-1] if lines[-1].startswith(SHOWN_BY_FULL) else lines
    assert len(told) <= FITS_LINES, f"{len(told)} lines\n{stdout}"
    assert max(map(len, lines)) <= FITS_COLUMNS, max(lines, key=len)
    return lines


def numbers_in(text: str) -> set[str]:
    """Every number of a text, digit by digit as it stands there."""
    return set(re.findall(r"\d[\d.,e+-]*\d|\d", text))


def foot_is_inside(figure) -> bool:
    """Whether what stands at the foot of a figure is as wide as it at most."""
    figure.draw_without_rendering()
    (foot,) = [t for t in figure.texts if t.get_text().count("\n") == 1]
    box = foot.get_window_extent()
    return 0 <= box.x0 < box.x1 <= figure.bbox.width
