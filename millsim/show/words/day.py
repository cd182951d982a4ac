"""A day of production, for people and for programs: how much, what limits it, and when to do what."""

from math import isfinite, isnan

from ...base.quantities.scalar import Scalar
from ...base.quantities.written import capital, digits, duration, join_words, rate_words, sentence, table, wrap
from ...record.heatlimit import celsius
from ...record.limits import OVER, TRY_PREDICT, out_words, status_words
from ...record.outputs import shown
from ...studies.day.answer import DayAnswer
from ...studies.day.course import BAG, FILTER, LIMIT, MOTOR, PAUSE, SIEVE, Stop
from ...studies.day.usual import ASSUMED
from .json import jsonable, picked
from .short import Short, said

MOST_STOPS = 5
DONE = {BAG: "change the bag", FILTER: "clean the filter", SIEVE: "brush the sieve", PAUSE: "pause"}
_WHY = {MOTOR: "let the motor cool", LIMIT: "{} is at its limit"}
COSTS = {
    "filter": "the loading filter and its cleaning", "sieve": "lost sieve holes and brushing them",
    "bag": "changing the bag", "pauses": "pauses", "motor": "a motor that must cool",
    "empty": "running empty at starts and stops",
}  # fmt: skip


def day_text(a: DayAnswer) -> str:
    """The whole answer for people."""
    if not a.runs:
        return "\n".join(wrap(_nothing(a))) + "\n"
    told = [_lead(a), _limits(a), _heat(a), _cleaning(a), _assumed(a)]
    lines = [line for t in told if t for line in wrap(t)]
    why = [line for r in ASSUMED for line in wrap(f"- {r.why}.")]
    rows = [(clock(s.at_s), _done(a, s), duration(s.lasts_s), _kg(_made(a, s.at_s))) for s in a.course.stops]
    head = ("time", "what to do at this stop", "no feed for", "made until then")
    plan = table(
        head,
        [("0:00", "start, empty", duration(a.day.start_s), ""), *rows, (*_end(a), "", _kg(a.course.kg))],
        kinds="llrr",
    )
    return "\n".join([*lines, "", "The day:", *plan, "", "Assumed of filter and sieve:", *why]) + "\n"


def day_short(a: DayAnswer) -> Short:
    """The same in short."""
    if not a.runs:
        return Short((said(_nothing(a)),))
    parts = [
        said(_lead(a)),
        said(_limits(a)),
        said(_plan(a)),
        said(_cleaning(a), 1),
        said(_heat(a), 2),
        said(_assumed(a), 3),
    ]
    return Short(tuple(parts), "the whole timetable, why what is assumed is assumed, and all cautions")


def _nothing(a: DayAnswer) -> str:
    return f"{capital(a.config.name)} makes nothing in a day: {out_words(a.binding)}; {TRY_PREDICT}."


def _kg(value: float) -> str:
    return f"{digits(value, 3)} kg" if value >= 1.0 else f"{digits(1e3 * value, 2)} g"


def _lead(a: DayAnswer) -> str:
    band = f" (80 % band {digits(a.low, 2)} to {_kg(a.high)})" if isfinite(a.low) else ""
    first, last = a.first("rate_kg_s"), _last_rate(a)
    falls = (
        f" at {rate_words(first, 3)}"
        if abs(last / first - 1.0) < 0.01
        else f" at {rate_words(first, 3)} falling to {rate_words(last, 3)}"
    )
    text = f"{a.config.name} makes {_kg(a.course.kg)}{band} in a day of {duration(a.day.hours_s)}, of which it mills "
    text += f"{duration(a.course.milling_s)}{falls}"
    if a.status == OVER:
        text += f"; it does not take the {rate_words(a.config.feed.rate_kg_s or 0.0, 3)} asked for"
    if isfinite(a.course.less_s):
        text += f"; from {clock(a.course.less_s)} on {a.states.held} makes it take less than is asked: feed it less"
    return sentence(text)


def _last_rate(a: DayAnswer) -> float:
    rates = a.course.rate_kg_s[a.course.rate_kg_s > 0.0]
    return float(rates.min()) if rates.size else 0.0


def _limits(a: DayAnswer) -> str:
    held = a.config.feed.rate_kg_s is not None and a.status != OVER
    sets = "the feed rate asked for" if held else a.binding
    text = f"What limits the day: {sets} sets the rate; an hour more makes {_kg(3600.0 * a.first('rate_kg_s'))}"
    costs = [f"{COSTS[x.what]} ({_kg(x.kg)})" for x in a.losses[:4]]
    return sentence(f"{text}; powder is lost to {join_words(costs)}" if costs else text)


def clock(seconds: float) -> str:
    """A time of the day from switching on: "3:26"."""
    minutes = round(seconds / 60.0)
    return f"{minutes // 60}:{minutes % 60:02d}"


def _done(a: DayAnswer, s: Stop) -> str:
    done = [DONE[d] for d in s.done]
    return join_words(([_WHY[s.why].format(a.states.held)] if s.why in _WHY else []) + done)


def _plan(a: DayAnswer) -> str:
    hopper = f", and fill the hopper every {duration(a.hopper_s)}" if a.hopper_s < a.day.hours_s else ""
    steps = ["0:00 start it empty", f"{clock(a.day.start_s)} feed{hopper}"]
    steps += [
        f"{clock(s.at_s)} {_done(a, s)} ({duration(s.lasts_s)} without feed)" for s in a.course.stops[:MOST_STOPS]
    ]
    more = len(a.course.stops) - MOST_STOPS
    steps += [f"{more} more stops" if more > 1 else "1 more stop"] if more > 0 else []
    return f"When to do what, from switching on: {'; '.join(steps)}; {' '.join(_end(a))}."


def _end(a: DayAnswer) -> tuple[str, str]:
    last = float(a.course.t_s[a.course.rate_kg_s > 0.0][-1])
    return clock(last), f"last feed, {duration(a.day.stop_s)} empty, off"


def _made(a: DayAnswer, t: float) -> float:
    before = a.course.made_kg[a.course.t_s <= t + 1.0]
    return float(before[-1]) if before.size else 0.0


def _cleaning(a: DayAnswer) -> str:
    c, s = a.course, a.states
    if isnan(s.area_m2):
        filter_ = "there is no filter in the config, so its dust goes into the room"
    else:
        most = float(c.cake_kg_m2.max())
        resists = digits(s.cake_1_s * most / s.clean_Pa_s_m, 2)
        filter_ = (
            f"filter: {100.0 * s.dust_share:.1f} % of the powder ends on it, up to {digits(most, 2)} kg/m², which "
        )
        filter_ += f"resists {resists} times as much as the cloth; {_every(a, 'filter', a.day.filter_every_s)}"
    sieve = f"sieve: at most {100.0 * float(c.lost.max()):.0f} % of its holes are lost"
    bag = f"bag: full with {_kg(a.bag_kg)}, changed with the plug out and the rotor still"
    return sentence(f"{filter_}; {sieve}; {_every(a, 'sieve', a.day.sieve_every_s)}; {bag}")


def _every(a: DayAnswer, what: str, seconds: float) -> str:
    how = "best" if what in a.found else "as the config says"
    if not isfinite(seconds):
        return f"not cleaning it in the day is {how}" if what in a.found else "it is not cleaned"
    return f"cleaned after {duration(seconds)} of milling ({how})"


def _heat(a: DayAnswer) -> str:
    T, Q = a.course.outlet_K, a.course.air_m3_s
    if not (T == T).any():
        return ""
    warm, flow = float(T[T == T].max()), Q[Q == Q]
    air = [shown("air_flow_m3_s", Scalar(float(v), "m3/s", "")).text for v in (flow.max(), flow.min())]
    text = f"The outlet reaches {celsius(warm)} and the warm air through the sieve falls from {air[0]} to {air[1]}; "
    text += a.limit.words()
    if warm > a.limit.advised_K + 0.5:
        text += "; hot powder cakes and can smoulder in the bag: let it cool before you close it up"
    if a.cooler is not None:
        every, kg = a.cooler
        text += f"; with the filter cleaned after {duration(every)} it stays within what is advised and makes {_kg(kg)}"
    return sentence(text)


def _assumed(a: DayAnswer) -> str:
    if not a.day.usual:
        return ""
    return f"Assumed, because [day] of the config does not say: {', '.join(a.day.usual)}."


def day_json(a: DayAnswer) -> dict:
    """The answer for programs, in SI."""
    c = a.course
    return jsonable(
        {
            "status": status_words(a.status, a.binding),
            "mill": a.config.name,
            "binding": a.binding,
            "kg": c.kg if a.runs else 0.0,
        }
        | {
            "low_kg": a.low,
            "high_kg": a.high,
            "draws": a.draws,
            "milling_s": c.milling_s,
            "less_than_asked_from_s": c.less_s,
        }
        | {"day": a.day, "found": a.found, "bag_kg": a.bag_kg, "hopper_every_s": a.hopper_s}
        | {"cooler": a.cooler, "losses_kg": {x.what: x.kg for x in a.losses}, "dust_share": a.states.dust_share}
        | {"stops": [picked(s, "at_s lasts_s done why") for s in c.stops]}
        | {"course": picked(c, "t_s made_kg rate_kg_s outlet_K air_m3_s cake_kg_m2 lost")}
    )
