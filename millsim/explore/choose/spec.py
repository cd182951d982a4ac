"""A target file as a table: every section and key with its range and meaning. Units as in a config."""

from ...base.reading.key import Key, choice, n, q, text
from ...base.reading.tables import Spec

BASES = "published|handbook|common practice|from memory|assumed|yours|learned"
CHECK = "from memory, check with your buyer"

_REST = (
    choice("basis", BASES, "what the limit rests on", default="yours"),
    text("source", f'"{CHECK}"', "where the limit is from", default="as written in this file"),
)


def _ends(make, low, high, example: str, what: str) -> tuple[Key, ...]:
    """The keys of a wish between two ends."""
    return (
        make("least", low, high, example, f"{what}, at least", default=None),
        make("most", low, high, example, f"{what}, at most", default=None),
        *_REST,
    )


def _size(what: str) -> tuple[Key, ...]:
    return _ends(q, "1 um", "31500 um", '"500 um"', what)


def _load(what: str) -> tuple[Key, ...]:
    return (q("most", "1 %", "100 %", '"80 %"', f"{what}; 100 % is the limit itself"), *_REST)


def _share(what: str) -> tuple[Key, ...]:
    than = q("than", "5 um", "31500 um", '"150 um"', "the size")
    return (than, *_ends(q, "0 %", "100 %", '"20 %"', what))


SECTIONS: dict[str, tuple[Key, ...]] = {
    "target": (
        text("title", '"powder for rotational moulding"', "what the powder is for"),
        text("note", '"our buyer sieves at 0.5 mm"', "anything worth remembering", default=None),
    ),
    "window": (
        q("from", "0 um", "31500 um", '"150 um"', "finest size wanted", default="0 um"),
        q("to", "5 um", "31500 um", '"500 um"', "coarsest size wanted"),
    ),
    "yield": _ends(q, "0 %", "100 %", '"95 %"', "share of the powder in the window"),
    "x10": _size("size that 10 % is finer than"),
    "x50": _size("size that half is finer than"),
    "x90": _size("size that 90 % is finer than"),
    "span": _ends(n, 0.0, 100.0, "2", "(x90 - x10) / x50"),
    "rate": _ends(q, "0.1 g/h", "1e6 g/h", '"200 g/h"', "powder that leaves the mill"),
    "energy": _ends(q, "0.001 kWh/kg", "1000 kWh/kg", '"2 kWh/kg"', "from the socket, idle included"),
    "socket": _ends(q, "1 W", "100000 W", '"800 W"', "power from the socket"),
    "shaft": _ends(q, "1 W", "100000 W", '"500 W"', "power at the shaft"),
    "outlet": _ends(q, "-150 °C", "250 °C", '"50 °C"', "temperature at the outlet"),
    "motor": _load("load on the motor's rated power"),
    "heat": _load("way from room to sticking temperature, or to the config's limit"),
    "sieve": _load("pegging of the sieve"),
    "chamber": _load("charge in the chamber"),
    "jam": _load("load on what jams the rotor"),
    "opening": _load("flow through the feed opening"),
}  # fmt: skip

LISTS: dict[str, tuple[Key, ...]] = {  # sections that may stand several times, as [[finer]]
    "finer": _share("share finer than that size"),
    "coarser": _share("share coarser than that size"),
    "measure": (
        text("what", '"dry flow"', "what no prediction tells"),
        text("limit", '"at most 35 s per 100 g"', "what it must be"),
        *_REST,
    ),
}

LOADS = {  # section: name in record.limits.LIMITS, in words
    "motor": ("shaft power", "load on the motor"),
    "heat": ("outlet temperature", "way to the temperature limit"),
    "sieve": ("sieve", "load on the sieve by pegged holes"),
    "chamber": ("chamber", "load on the chamber"),
    "jam": ("jam", "load on the jam limit"),
    "opening": ("feed opening", "load on the feed opening"),
}
OUTPUT_OF = {  # section: key in record.outputs.OUTPUTS
    "x10": "x10_m", "x50": "x50_m", "x90": "x90_m", "span": "span", "rate": "throughput_kg_s", "energy": "gross_J_kg",
    "socket": "electrical_power_W", "shaft": "shaft_power_W", "outlet": "outlet_temperature_K",
}  # fmt: skip

_MEASURED = 'what no prediction tells goes under [[measure]]: what = "..." and limit = "..."'
_FINER = 'write [[finer]] and under it than = "150 um", most = "20 %"'
_ELSEWHERE = {  # names that no likeness leads home
    **dict.fromkeys(("fines", "fine", "dust"), _FINER),
    **dict.fromkeys(("coarse", "oversize"), 'write [[coarser]] and under it than = "1 mm", most = "5 %"'),
    **dict.fromkeys(("d10", "d_10"), "the name here is [x10]"),
    **dict.fromkeys(("d50", "d_50", "median", "size"), "the name here is [x50]"),
    **dict.fromkeys(("d90", "d_90", "top"), "the name here is [x90]"),
    **dict.fromkeys(("x95", "x98", "x99", "d98", "d99"), 'write [[finer]] with than = "500 um", least = "98 %"'),
    **dict.fromkeys(("throughput", "capacity", "output"), "the name here is [rate]"),
    **dict.fromkeys(("kwh", "gross"), "the name here is [energy]"),
    **dict.fromkeys(("power", "watts", "electrical"), 'watts are [socket] or [shaft], kWh per kilogram [energy]'),
    **dict.fromkeys(("temperature", "outlet_temperature", "temp"), "the name here is [outlet]"),
    **dict.fromkeys(
        ("flow", "dry_flow", "bulk", "bulk_density", "hausner", "moisture", "shape", "sphericity", "density"), _MEASURED
    ),
    **dict.fromkeys(
        ("margin", "jam_margin"),
        'a margin of 2 is a load of 50 %: write [jam] and under it most = "50 %"',
    ),
}  # fmt: skip
_INSTEAD = {
    **dict.fromkeys(("min", "minimum", "at_least", "low", "lower", "from"), ("least", "")),
    **dict.fromkeys(("max", "maximum", "at_most", "high", "upper", "limit", "to"), ("most", "")),
    **dict.fromkeys(("below", "above"), ("than", "")),
}


def elsewhere(name: str) -> str:
    """A hint for a name that is none of a target file, or nothing."""
    key, _ = _INSTEAD.get(name.casefold(), ("", ""))
    return f'did you mean "{key}"?' if key else _ELSEWHERE.get(name.casefold(), "")


def spec_for(present: set[str], entries: dict[str, str]) -> Spec:
    """What a file may hold that has these sections and entries {label: name in LISTS}; the rest are mere names."""
    wanted = {name: keys for name, keys in SECTIONS.items() if name in present or name == "target"}
    wanted.update({label: LISTS[name] for label, name in entries.items()})
    others = tuple(name for name in (*SECTIONS, *LISTS) if name not in wanted)
    return Spec(wanted, others, (), elsewhere, _INSTEAD)


def labels(name: str, count: int) -> list[str]:
    """Names of the entries of a list in messages: "finer" where it is the only one."""
    return [name] if count == 1 else [f"{name} {i + 1}" for i in range(count)]
