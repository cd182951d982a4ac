"""Targets: what a powder must be, read from a TOML file or taken from the ready ones; all problems in one pass."""

import difflib
import math
import tomllib
from dataclasses import replace
from functools import cache
from pathlib import Path

from ...base.quantities.units import exact_text, split_quantity
from ...base.reading.tables import Tables, read_sections
from ...base.reading.toml import is_there, missing, parse_toml, read_text
from ...base.reading.values import show
from ...errors import InputError, Problem
from ...record.outputs import OUTPUTS
from .record import MEASURE, Target, Wish
from .spec import CHECK, LISTS, LOADS, OUTPUT_OF, SECTIONS, elsewhere, labels, spec_for
from .words import range_words, size_words

INF = math.inf
_READY = Path(__file__).with_name("targets.toml")
_SHARES = ("yield", "finer", "coarser", *LOADS)
_PART = {"x10_m": 0.1, "x50_m": 0.5, "x90_m": 0.9}  # of the powder that is finer


def names() -> list[str]:
    """Names of the ready targets."""
    return list(_ready_tables())


def ready(name: str) -> Target:
    """A ready target by name. Raises InputError with the likely one."""
    plain = "-".join(name.casefold().replace("_", " ").replace("-", " ").split())
    found = _ready_tables().get(plain) or _ready_tables().get(plain.replace("molding", "moulding"))
    if found is None:
        near = difflib.get_close_matches(plain[:80], names(), n=1, cutoff=0.5)
        starts = [n for n in names() if n.startswith(plain[:4]) and len(plain) >= 4]
        guess = near or starts
        hint = f'did you mean "{guess[0]}"?' if guess else "or give the path of a file ending in .toml"
        raise InputError(Problem("target", "", f"no ready target named {show(name)}", ", ".join(names()), hint))
    return _read(found, f"ready target {plain}", [], set(), True)


def load(name_or_path: "str | Path") -> Target:
    """A target by the name of a ready one or from a file ending in .toml. Raises InputError with every problem."""
    text = str(name_or_path)
    path = Path(text)
    if path.suffix.lower() != ".toml" and not (path.name != text or is_there(path)):
        return ready(text)
    if not is_there(path):
        problem = missing(path)
        if not problem.hint and path.stem.casefold() in names():
            problem = replace(problem, hint=f"the ready target is called {path.stem}, without .toml")
        raise InputError(problem)
    content = read_text(path)
    if isinstance(content, Problem):
        raise InputError(content)
    return parse(content, text)


def parse(content: str, where: str = "target") -> Target:
    """A target from TOML text. Raises InputError with every problem."""
    parsed = parse_toml(content, where)
    foreign = {"rotor": "a mill config", "masses": "a run sheet", "sweep": "a sweep file", "axis": "a sweep file"}
    for section, what in foreign.items():
        if section in parsed.tables:
            hint = "see `millsim targets`, or print one to edit: millsim targets rotational-moulding > my-target.toml"
            raise InputError(Problem(where, "", f"is {what}, not a target", hint=hint))
    return _read(parsed.tables, where, list(parsed.problems), set(parsed.lost), parsed.complete)


def to_toml(target: Target) -> str:
    """A target as TOML that reads back as the same, for people to edit."""
    lines = ["# What the powder must be. Change limits, delete lines; say where a changed limit is from.", ""]
    lines += ["[target]", f"title = {_quoted(target.title)}"]
    lines += [f"note = {_quoted(target.note)}"] if target.note else []
    if target.window:
        low, high = target.window
        lines += ["", "[window]  # the size range whose share is the yield"]
        lines += [f'from = "{exact_text(low, "um")}"'] if low else []
        lines += [f'to = "{exact_text(high, "um")}"']
    for wish in target.wishes:
        lines += ["", *_wish_toml(wish)]
    return "\n".join(lines) + "\n"


def upper_size(target: Target) -> float:
    """The coarsest size [m] wanted: of the window, of "finer than" with a least share, of x90; NaN without any.

    A sieve of that aperture would take out what is too coarse.
    """
    found = [target.window[1]] if target.window else []
    found += [w.size_m for w in target.wishes if w.output == "finer" and w.low > 0.5]
    found += [w.size_m for w in target.wishes if w.output == "coarser" and w.high < 0.5]
    found += [w.high for w in target.wishes if w.output == "x90_m" and w.high < INF]
    return min(found, default=math.nan)


def judged(target: Target) -> tuple[Wish, ...]:
    """The wishes that a prediction can answer."""
    return tuple(w for w in target.wishes if w.output != MEASURE)


def to_measure(target: Target) -> tuple[Wish, ...]:
    """The lines that no prediction tells."""
    return tuple(w for w in target.wishes if w.output == MEASURE)


@cache
def _ready_tables() -> dict[str, dict]:
    return tomllib.loads(_READY.read_text(encoding="utf-8"))


def _read(raw: dict, where: str, problems: list[Problem], lost: set[str], complete: bool) -> Target:
    """The target that raw tables say, or InputError with every problem."""
    tables, entries = _without_lists(raw, where, problems)
    tables = _without_aliases(tables, entries, where, problems)
    t = Tables(spec_for(set(tables), entries), where, Path(), tables, problems, lost, complete)
    read_sections(t)
    t.problems = [_share_hint(t, p, entries) for p in t.problems]
    wishes = _wishes(t, entries)
    window = _window(t)
    if not t.problems:
        for finding in _contradictions(wishes, window, "yield" in tables):
            t.say(*finding)
    if not t.problems and all(w.output == MEASURE for w in wishes):
        t.say("", "asks for nothing that can be predicted", hint='add for example [x90] and under it most = "500 um"')
    if t.problems:
        raise InputError(list(dict.fromkeys(t.problems)))
    return Target(t.values["target.title"], t.values.get("target.note") or "", wishes, window)


def _without_lists(raw: dict, where: str, problems: list[Problem]) -> tuple[dict, dict[str, str]]:
    """Tables with every entry of a list as a section of its own, and the list {label: name} that each is of."""
    tables, entries = {}, {}
    for name, table in raw.items():
        if name not in LISTS or not isinstance(table, dict | list):
            tables[name] = table  # a bare value in its place is told with the other sections
            continue
        rows = table if isinstance(table, list) else [table]
        if not all(isinstance(row, dict) for row in rows) or not rows:
            problems.append(Problem(where, name, f"{show(table)} stands where [[{name}]] belongs"))
            continue
        found = labels(name, len(rows))
        entries.update(dict.fromkeys(found, name))
        tables.update(zip(found, rows, strict=True))
    return tables, entries


def _without_aliases(tables: dict, entries: dict[str, str], where: str, problems: list[Problem]) -> dict:
    """Tables without sections of a name that people know from elsewhere; those are told."""
    kept = {}
    for name, table in tables.items():
        hint = "" if name in SECTIONS or name in entries else elsewhere(name)
        if hint:
            problems.append(Problem(where, name, f"no section of a target is called [{name}]", hint=hint))
        elif isinstance(table, list):
            problems.append(Problem(where, name, f"[[{name}]] may stand only once", hint=f"write [{name}]"))
        else:
            kept[name] = table
    return kept


def _share_hint(t: Tables, p: Problem, entries: dict[str, str]) -> Problem:
    """A share written as 0.95 is meant as 95 %."""
    section, _, key = p.key.partition(".")
    raw = t.tables.get(section, {}).get(key) if isinstance(t.tables.get(section), dict) else None
    if entries.get(section, section) not in _SHARES or key not in ("least", "most") or isinstance(raw, bool):
        return p
    try:
        number = float(raw)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return p
    percent = 100 * number if number <= 1 else number
    return replace(p, hint=f'write "{percent:.6g} %"' if 0 <= percent <= 100 else "")


def _wishes(t: Tables, entries: dict[str, str]) -> tuple[Wish, ...]:
    """All wishes of a file in the order of SECTIONS, then LISTS; one without an end is told."""
    found = []
    for section in t.spec.sections:
        if section not in ("target", "window"):
            found += _wish(t, section, entries.get(section, section))
    taken: dict[str, str] = {}
    for section, wish in found:
        if wish.name in taken:
            t.say(section, f"says the same size or thing as {taken[wish.name]}", hint="join the two")
        taken.setdefault(wish.name, section)
    return tuple(wish for _, wish in found)


def _wish(t: Tables, section: str, kind: str) -> list[tuple[str, Wish]]:
    """The wish of one section of a kind; empty where it cannot be read."""
    v = t.values
    basis, source = v.get(f"{section}.basis") or "yours", v.get(f"{section}.source") or CHECK
    if kind == "measure":
        what, limit = v.get(f"{section}.what"), v.get(f"{section}.limit")
        if what is None or limit is None:
            return []
        return [(section, Wish(kind, MEASURE, -INF, INF, "-", "-", basis, source, what, limit=limit))]
    low, high = v.get(f"{section}.least"), v.get(f"{section}.most")
    if low is None and high is None:
        asked = [k for k in ("least", "most") if t.spec.find(section, k)]
        if len(asked) > 1 and all(t.lacks(f"{section}.{k}") for k in asked):
            last = t.spec.find(section, asked[-1])
            example = f"for example {asked[-1]} = {last.example}" if last else ""
            t.say(section, "has no limit", " or ".join(asked), example)
        return []
    low, high = (-INF if low is None else low), (INF if high is None else high)
    if low > high:
        t.say(f"{section}.least", "is more than most", hint="swap them")
    size = v.get(f"{section}.than") or 0.0
    if kind in ("finer", "coarser") and not size:
        return []
    (output, words), key = _named(t, kind, size), t.spec.find(section, "most")
    assert key is not None
    return [(section, Wish(kind, output, low, high, key.si, _shown(t, section, key), basis, source, words, size))]


def _named(t: Tables, kind: str, size_m: float) -> tuple[str, str]:
    """(output, in words) of a wish."""
    if kind in ("finer", "coarser"):
        return kind, f"{kind} than {size_words(size_m)}"
    if kind == "yield":
        window = _window(t)
        return kind, range_words(*window) if window else "in the window"
    if kind in LOADS:
        return LOADS[kind]
    return OUTPUT_OF[kind], OUTPUTS[OUTPUT_OF[kind]].short


def _shown(t: Tables, section: str, key) -> str:
    """The unit in which a limit was written, for people."""
    for end in ("most", "least"):
        raw = (t.tables.get(section) or {}).get(end)
        if isinstance(raw, str) and f"{section}.{end}" in t.values:
            unit = split_quantity(raw)[1]
            return unit.text if unit else key.shown
    return key.shown


def _window(t: Tables) -> tuple[float, float] | None:
    low, high = t.values.get("window.from"), t.values.get("window.to")
    return (low, high) if low is not None and high is not None else None


def _contradictions(wishes, window, has_yield: bool):
    """(key, message) of what no powder can be."""
    if has_yield and window is None:
        yield "yield", "needs a window of sizes", "", 'add [window] and under it to = "500 um"'
    if window and window[0] >= window[1]:
        yield "window.from", "is not below its end", "", "swap them"
    bounds = sorted(b for w in wishes for b in _bounds(w, window))
    for i, (x, least, _, name) in enumerate(bounds):  # more cannot be finer than a size than than a larger one
        for y, _, most, other in bounds[i:]:
            if least > most + 1e-12 and name != other:
                text = f"asks for at least {100 * least:g} % finer than {size_words(x)}"
                yield name, f"{text}, and {other} for at most {100 * most:g} % finer than {size_words(y)}"
                return


def _bounds(w: Wish, window) -> list[tuple[float, float, float, str]]:
    """(size, least, most, name): what a wish asks of the share finer than a size."""
    if w.output == "finer":
        return [(w.size_m, max(0.0, w.low), min(1.0, w.high), w.name)]
    if w.output == "coarser":
        return [(w.size_m, 1.0 - min(1.0, w.high), 1.0 - max(0.0, w.low), w.name)]
    if w.output == "yield" and window and w.low > 0.0:
        return [(window[1], w.low, 1.0, w.name), *([(window[0], 0.0, 1.0 - w.low, w.name)] if window[0] else [])]
    if w.output in _PART:
        share = _PART[w.output]
        found = [(w.high, share, 1.0, w.name)] if w.high < INF else []
        return found + ([(w.low, 0.0, share, w.name)] if w.low > 0 else [])
    return []


def _wish_toml(w: Wish) -> list[str]:
    """The lines of one wish in a target file."""
    rest = [f"basis = {_quoted(w.basis)}", f"source = {_quoted(w.source)}"]
    if w.output == MEASURE:
        said = [f"what = {_quoted(w.words)}", f"limit = {_quoted(w.limit)}"]
        return ["[[measure]]  # no prediction tells it", *said, *rest]
    ends = [(k, v) for k, v in (("least", w.low), ("most", w.high)) if math.isfinite(v)]
    lines = [f"{k} = {_value(v, w)}" for k, v in ends] + rest
    if w.output in LISTS:
        return [f"[[{w.output}]]", f'than = "{exact_text(w.size_m, "um")}"', *lines]
    return [f"[{w.section}]", *lines]


def _value(value: float, w: Wish) -> str:
    """A limit as TOML: text with its unit, or the plain number of a span."""
    return f"{value!r}" if w.output == "span" else f'"{exact_text(value, w.shown).replace("degC", "°C")}"'


def _quoted(text: str) -> str:
    """A text as a TOML string."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'
