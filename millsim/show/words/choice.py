"""A choice in plain words and as JSON: what is asked, what meets it, what to build, or what comes nearest."""

import math

import numpy as np

from ...base.numerics.statistics import wilson
from ...base.quantities.written import capital, digits, join_words, table, wrap
from ...explore.choose.advise import Advice
from ...explore.choose.changes import change_words, changes
from ...explore.choose.front import WORDS_MET, WORDS_MISSED
from ...explore.choose.judge import known_draws, loads_unknown
from ...explore.choose.noise import DesignComparison, compare, verdict
from ...explore.choose.picks import CHEAPEST, LIKELY
from ...explore.choose.record import MEASURE, Build, Target, Wish
from ...explore.choose.sentences import circuit_words, counted
from ...explore.choose.targets import judged, to_measure
from ...explore.choose.words import figure, limit_words, value_words
from ...explore.sweep.record import Sweep
from ...forecast.band import LEVEL
from ...mill.config.since import NOTHING_KEPT, Since
from ...record.limits import CANNOT, FAILED, GRINDING, MISSING, OUTSIDE, OVER, nearness
from ...record.outputs import output_of
from ...studies.prebuild.line import LOOK_AT
from .json import jsonable, picked
from .short import Short, said, table_part
from .since import since_json, since_part, since_words, sweep_name

_HEADS = {"accepted_kg_s": "in the window"}  # heads of columns
COLD_M = 150e-6  # median below which the trade grinds plastics cold or makes them by precipitation


def text(sweep: Sweep, a: Advice, since: Since = NOTHING_KEPT) -> str:
    """The whole answer for people."""
    blocks = [
        _paragraphs([*_lead(sweep, a), since_words(since)]),
        ["What is asked:", *_asked_table(a)],
        _sources(a.choice.target),
    ]
    if a.choice.builds:
        blocks += [
            [*_paragraphs([_cheapest(a), _builds_head(a)]), *_builds(a)],
            _builds_table(a) if len(a.choice.builds) > 1 else [],
        ]
    if a.choice.nearest is not None:
        blocks.append(_paragraphs(_nearest(sweep, a)))
    blocks += [["What the review says of these, and the cure:", *_paragraphs(list(a.cures))] if a.cures else []]
    blocks += [_paragraphs(_told_apart(sweep, a)), _paragraphs(_rests_on(sweep, a))]
    return "\n\n".join("\n".join(b) for b in blocks if b) + "\n"


def choice_short(sweep: Sweep, a: Advice, since: Since = NOTHING_KEPT) -> Short:
    """How many meet it, what each build changes and gives, or what comes nearest; what the review says of them."""
    c, shows = a.choice, "where the limits are from, margins and next steps of each build, cures"
    told = [said(_lead(sweep, a)[0]), since_part(since), table_part(_asked_table(a), 6)]
    if c.builds:
        told += [said(_cheapest(a), 5), said(_builds_head(a), 1)]
        told += [said(f"{i}. {_in_short(b)}", 1 + i) for i, b in enumerate(c.builds, start=1)]
        told += [table_part(_builds_table(a), 1)] if len(c.builds) > 1 else []
    if c.nearest is not None:
        told += [said(s, n) for n, s in enumerate(_nearest(sweep, a), start=1) if s]
    told += [said("This is a prediction; measure a first batch before you buy or cut metal.", 6)]
    return Short(tuple(told), shows)


def _in_short(b: Build) -> str:
    """Why a build is told, what it changes, and what the review says against it."""
    change = f"change {change_words(b.changes)}" if b.changes else change_words(b.changes)
    against = [f"{s.rstrip('.')}." for s in b.sentence.split(". ") if s.startswith("The review fails")]
    return " ".join([f"{capital(b.role)}: {change}.", *against])


def _paragraphs(sentences: list[str]) -> list[str]:
    return [line for s in sentences if s for line in wrap(s)]


def _lead(sweep: Sweep, a: Advice) -> list[str]:
    """How many meet the target, and whether the mill as built does."""
    c, n = a.choice, a.judged.runs.size
    left = int((sweep.points.status == MISSING).sum()) // sweep.replicates
    met, what = int(a.judged.meets.sum()), f'{sweep.name}, {sweep_name(sweep)} held against "{c.target.title}"'
    settings = "settings" if sweep.replicates > 1 else "points"
    count = f"{met} of {n} {settings} meet{'s' if met == 1 else ''}" if met else f"none of the {n} {settings} meets"
    lead = f"{capital(what)}: {count} the target{', but see the sieve after the mill' if c.builds and not met else ''}."
    if left:
        lead += f" That is so far: {left} of the {n} {settings} are not computed yet."
    lead += f" {a.aside}" if a.aside else ""
    return [f"{lead} {_built(a)}", *([c.target.note] if c.target.note else [])]


def _built(a: Advice) -> str:
    known = known_draws(a.built.points, 0) if np.isfinite(a.built.probability[0]) else 0
    met = round(float(a.built.probability[0]) * known) if known else 0
    draws = f"{met} of {known} parameter draws" if met else f"none of {known} parameter draws"
    if a.choice.as_built_meets:
        return f"The mill as built meets it{f', in {draws}' if known else ''}."
    return f"The mill as built does not: {a.built.binds[0]}{f' (it does in {draws})' if known else ''}."


def _asked_table(a: Advice) -> list[str]:
    """Every wish: limit, mill as built, first recommendation or nearest point."""
    build = a.choice.builds[0] if a.choice.builds else a.choice.nearest
    head, rows = ["", "asked", "as built", "build 1" if a.choice.builds else "nearest"], []
    for w in judged(a.choice.target):
        best = _achieved(a, build, w) if build is not None else math.nan
        built = float(a.built.achieved[w.name][0])
        rows.append([w.about, limit_words(w), *(value_words(v, w) if v == v else "none" for v in (built, best))])
    return table(head, rows)


def _achieved(a: Advice, b: Build, w: Wish) -> float:
    if b.circuit is not None and a.sieved is not None:
        return float(a.sieved.judged.achieved[w.name][0])
    return float(a.choice.achieved[w.name][b.point])


def _sources(target: Target) -> list[str]:
    """What each limit rests on, and what is to be measured."""
    lines = ["Where the limits are from:"]
    rests: dict[str, list[str]] = {}
    for w in judged(target):
        rests.setdefault(_rest(w), []).append(w.about)
    for rest, names in rests.items():
        lines += [f"  {line}" for line in wrap(f"{join_words(names)}: {rest}.")]
    for w in to_measure(target):
        lines += [f"  {line}" for line in wrap(f"Not predicted, measure it: {w.about} ({_rest(w)}).")]
    return lines


def _rest(w: Wish) -> str:
    """Basis and source of a limit."""
    return w.source if w.basis in w.source else f"{w.basis}: {w.source}"


def _builds(a: Advice) -> list[str]:
    lines = []
    for i, b in enumerate(a.choice.builds, start=1):
        lines += wrap(f"{i}. {capital(b.role)}.")
        change = change_words(b.changes)
        for line in (capital(f"change {change}.") if b.changes else f"{capital(change)}.", b.sentence, close_words(b)):
            lines += [f"   {x}" for x in wrap(line)] if line else []
    return lines


def close_words(b: Build) -> str:
    """Which checks of the review are near their limits, "" where none."""
    told = []
    for near in LOOK_AT:
        of = [(name, margin) for name, margin in b.close if nearness(margin) == near]
        named = [f"{name} (margin {digits(margin, 3 if margin < 1.1 else 2)})" for name, margin in of]
        told += [f"{near}{' the usual' * (near == OUTSIDE)}: {join_words(named)}"] if named else []
    return f"By the review {'; '.join(told)}." if told else ""


def _cheapest(a: Advice) -> str:
    """Which build changes least that is dear, where the mill as built does not do it."""
    builds = a.choice.builds
    i = next((i for i, b in enumerate(builds) if CHEAPEST in b.role), None)
    if i is None or a.choice.as_built_meets or len(builds) < 2:
        return ""
    often = " in at least half of its draws" if _few(a) else ""
    return f"The cheapest change that does it{often} is build {i + 1}: {change_words(builds[i].changes)}."


def _few(a: Advice) -> int:
    """How many points meet the target in at least half of their draws, where others meet it in fewer; else 0."""
    likely, met = int((a.judged.probability[a.judged.meets] >= LIKELY).sum()), int(a.judged.meets.sum())
    return likely if likely < met else 0


def _builds_head(a: Advice) -> str:
    """Says which points are left out: those that meet the target, but in few draws, where others do in more."""
    few = _few(a)
    of = f", of the {few} that meet it in at least half of their draws" if few else ""
    return f"What to build{of}:"


def _builds_table(a: Advice) -> list[str]:
    """The recommendations side by side."""
    window, rows = a.choice.target.window is not None, []
    for i, b in enumerate(a.choice.builds, start=1):
        c, v = b.circuit, a.judged.points.values
        s = b.point // (a.choice.meets.size // a.judged.runs.size)
        rate = c.accepted_kg_s if c else float(v["throughput_kg_s"][s])
        gross = c.gross_J_kg if c else float(v["gross_J_kg"][s])
        warm = c.outlet_temperature_K if c else float(v["outlet_temperature_K"][s])
        inside = a.sieved.accepted_kg_s if c and a.sieved else float(a.choice.accepted_kg_s[b.point])
        chance = "" if math.isnan(b.probability) else f"{100 * b.probability:.0f} %"
        cells = [figure("throughput_kg_s", rate), figure("accepted_kg_s", inside) if window else ""]
        cells += [figure("gross_J_kg", gross), figure("outlet_temperature_K", warm)]
        rows.append([f"build {i}", *cells, chance])
    keys = ("throughput_kg_s", "accepted_kg_s", "gross_J_kg", "outlet_temperature_K")
    return table(["", *(_HEADS.get(key, output_of(key).short) for key in keys), "met in draws"], rows)


def _nearest(sweep: Sweep, a: Advice) -> list[str]:
    """The point that misses least, the ways out, and what a sieve after the mill gives."""
    b = a.choice.nearest
    if b is None:
        return []
    change = f"change {change_words(b.changes)}" if b.changes else "the mill as built"
    no_nearer = a.built.distance[0] <= a.judged.distance[b.point // sweep.replicates]
    alas = "No point of the sweep comes nearer than the mill as built." if no_nearer and b.changes else ""
    near = f"Nearest: {change}. {b.sentence} {close_words(b)}".rstrip()
    said = [*([alas] if alas else []), near, *a.help, _likeliest(sweep, a), _cold(a)]
    if a.sieved is not None and not a.sieved.meets:
        own = change_words(changes(sweep, a.sieved.setting * sweep.replicates))
        said.append(f"{circuit_words(sweep, a.choice.target, a.sieved, a.drawn)} To change for that: {own}.")
    return said


def _likeliest(sweep: Sweep, a: Advice) -> str:
    """Another point that meets the target in more draws than the nearest, where there is one."""
    chance = np.nan_to_num(a.judged.probability, nan=0.0)
    s, near = int(np.argmax(chance)), a.choice.nearest
    if near is None or chance[s] <= np.nan_to_num(near.probability, nan=0.0):
        return ""
    known = known_draws(a.judged.points, s)
    own = change_words(changes(sweep, s * sweep.replicates))
    return f"Likeliest by the draws: {own}; it meets the target {counted(round(float(chance[s]) * known), known)}."


def _cold(a: Advice) -> str:
    """That so fine a powder is outside what such a mill makes of a plastic."""
    tops = [w.high for w in a.choice.target.wishes if w.output == "x50_m"]
    tops += [a.choice.target.window[1]] if a.choice.target.window else []
    x50 = a.judged.points.values["x50_m"][a.judged.runs]
    if not tops or min(tops) >= COLD_M or not x50.size or float(x50.min()) < min(tops):
        return ""
    return (
        f"The finest median of this sweep is {figure('x50_m', float(x50.min()))}. Plastic as fine as asked is usually "
        "ground deep-cold, or not ground at all but precipitated (common practice, no source)."
    )


def _told_apart(sweep: Sweep, a: Advice) -> list[str]:
    """With Monte Carlo replicates: whether the runs tell the recommendations apart in fineness."""
    own = [b for b in a.choice.builds if b.circuit is None]
    if sweep.replicates < 2 or len(own) < 2:
        return []
    found = []
    for i, b in enumerate(own[1:], start=2):
        c = compared(sweep, own[0].point, b.point)
        if c is not None:
            found.append(capital(verdict(c, "build 1", f"build {i}", "finer", _means(c))))
    return found


def compared(sweep: Sweep, a: int, b: int) -> DesignComparison | None:
    """Two settings, by the first point of each, compared by x50 of their replicate runs; None with too few runs.

    The k-th runs of all settings have one seed, so those that both settings have are compared pair by pair.
    """
    n, x = sweep.replicates, sweep.points.values["x50_m"]
    runs, good = ([v[p : p + n] for p in (a, b)] for v in (x, sweep.points.status <= OVER))
    both = good[0] & good[1]
    if both.sum() >= 2:
        return compare(runs[0][both].tolist(), runs[1][both].tolist(), paired=True)
    own = [r[g].tolist() for r, g in zip(runs, good, strict=True)]
    if min(map(len, own)) < 1 or sum(map(len, own)) < 3:
        return None
    return compare(own[0], own[1])


def _means(c: DesignComparison) -> list[str]:
    means = [figure("x50_m", mean, c.pooled_sd) for mean in (c.mean_a, c.mean_b)]
    return [f"x50 {means[0]}", means[1], f"{digits(c.pooled_sd * 1e6, 2)} µm"]


def _rests_on(sweep: Sweep, a: Advice) -> list[str]:
    """What the answer rests on and leaves out."""
    status, said = sweep.points.status, []
    met = bool(a.judged.meets.any())
    if len(a.choice.front) > 1:
        among, of = ("meet the target", a.judged.meets) if met else ("run", a.judged.runs)
        said.append(
            f"Trade-offs (Pareto front): of the {int(of.sum())} that {among}, {len(a.choice.front)} cannot be bettered "
            f"in one of these without losing in another: {WORDS_MET if met else WORDS_MISSED}."
        )
    said.append("Every figure is of a point that was computed; nothing between points is interpolated.")
    if not sweep.draw_count:
        said.append("No parameter draws were computed, so how likely it is to meet the target is not known; "
                    "draws = 16 in [sweep] adds that.")  # fmt: skip
    elif loads_unknown(sweep.points, a.choice.target):
        said.append("How likely it is to meet the target is not known: this sweep file does not keep the loads of its "
                    "parameter draws; run the sweep again with this version.")  # fmt: skip
    elif a.choice.builds and not (a.judged.probability[a.judged.meets] >= LIKELY).any() and met:
        said.append("No point without a sieve meets the target in half of its parameter draws: measure first.")
    if np.isfinite(a.judged.probability).any() or a.drawn[1]:
        said.append("Chances in brackets are 80 % intervals (Wilson): what so few draws leave open of the share that "
                    "meets the target among all that could be drawn.")  # fmt: skip
    hardly = (status == CANNOT) & (sweep.points.binding == GRINDING)
    for which, one, many in (
        (status == MISSING, "is not computed yet", "are not computed yet"),
        (status == FAILED, "has no answer", "have no answer"),
        (hardly, "hardly grinds", "hardly grind"), ((status == CANNOT) & ~hardly, "cannot run", "cannot run"),
    ):  # fmt: skip
        count = int(which.sum())
        said += [f"Of {status.size} points {count} {one if count == 1 else many}."] if count else []
    return [*said, "This is a prediction; measure a first batch before you buy or cut metal."]


def to_json(sweep: Sweep, a: Advice, since: Since = NOTHING_KEPT) -> dict:
    """The --json object; figures in SI, null where unknown."""
    c, built = a.choice, {k: float(v[0]) for k, v in a.built.achieved.items()}
    return {
        "status": "ok", "sweep": {"sha256": sweep.sha256, **since_json(since)},
        "meets": bool(c.meets.any()), "points": sweep.count, "settings": int(a.judged.runs.size),
        "settings_that_meet": int(a.judged.meets.sum()), "as_built_meets": c.as_built_meets,
        "as_built": jsonable(built), "as_built_probability": jsonable(float(a.built.probability[0])),
        "target": {**picked(c.target, "title", window_m="window"), "wishes": [_wish_json(w) for w in c.target.wishes]},
        "builds": [_build_json(a, b) for b in c.builds],
        "nearest": _build_json(a, c.nearest) if c.nearest else None, "help": list(a.help),
        "set_aside": a.aside or None, "review": list(a.cures), "with_sieve": _sieve_json(sweep, a),
        "front": list(c.front), "draws": sweep.draw_count,
    }  # fmt: skip


def _wish_json(w: Wish) -> dict:
    return picked(w, "name about unit basis source", least="low", most="high") | {"predicted": w.output != MEASURE}


def _build_json(a: Advice, b: Build) -> dict:
    s = b.point // (a.choice.meets.size // a.judged.runs.size)
    known = a.drawn[1] if b.circuit else known_draws(a.judged.points, s)
    share = b.probability if known else math.nan
    ends = wilson(round(share * known), known, LEVEL) if share == share else None
    v = a.judged.points.values
    return {
        **picked(b, "point role sentence"),
        "changes": [dict(zip(("what", "as_built", "now"), x, strict=True)) for x in b.changes],
        "achieved": jsonable({w.name: _achieved(a, b, w) for w in judged(a.choice.target)}),
        "throughput_kg_s": jsonable(b.circuit.accepted_kg_s if b.circuit else float(v["throughput_kg_s"][s])),
        "gross_J_kg": jsonable(b.circuit.gross_J_kg if b.circuit else float(v["gross_J_kg"][s])),
        "probability": jsonable(share), "draws": known, "probability_80": jsonable(ends),
        "close": [{"check": name, "margin": margin} for name, margin in b.close],
        "sieve_m": b.circuit.aperture_m if b.circuit else None,
    }  # fmt: skip


def _sieve_json(sweep: Sweep, a: Advice) -> dict | None:
    if a.sieved is None:
        return None
    x, found = a.sieved, {k: float(v[0]) for k, v in a.sieved.judged.achieved.items()}
    rates = picked(x.circuit, "aperture_m accepted_kg_s gross_J_kg returned_kg_s outlet_temperature_K")
    return {"point": x.setting * sweep.replicates, "meets": x.meets, **rates, "achieved": jsonable(found)}


def targets_text(found: dict[str, Target]) -> str:
    """The ready targets: name, what for, what is asked."""
    lines = []
    for name, target in found.items():
        lines.append(f"{name}: {target.title}")
        asked = join_words([f"{w.about} {limit_words(w)}" for w in judged(target)])
        lines += [f"    {line}" for line in wrap(asked)]
    lines += ["", "Most limits are from memory: check them with your buyer. To change one:"]
    return "\n".join([*lines, "  millsim targets rotational-moulding > my-target.toml"]) + "\n"
