"""A sieve sheet for machines: as one JSON object, and as a table for a spreadsheet."""

import math

from ...base.numerics import psd
from ...base.quantities import spreadsheet
from ...base.reading.fits import Finer, Scatter, best, fits, fitted, mean_sizes, percentile, share_between, span_of
from ...base.reading.laser import repeats
from ...base.reading.sheet import SieveSheet
from .json import jsonable, picked
from .sieve import LAWS, Window, sheet_name


def to_json(sheet: SieveSheet, window: Window | None = None) -> dict:
    """One sheet as plain JSON types; sizes in m, masses in g, shares of 1; what is not known is null."""
    shown = [*sheet.q3, 1.0]
    sieves = [
        {
            "aperture_m": a,
            "given": sheet.given[i] if sheet.given else None,
            "retained_g": sheet.retained_g[i] if sheet.retained_g else None,
            "retained_share": shown[i + 1] - shown[i],
            "q3": shown[i],
        }
        for i, a in enumerate(sheet.apertures_m)
    ]
    means = zip(("d43_m", "d32_m"), mean_sizes(sheet.apertures_m, sheet.q3), strict=True)
    found = fits(*fitted(sheet))
    return jsonable({
        "file": sheet_name(sheet),
        "method": "laser diffraction" if sheet.by_laser else "sieving",
        **({"classes": sheet.classes, "limits": _limits(sheet)} if sheet.by_laser else {"sieves": sieves}),
        "pan_share": shown[0],
        **picked(sheet, "reading pan_is pan_g sum_g charge_g additive_g loss_share resolution_g warnings notes",
                 read_as="said"),
        **{f"x{p * 100:.0f}_m": _percentile_json(sheet, p) for p in (0.1, 0.5, 0.9)},
        "span": span_of(sheet.apertures_m, sheet.q3),
        **{key: picked(x, value="x_m", low="low_m", high="high_m") for key, x in means},
        "fits": {f.law: picked(f, "size_m shape points rms largest largest_at_m") for f in found},
        "best_fit": best(found)[0].law if found else None,
        "window": _window_json(sheet, window) if window else None,
    })  # fmt: skip


def _limits(sheet: SieveSheet) -> list[dict]:
    shares = zip(sheet.apertures_m, sheet.q3, (*sheet.q3[1:], 1.0), strict=True)
    return [{"size_m": x, "q3": q, "share_up_to_next": above - q} for x, q, above in shares]


def _percentile_json(sheet: SieveSheet, p: float) -> dict:
    bounds: dict[str, object] = {
        name: percentile(sheet.apertures_m, q or sheet.q3, p).x_m
        for name, q in (("if_loss_shared", sheet.q3_loss_shared), ("if_loss_fine", sheet.q3_loss_fine))
    }
    found = percentile(sheet.apertures_m, sheet.q3, p)
    if sheet.by_laser:
        bounds = {"repeats_within": jsonable(repeats(p, found.x_m))}
    return picked(found, value="x_m", low="low_m", high="high_m") | bounds


def _window_json(sheet: SieveSheet, window: Window) -> dict:
    low, high = share_between(sheet, *window)
    return {"low_m": window[0], "high_m": window[1], "least_share": low, "most_share": high}


def scatter_json(s: Scatter) -> dict:
    """Mean and scatter of replicates."""
    return picked(s, "count", mean_m="mean", sd_m="sd", half_width_95_m="half_width")


def finer_json(f: Finer) -> dict:
    """The comparison of two kinds of replicates."""
    return picked(
        f, "freedom", mean_m="mean_a", mean_against_m="mean_b", pooled_sd_m="pooled_sd",
        probability_against_is_finer="probability", with_one_more_each="with_one_more",
    )  # fmt: skip


def csv_text(sheet: SieveSheet) -> str:
    """The table for a spreadsheet, finest first: amounts, Q3, density per class above each aperture, fitted Q3."""
    found = fits(*fitted(sheet))
    edges, q3 = sheet.closed()
    density = [*psd.q3_star(edges, q3), math.nan]
    curves = [f.q3(sheet.apertures_m) for f in found]
    header = [
        "limit [um]" if sheet.by_laser else "aperture [um]",
        "as given",
        "retained [g]",
        "retained [%]",
        "Q3 [%]",
        "q3*(ln x) above [1]",
    ]
    rows: list[list[object]] = [[*header, *(f"Q3 {LAWS[f.law]} [%]" for f in found)]]
    pan = "" if sheet.pan_g is None else f"{sheet.pan_g:.10g}"
    rows.append(
        ["0", "finer" if sheet.by_laser else "pan", pan, f"{sheet.q3[0] * 100:.10g}", "0", "", *[""] * len(found)]
    )
    shown = [*sheet.q3, 1.0]
    for i, a in enumerate(sheet.apertures_m):
        mass = f"{sheet.retained_g[i]:.10g}" if sheet.retained_g else ""
        row: list[object] = [f"{a * 1e6:.10g}", sheet.given[i] if sheet.given else "", mass]
        row += [f"{(shown[i + 1] - shown[i]) * 100:.10g}", f"{shown[i] * 100:.10g}"]
        row += ["" if math.isnan(density[i]) else f"{density[i]:.10g}", *(f"{c[i] * 100:.10g}" for c in curves)]
        rows.append(row)
    return spreadsheet.csv_text(rows)
