"""Why a figure of a prediction is missing: the one list, for result files and for the JSON answer."""

import math

from .prediction import Limit, Prediction

_BAND, _SIZES = "no band was run", "nothing comes out, or what does is no powder but sticks"
_VISITS = "no history came to this size"
_WHY = {
    "product_q3_se": "the balance engine has no standard errors", "product_q3_low": _BAND, "product_q3_high": _BAND,
    "product_q3": _SIZES, "x10_m": _SIZES, "x50_m": _SIZES, "x90_m": _SIZES, "span": _SIZES,
    "q3": _SIZES, "band": _BAND,
    "strike_1_s": _VISITS, "selection_1_s": _VISITS, "nip_1_s": _VISITS, "chip_1_s": _VISITS,
    "capacity_kg_s": "no largest steady rate was looked for: of a batch, or of a mill that gives nothing",
}  # fmt: skip
_NOT_OF_POWDER = ("capacity_kg_s", "product_q3_se", "product_q3_low", "product_q3_high")
_ENERGIES = ("gross_J_kg", "net_J_kg")
_OF_POWDER = ("q3", "holdup_kg", "hits_per_particle", "hits_above_threshold_share")
TOO_LITTLE = "the batch ended before enough of it was powder to tell"
NOTHING = "a mill that gives nothing has none"
WITHOUT_END = "nothing comes out, so a kilogram would take energy without end"


def why(p: Prediction, key: str) -> str:
    """Why an output, or a column over sizes, is not known; the class error of an output is missing with the output."""
    key = key.removeprefix("class_error_")
    if p.too_little and key not in _NOT_OF_POWDER:
        return TOO_LITTLE
    if not p.runs and key in _ENERGIES:
        return WITHOUT_END
    if not p.runs and key in _OF_POWDER:
        return NOTHING
    return _WHY.get(key, "not known")


def end(high: float) -> str:
    """Why an end of a band is not a number."""
    return "so many draws give nothing that there is no upper end" if high == math.inf else "not known"


def margin(x: Limit) -> str:
    """Why the margin of a limit is not a number."""
    return "nothing loads it" if x.load <= x.zero else "not known up to where it ended"


def of_points(name: str) -> str:
    """Why a variable over the points of a sweep, or over their draws, is not known everywhere."""
    if name.startswith("capacity_kg_s"):
        return "no largest rate was looked for: of a batch, at a rate asked for, or of a mill that gives nothing"
    return f"no answer (see status and failed), powder that sticks, draws that did not settle, or {TOO_LITTLE}"
