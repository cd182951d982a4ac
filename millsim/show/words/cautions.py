"""What can hurt, and where it is said: one table of hazards and places, from which every surface takes its cautions.

A place is a command that sends someone to a machine (a drawing and a report among them). At each place a hazard is told
(`TOLD`, the most relevant first) or there is a reason why not (`REASONS`). A sentence is worded once: its first half is
what stands in the two lines on the first screen.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from ...base.quantities.written import capital, sentence, wrap
from ...errors import InputError
from ...explore.sweep.record import Sweep
from ...mill.cards import FOOD, NOTHING, Card, list_materials, load_material
from ...mill.config.mill import Config, parse_config
from ...record.prediction import Prediction

LAST = "No clearance to run: local codes and licensed practice come first."
LABEL = "Caution: "
MOST_LINES = 2  # on the first screen
COLDER_THAN_A_FREEZER_K = 243.15  # feed colder than that was chilled with dry ice or liquid nitrogen
TOOL_RAD_S = 1047.2  # 10 000 rpm: a drive of no told kind that turns as fast may well be a router or a grinder
COOLANTS = ("dry ice", "nitrogen")  # what an advice says that sends someone to them
MINERAL_DUST = "fine dust harms lungs"


@dataclass(frozen=True)
class Case:
    """What the cautions depend on: the feed, how cold it is, and what turns. Unknown counts as a hazard.

    overheated: what the feed gives off when it gets too hot, NOTHING, or "" where nobody says; coolant: dry ice or
    liquid nitrogen is used or advised; tool: a router or a grinder may drive the rotor.
    """

    overheated: str = ""
    food: bool = False
    combustible: bool = True
    coolant: bool = False
    swinging: bool = False
    tool: bool = False


UNREADABLE = Case(coolant=True, tool=True)  # of a config that this version cannot read


@dataclass(frozen=True)
class Cautions:
    """The cautions of one place: first halves, the two lines of its first screen, and every sentence that applies."""

    shorts: tuple[str, ...]
    lines: tuple[str, ...]
    sentences: tuple[str, ...]

    @property
    def text(self) -> str:
        """The two lines as one paragraph, without the word that names it."""
        return capital(" ".join(line.strip() for line in self.lines).removeprefix(LABEL))


# --- the table -------------------------------------------------------------------------------------------

# hazard: what stands on the first screen, and what completes the sentence
_WORDS = {
    "rotation": (
        "reach in only with plug out and rotor still",
        "it runs on for seconds to minutes after the switch is off, and its edges cut; lock out a drive without a plug",
    ),
    "burst": (
        "stand clear of the rotor's plane",
        "a rotor or bar that breaks leaves like a bullet; never exceed the speed it is proven for, and look for cracks "
        "and loose screws before each start",
    ),
    "guard": (
        "never run it with guard or lid off",
        "not for one test and not for a look inside; the guard must hold hands out and fragments in, and the lid be "
        "interlocked with the drive",
    ),
    "first start": (
        "turn the rotor by hand first",
        "before a first start, with the plug out, a whole turn without a rub; then start it empty and guarded, from a "
        "distance, in steps of speed, with switch and plug within reach",
    ),
    "restart": (
        "pull the plug at a jam or it restarts by itself",
        "when the jam lets go, or when power returns; fit a switch that stays off after a power cut",
    ),
    "entanglement": (
        "no loose hair, cords or gloves near it",
        "what turns winds up all that it catches, faster than you can let go; no loose sleeves either",
    ),
    "dust": (
        "fine dust can explode and harms lungs",
        "keep sparks, flames and brushed motors away from it, draw it off where it arises, through a filter, let none "
        "pile up, never blow it about, wear a dust mask",
    ),
    "static": (
        "earth all metal parts",
        "moving powder charges funnel, sieve, can and people; a spark lights dust, and a shock makes a hand jerk",
    ),
    "noise": ("wear ear protection", "a mill can be loud enough to damage hearing within minutes"),
    "splinters": (
        "wear eye protection",
        "pieces and splinters fly, from a running mill back out of its feed opening too; keep your face out of their "
        "way",
    ),
    "hot parts": (
        "let hot parts cool first",
        "edges, sieve, bearings, motor and outlet burn skin, and hot powder can smoulder in the bag",
    ),
    "fume": (
        "overheated feed gives off {overheated}",
        "it harms, and may burn; stop at the first smell or smoke, ventilate, and do not breathe it",
    ),
    "breathing air": (
        "dry ice and nitrogen displace breathing air",
        "only with forced ventilation and an alarm for oxygen and carbon dioxide, never in a closed room, chamber, "
        "bottle or car; follow the gas supplier's and the local rules",
    ),
    "cold burns": (
        "cold feed burns skin and eyes",
        "so do coolant and cold steel; wear a face shield, and dry insulating gloves that come off before you go near "
        "the rotor",
    ),
    "electricity": (
        "use a residual-current breaker",
        "earth the frame, keep dust and damp out of motor and switch, and leave all wiring to a licensed electrician",
    ),
    "metal": (
        "worn metal stays in the powder",
        "none of it for food, skin, toys or medicine unless a laboratory has passed it",
    ),
    "tool": (
        "a router or grinder is not made for this",
        "it rarely has a brake, its spindle is not made for a heavy rotor or sideways load, its switch may lock on, "
        "and turned down it cools itself badly; keep to the size, mass and speed of tool that its maker allows",
    ),
    "falling weight": (
        "keep fingers and feet from under the weight",
        "guide it in a tube, lift it by a cord for one drop only, and set the piece with tweezers",
    ),
    "saw": (
        "keep hands clear of blade or disc",
        "clamp the piece, leave the saw's own guard in place, and wear no gloves",
    ),
}  # fmt: skip
HAZARDS = tuple(_WORDS)
_BENCH = ("falling weight", "saw")
_MILL = tuple(h for h in HAZARDS if h not in _BENCH)
_SPECIAL = ("breathing air", "cold burns", "tool")  # of this mill alone, so they come early; metal too, in food


def _first(*hazards: str, of: Sequence[str] = _MILL, without: Iterable[str] = ()) -> tuple[str, ...]:
    """Hazards in their order, some of them first, some left out."""
    return tuple(h for h in dict.fromkeys((*hazards, *of)) if h not in without)


_EMPTY = {
    "dust": "the mill is run empty and clean, there is no powder in it",
    "fume": "there is no feed in the mill that could overheat",
    "breathing air": "an empty mill is measured at room temperature, without coolant",
    "cold burns": "an empty mill is measured at room temperature, without coolant",
    "metal": "no powder is made that metal could get into",
}
_SHEET = {
    "dust": "the sheet shows the parts; what the powder does is said by predict, check and report",
    "static": "it depends on wiring and powder, which the sheet does not show; check says it",
    "noise": "a matter of running the mill, not of making its parts; predict and report say it",
    "hot parts": "nothing is hot while parts are made and fitted; heat says it",
    "fume": "nothing is milled while parts are made and fitted; heat says it",
    "electricity": "no wiring is on the sheet; check says it",
    "metal": "the sheet does not say what the powder is for; wear and report say it",
    "restart": "a matter of running the mill, not of making its parts; next and run say it",
    "entanglement": "nothing turns yet where parts are made and fitted; idle and check say it before it does",
    "splinters": "a matter of running the mill, not of making its parts; predict and report say it",
}
_NO_MILL = {
    "rotation": "no rotor turns in this test",
    "burst": "no rotor turns in this test",
    "guard": "the mill and its guard are not used in this test",
    "first start": "no rotor is started in this test",
    "static": "a few pieces or a spoon of dust charge nothing that matters",
    "metal": "what is left of the pieces is thrown away, nobody eats or wears it",
    "tool": "no rotor is driven in this test",
}
_DROPPED = {
    "restart": "nothing has a motor that could start",
    "entanglement": "nothing turns that could catch hair or cords",
    "dust": "single pieces break into some milligrams of fines",
    "noise": "a weight that drops some centimetres now and then is not loud enough to harm",
    "hot parts": "nothing gets hot when single pieces break",
    "fume": "nothing gets hot when single pieces break",
    "electricity": "nothing in it is plugged in",
}
_SAWN = {
    "breathing air": "pieces are sawn at room temperature, without coolant",
    "cold burns": "pieces are sawn at room temperature, without coolant",
}
_WORN = {
    "fume": "bars are weighed with the mill stopped and cold, nothing overheats",
    "breathing air": "bars are weighed with the mill stopped and at room temperature",
    "cold burns": "bars are weighed with the mill stopped and at room temperature",
    "noise": "bars are weighed with the mill stopped, so it is quiet",
}
_NO_BENCH = {
    "falling weight": "no weight is dropped here; droptest says it",
    "saw": "nothing is sawn here; cuttest says it",
}

# place: the hazards told there, the most relevant first
TOLD = {
    "predict": _first("guard", "dust", "rotation"),
    "check": _first("first start", "guard", "burst"),
    "heat": _first("breathing air", "cold burns", "hot parts", "fume"),
    "idle": _first("first start", "guard", "burst", without=_EMPTY),
    "next": _first("restart", "guard", "rotation"),
    "run": _first("rotation", "dust", "restart"),
    "calibrate": _first("rotation", "dust", "restart"),
    "compare": _first("rotation", "dust", "restart"),
    "cuttest": _first("saw", "splinters", "dust", without={*_NO_MILL, *_SAWN, "falling weight"}),
    "droptest": _first("falling weight", "splinters", without={*_NO_MILL, *_DROPPED, "saw"}),
    "circuit": _first("dust", "static", "rotation"),
    "day": _first("dust", "hot parts", "static", "rotation"),
    "choose": _first("guard", "dust", "burst"),
    "sweep": _first("burst", "guard", "dust"),
    "draw": _first("guard", "first start", "burst", without=_SHEET),
    "why": _first("burst", "guard", "first start"),
    "new": _first("rotation", "guard", "dust"),
    "wear": _first("rotation", "metal", without=_WORN),
    "report": _first("guard", "dust", "rotation"),
}
PLACES = tuple(TOLD)
# place: why the other hazards are not told there
REASONS = {place: dict(_NO_BENCH) for place in PLACES} | {
    "idle": _NO_BENCH | _EMPTY,
    "draw": _NO_BENCH | _SHEET,
    "wear": _NO_BENCH | _WORN,
    "cuttest": _NO_MILL | _SAWN | {"falling weight": _NO_BENCH["falling weight"]},
    "droptest": _NO_MILL | _DROPPED | {"saw": _NO_BENCH["saw"]},
}


def applies(hazard: str, case: Case, place: str) -> bool:
    """Whether a hazard that is told at a place is one of this mill."""
    if hazard in ("breathing air", "cold burns"):
        return case.coolant or place == "heat"  # which tells how to chill with either, asked or not
    if hazard == "fume":
        return case.overheated != NOTHING
    return case.tool if hazard == "tool" else True


def _words(hazard: str, case: Case) -> tuple[str, str]:
    """The two halves of a sentence, for this mill."""
    short, more = _WORDS[hazard]
    if hazard == "fume":
        return short.format(overheated=case.overheated or "harmful fume"), more
    if hazard == "dust" and not case.combustible:
        return MINERAL_DUST, more.replace("keep sparks, flames and brushed motors away from it, ", "")
    if hazard == "static" and not case.combustible:
        return short, more.replace("a spark lights dust, and a", "a")
    if hazard == "metal" and case.food:
        more = "let only what is fit for food touch it, clean and dry the mill between lots, and look for damaged edges"
        return "worn metal ends up in the food", more
    if hazard == "burst" and case.swinging:
        return short, more.replace("rotor or bar", "rotor, hammer or pivot pin").replace("screws", "pins")
    return short, more


# --- what a surface takes from it ------------------------------------------------------------------------


def at(place: str, *cases: Case) -> Cautions:
    """The cautions of a place for one mill, or for several taken together."""
    case = _together(cases)
    told = [h for h in TOLD[place] if applies(h, case, place)]
    own = [h for h in told if h in _SPECIAL or (h == "metal" and case.food)]
    first = list(dict.fromkeys([*told[:1], *own, *told]))
    shorts = [_words(h, case)[0] for h in first]
    sentences = [sentence(": ".join(_words(h, case))) for h in told]
    return Cautions(tuple(shorts), tuple(_two_lines(shorts)), (*sentences, LAST))


def _two_lines(shorts: list[str]) -> list[str]:
    """As many of them, in order, as go into two lines."""
    kept: list[str] = []
    for short in shorts:
        if len(wrap(line_of([*kept, short]))) <= MOST_LINES:
            kept.append(short)
    return wrap(line_of(kept))


def line_of(shorts: Sequence[str]) -> str:
    """First halves of sentences as one line, however long."""
    return f"{LABEL}{'; '.join(shorts)}. {LAST}"


def _together(cases: Sequence[Case]) -> Case:
    """Every hazard that one of several mills has."""
    first = cases[0] if cases else Case()
    given_off = list(dict.fromkeys(c.overheated for c in cases if c.overheated != NOTHING))
    return replace(
        first,
        overheated=given_off[0] if len(given_off) == 1 else "" if given_off else first.overheated,
        food=any(c.food for c in cases),
        combustible=any(c.combustible for c in cases) or not cases,
        coolant=any(c.coolant for c in cases),
        swinging=any(c.swinging for c in cases),
        tool=any(c.tool for c in cases),
    )


def case_of(config: Config, advice: Iterable[str] = ()) -> Case:
    """The case of a mill; advice: sentences told beside it, which may send someone to a coolant."""
    drive, cold = config.drive, config.feed.temperature_K < COLDER_THAN_A_FREEZER_K
    dimmed = drive.speed_rad_s > TOOL_RAD_S if drive.phase_control is None else drive.phase_control
    return replace(
        case_of_card(config.material),
        coolant=cold or any(c in text for text in advice for c in COOLANTS),
        swinging=config.rotor.mount == "swinging",
        tool=drive.is_tool or (drive.kind is None and dimmed),
    )


def case_of_card(card: Card, temperatures_K: Iterable[float] = ()) -> Case:
    """The case of a material on the bench; temperatures_K: of its pieces, NaN where nobody says."""
    burns = "combustible" not in card or card["combustible"].value > 0.0
    return Case(
        overheated=card.overheated, food=card.use == FOOD, combustible=burns,
        coolant=any(T < COLDER_THAN_A_FREEZER_K for T in temperatures_K),
    )  # fmt: skip


def case_of_prediction(p: Prediction, advice: Iterable[str] = ()) -> Case:
    """The case of a prediction, with what is told beside it."""
    return case_of_text(p.config_text, [*p.grinds_with, *advice])


def case_of_text(text: str, advice: Iterable[str] = ()) -> Case:
    """The case of a resolved config, as result files keep it; every hazard where this version cannot read it."""
    try:
        return case_of(parse_config(text), advice)
    except InputError:
        return UNREADABLE


def cases_of_sweep(sweep: Sweep) -> list[Case]:
    """The cases of the mills of a sweep: the coldest and fastest of what it varies, and every material."""
    keys = {key: values for a in sweep.axes for key, values in ((a.key, a.values), *a.along.items())}
    shipped, materials = list_materials(), keys.get("feed.material", ())
    feeds = [case_of_card(load_material(m)) if m in shipped else Case() for m in materials]
    try:
        c = parse_config(sweep.base_text)
    except InputError:
        return [UNREADABLE, *feeds]
    d, tips = c.drive, keys.get("drive.tip_speed", ())
    speed = max([d.speed_rad_s, *keys.get("drive.speed", ()), *(v / c.rotor.radius_m for v in tips)])
    kind = next((k for k in keys.get("drive.kind", ()) if k != "motor"), d.kind)
    mount = "swinging" if "swinging" in keys.get("rotor.mount", ()) else c.rotor.mount
    T = min([c.feed.temperature_K, *keys.get("feed.temperature", ())])
    worst = replace(
        c, drive=replace(d, speed_rad_s=speed, kind=kind), feed=replace(c.feed, temperature_K=T),
        rotor=replace(c.rotor, mount=mount),
    )  # fmt: skip
    return [case_of(worst), *feeds]


def after_lead(text: str, found: Cautions) -> str:
    """An answer with the two lines behind its first paragraph."""
    lines = text.split("\n")
    n = next((i for i in range(1, len(lines)) if not _goes_on(lines, i)), len(lines))
    return "\n".join([*lines[:n], *found.lines, *lines[n:]])


def _goes_on(lines: list[str], i: int) -> bool:
    """Whether a line belongs to the paragraph above it: indented, and not the head of a table."""
    below = lines[i + 1] if i + 1 < len(lines) else ""
    return lines[i].startswith("  ") and not below.startswith("  --")


def listed(found: Cautions) -> str:
    """Every sentence, as a list."""
    items = [line for text in found.sentences for line in wrap(f"- {text}")]
    return "\n".join(["Cautions", *items]) + "\n"
