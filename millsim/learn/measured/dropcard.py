"""A material card from a drop test, with the breakage strength measured; and what a card says of the test's pieces.

What the test leaves open keeps what the base card says, with its basis, and the source says so.
"""

from dataclasses import dataclass, replace
from math import isnan, log

from ...base.quantities.params import Param
from ...base.reading.cells import rounded
from ...errors import InputError, Problem
from ...mill.cards import Card
from ...mill.cards.spec import MATERIAL
from .droptest import MIDDLE, SQUEEZE, DropGroup, DropTest, card_half, free_impact
from .standing import standing

SURE = 0.95  # profile limits that become the range of a card
_FREE = (
    f"taken as {SQUEEZE[0]:g} to {SQUEEZE[1]:g} times (assumed), in the middle {MIDDLE:.1f} times, what a free impact "
    "takes: a drop hammer squeezes a piece between two faces, and anvil and rebound keep some of its energy"
)


@dataclass(frozen=True)
class Number:
    """Value and range of one parameter, whether the test determined it, and in words how."""

    value: float
    low: float
    high: float
    measured: bool
    words: str


def drop_card(test: DropTest, base: Card) -> Card:
    """The base card with f_mat and xw_min of the warm, cold or both temperatures from the test.

    InputError where the test gives no more than a bound, or a temperature that a card cannot hold.
    """
    problems = [p for g in test.groups for p in _useless(test, g)]
    slots = _slots(test, base)
    problems += _bad_temperatures(test, slots)
    if problems:
        raise InputError(problems)
    found: list[Param] = []
    for slot, group in slots.items():
        found += _slot(test, group, slot, base)
    if len(slots) == 1:
        found += _carried_over(next(iter(slots)), base, {p.name: p for p in found})
    title = f"{base.title}, drop test {test.sheet.name}"
    measured = ", ".join(p.name for p in found if p.basis == "measured") or "none fully"
    unused = [_at(g).strip() for g in test.groups if all(g is not s for s in slots.values())]
    left = f" A card has two temperatures: the drops {' and '.join(unused)} are not on it." if unused else ""
    note = f"Measured in the drop test: {measured}. All else as on the card it was copied from, {base.title}.{left}"
    stand = " ".join(f"Drop test {test.sheet.name}{_at(g)}, {stands(base, g)}." for g in slots.values())
    return base.copied(base.merged(found), title, note, stand)


def _useless(test: DropTest, group: DropGroup) -> list[Problem]:
    """Why a group is not enough for a card."""
    low, high = group.free()
    if group.is_bounded and low > 0.0 and high < float("inf"):
        hint = "are heights, masses and the column broken what they say?"
        message = "harder drops broke fewer pieces: no card from these"
        return [Problem(test.sheet.name, _at(group).strip(), message, hint=hint)] if group.is_reversed else []
    hints = {
        "few": "drop more pieces, from heights where some break and some do not",
        "none broken": "drop from higher, until some pieces break",
        "all broken": "drop from lower, until some pieces stay whole",
        "one level": "drop from at least two more heights",
        "separated": "drop more pieces near the energy that breaks half: at least six that break and six that do not",
    }
    message = f"{group.kind}: gives no range for a card"
    return [Problem(test.sheet.name, _at(group).strip(), message, hint=hints.get(group.kind, hints["separated"]))]


def _slots(test: DropTest, base: Card) -> dict[str, DropGroup]:
    """Which group fills which temperature of the card: warmest and coldest, or the only one where it fits."""
    if len(test.groups) > 1:
        return {"warm": test.groups[0], "cold": test.groups[-1]}
    T = test.groups[0].temperature_K[0]
    is_cold = not isnan(T) and (T < MATERIAL["temperature_warm"].low or T <= base.value("temperature_cold"))
    return {"cold" if is_cold else "warm": test.groups[0]}


def _bad_temperatures(test: DropTest, slots: dict[str, DropGroup]) -> list[Problem]:
    found = []
    for slot, group in slots.items():
        T, spec = group.temperature_K[0], MATERIAL[f"temperature_{slot}"]
        if not isnan(T) and not spec.low <= T <= spec.high:
            allowed = f"{spec.low - 273.15:.0f} to {spec.high - 273.15:.0f} °C"
            message = f"{T - 273.15:.0f} °C cannot be the {slot} temperature of a card"
            found.append(Problem(test.sheet.name, "temperature", message, allowed))
    return found


def _at(group: DropGroup) -> str:
    return "" if isnan(group.temperature_K[0]) else f" at {group.temperature_K[0] - 273.15:.0f} °C"


def _slot(test: DropTest, group: DropGroup, slot: str, base: Card) -> list[Param]:
    """The parameters of one temperature of the card."""
    pieces = int(group.drops.only(~group.drops.later).n.sum())
    where = f"drop test {test.sheet.name}, {pieces} pieces{_at(group)}"
    f_base, u_base = base[f"f_mat_{slot}"], base[f"xw_min_{slot}"]
    numbers = strength(group, f_base, u_base)
    found = [_param(p, n, where) for p, n in zip((f_base, u_base), numbers, strict=True)]
    if not isnan(T := group.temperature_K[0]):
        low, high = group.temperature_K[1:]
        text = f"mean of the pieces in {where}"
        found.append(replace(base[f"temperature_{slot}"], value=T, low=low, high=high, basis="measured", source=text))
    return found


def _param(base: Param, n: Number, where: str) -> Param:
    spec = MATERIAL[base.name]
    value, low, high = (min(max(float(f"{v:.4g}"), spec.low), spec.high) for v in (n.value, n.low, n.high))
    basis, source = ("measured", f"{where}: {n.words}") if n.measured else (base.basis, f"{n.words} ({where})")
    return replace(base, value=value, low=low, high=high, basis=basis, source=source, scale="log", note="")


def strength(group: DropGroup, f_base: Param, u_base: Param) -> tuple[Number, Number]:
    """f_mat [kg/(J m)] and xw_min [J m/kg] of a group that has a fit, or that is bounded on both sides."""
    if group.selection is None or group.reference is not None:
        return _shared_out(group, f_base, u_base)
    fit, threshold = group.selection, _threshold(group, u_base)
    f = MIDDLE * fit.f if threshold.measured else log(2.0) / (fit.u_50 / MIDDLE - threshold.value)
    low, high = (k * v for k, v in zip(SQUEEZE, fit.limits["f"][SURE], strict=True))
    high = high if high < float("inf") else max(f, f_base.high)
    words = f"{SURE * 100:.0f} % profile limits; energies {_FREE}"
    return Number(f, min(low, f), max(high, f), True, words), threshold


def _threshold(group: DropGroup, base: Param) -> Number:
    """xw_min: measured where the profile excludes none, else held to the base card at its lower end.

    Held or not, below nine tenths of what breaks half: that is what the test determined, and f_mat goes with it.
    """
    fit = group.selection
    assert fit is not None
    low, high = free_impact(*fit.limits["u_min"][SURE])
    value = fit.u_min / MIDDLE
    if low > 0.0:
        return Number(value, low, high, True, f"{SURE * 100:.0f} % profile limits; energies {_FREE}")
    floor = base.low if base.low < high else 0.1 * high
    kept = "the card copied from" if base.low < high else "a tenth of the upper, assumed"
    words = (
        f"the drop test does not tell this threshold from none: lower end from {kept}, upper end the "
        f"{SURE * 100:.0f} % profile limit; energies {_FREE}; the test determined the energy that breaks half"
    )
    return Number(min(max(value, floor), 0.9 * fit.u_50 / MIDDLE), floor, high, False, words)


def _shared_out(group: DropGroup, f_base: Param, u_base: Param) -> tuple[Number, Number]:
    """Where only the u that breaks half is bounded: shared out between threshold and slope as on the base card."""
    low, high = (group.size_m * W for W in group.free())
    middle = (low * high) ** 0.5
    if group.reference is None:
        middle = (
            max(group.limits_u[0], group.bracket_u[0]) * min(group.limits_u[1], group.bracket_u[1])
        ) ** 0.5 / MIDDLE
    share = u_base.value / (u_base.value + log(2.0) / f_base.value)
    f, u_min = log(2.0) / ((1.0 - share) * middle), share * middle
    wide_low, wide_high = (v / middle for v in (low, high))
    bounds = f"{rounded(low)} to {rounded(high)} J m/kg, 95 %"
    how = _FREE if group.reference is None else f"as ratios to {group.reference.title}, with the range of its card"
    words = (
        f"the test bounds only the energy that breaks half (size times energy of a free impact {bounds}), "
        "without a finite fit: shared out between threshold and slope as on the card copied from, its relative range "
        f"kept; energies {how}"
    )
    f_low, f_high = f * f_base.low / f_base.value / wide_high, f * f_base.high / f_base.value / wide_low
    u_low, u_high = u_min * u_base.low / u_base.value * wide_low, u_min * u_base.high / u_base.value * wide_high
    return Number(f, f_low, f_high, False, words), Number(u_min, u_low, u_high, False, words)


def _carried_over(slot: str, base: Card, found: dict[str, Param]) -> list[Param]:
    """The strength at the temperature that was not tested: in the base card's ratio to the one that was."""
    other = "cold" if slot == "warm" else "warm"
    carried = []
    for name in ("f_mat", "xw_min"):
        p, old, spec = base[f"{name}_{other}"], base[f"{name}_{slot}"], MATERIAL[f"{name}_{other}"]
        scale = found[f"{name}_{slot}"].value / old.value
        value, low, high = (min(max(float(f"{v * scale:.4g}"), spec.low), spec.high) for v in (p.value, p.low, p.high))
        ratio = f"the ratio {other} over {slot} on the card copied from"
        text = f"not measured: the {slot} value of the drop test times {ratio}"
        carried.append(replace(p, value=value, low=low, high=high, source=text, note=""))
    return carried


def stands(card: Card, group: DropGroup) -> str:
    """How the test stands to a card, in one line: what breaks half of the group's pieces in a free impact."""
    size = f"{rounded(group.size_m * 1e3)} mm"
    what = f"energy that breaks half of {size} pieces in a free impact"
    return standing(what, card_half(card, group)[1:], group.free(), "J/kg")


def disagrees(card: Card, group: DropGroup) -> bool:
    """Whether card and drop test differ by more than their ranges in what breaks half of the pieces."""
    _, low, high = card_half(card, group)
    measured = group.free()
    return group.is_bounded and (measured[1] < low or measured[0] > high)


def undetermined(card: Card) -> list[str]:
    """Names of the strength parameters on a card that the drop test did not determine."""
    names = (f"{name}_{slot}" for slot in ("warm", "cold") for name in ("f_mat", "xw_min"))
    return [n for n in names if card[n].basis != "measured"]
