"""What would help, in words: changes that were tried on the mill, what each gives, and where the review stops it."""

from ...base.quantities.units import parse
from ...base.quantities.written import digits, join_words, rate_words, shown_unit
from ...record.heatlimit import AT_LIMIT_K, celsius, of_prediction
from ...record.limits import AT, CLOSE, LIMITS, OUTSIDE, TEMPERATURE
from ...record.prediction import Change, Prediction
from ...studies.changes import COARSER, cools
from ...studies.prebuild.line import FAILS
from ...studies.prebuild.people import DUST
from .verdicts import counted

FREEZING_K = 273.15  # colder, and common steel may be brittle
TOLD = 3  # changes of either kind that are told
MORE_DUST = "More powder is more dust in its air, which the review fails as it is."
BESIDES = {  # what helps and is no number of the config
    "sieve": "a sieve that is cleared more often",
    "jam": "an even feed",
    "feed opening": "a wider feed opening",
}


def what_would_help(p: Prediction) -> str:
    """The changes worth naming, or that none is; nothing where none was tried."""
    if p.reviewed is None:
        return ""
    fine, coarse = kinds(p)
    said = [_told(p, c) for c in (*fine[:TOLD], *_best_other(p, fine), *_dear(p)[-1:])]
    if p.binding in BESIDES:
        said.append(BESIDES[p.binding])
    text = f"What would help, each tried alone on this mill: {'; '.join(said)}." if said else ""
    if coarse:
        text += f" With coarser powder: {'; '.join(_told(p, c) for c in coarse[:1])}."
    if text and DUST.name in p.reviewed.fails:
        text += f" {MORE_DUST}"
    return text.strip() or "No single change that was tried helps within what the review passes."


def first_cure(p: Prediction) -> str:
    """The first of the changes worth naming, with coarser powder where none other helps; "" where none does."""
    fine, coarse = kinds(p)
    of = [*fine, *_dear(p)[-1:], *coarse]
    return f"{_told(p, of[0])}." if of and p.reviewed is not None else ""


def _best_other(p: Prediction, fine: list[Change]) -> list[Change]:
    """Where ways out of heat come first, the change that gives most of the others, if it is not among those told."""
    if p.binding != LIMITS[TEMPERATURE]:
        return []
    others = [c for c in fine if not cools(c)]
    return [c for c in others[:1] if c not in fine[:TOLD]]


def kinds(p: Prediction) -> tuple[list[Change], list[Change]]:
    """(changes that leave the powder about as fine, changes that make it coarser), of those that cost no rate."""
    gains = [c for c in p.changes if c not in _dear(p)]
    coarse = [c for c in gains if _coarser(p, c)]
    return [c for c in gains if c not in coarse], coarse


def _dear(p: Prediction) -> list[Change]:
    """Changes that take a jam away and cost rate."""
    return [c for c in p.changes if c.gain < 1.0]


def _coarser(p: Prediction, c: Change) -> bool:
    return "x50_m" in p.main.scalars and c.x50_m > (1.0 + COARSER) * p.main.scalars["x50_m"].value


def _told(p: Prediction, c: Change) -> str:
    """ "12000 rpm, 75 m/s at the tips: 4.2 kg/h (farther, the review fails it: tip speed)"."""
    gives = rate_words(c.rate_kg_s)
    if c.gain < 1.0 and "throughput_kg_s" in p.main.scalars:
        was = p.main.scalars["throughput_kg_s"].value
        gives = f"no jam, but {gives} instead of {rate_words(was)}"
    if _coarser(p, c):
        shown, factor, _ = shown_unit(c.x50_m, "m")
        gives += f", x50 {digits(c.x50_m * factor, 2)} {shown}"
    if any(text.startswith("feed.rate") for text in c.sets):
        gives += ", fed no faster"
    gives += _hotter(p, c)
    if c.key == "feed.temperature" and setting(c, "K") < FREEZING_K:
        gives += ", if bars, pins and screws are of steel that stays tough in the cold"
    if c.stopped:
        gives += f" (farther, the review fails it: {c.stopped})"
    return f"{c.words}: {gives}"


def _hotter(p: Prediction, c: Change) -> str:
    """That a change takes a mill that stays within what is advised of heat beyond it."""
    limit, own = of_prediction(p), p.main.scalars.get("outlet_temperature_K")
    most = limit.advised_K + AT_LIMIT_K
    if own is None or not (own.value <= most < c.outlet_K):
        return ""
    advised = f"at most {celsius(limit.advised_K)} is advised" if limit.is_card else "the limit"
    return f", then {celsius(c.outlet_K)} at the outlet ({advised})"


def setting(c: Change, si: str) -> float:
    """The first value that a change sets, in SI."""
    return parse(c.sets[0].split('"')[1], si)


def review_words(p: Prediction) -> str:
    """What the pre-build review says of the mill, in one sentence: no clearance."""
    r = p.reviewed
    if r is None:
        return ""
    bad = f"{counted(FAILS, len(r.fails))} ({join_words(list(r.fails))})" if r.fails else "none fails"
    for verdict, names in ((AT, r.at_limit), (OUTSIDE, r.outside), (CLOSE, r.close)):
        bad += f", {counted(verdict, len(names))} ({join_words(list(names))})" if names else ""
    more = f", and {len(r.unchecked)} could not be made" if r.unchecked else ""
    return f"of {r.made} checks of the mill {bad}{more}; `millsim check` says what each rests on, and the cures."
