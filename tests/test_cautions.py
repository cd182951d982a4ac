"""Cautions: the table of hazards and places as a test, what they depend on, and where they stand on every surface.

Every command is run on one fitting mill: PLA chilled with dry ice, on a router that is turned down. What a command
computes is replaced where only its words matter.
"""

import functools
import json
import re
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import matplotlib.text
import mills
import pytest
import sweeps
from click.testing import CliRunner
from helpers import fake_prediction

from millsim.commands import circuit as circuit_command
from millsim.commands.main import cli
from millsim.explore.choose import advise
from millsim.learn.calibration import carding, explain, nextstep, whole
from millsim.learn.calibration import compare as comparing
from millsim.mill.cards import load_material
from millsim.record import write
from millsim.record.outputs import OUTPUTS
from millsim.record.prediction import Change
from millsim.show.drawing.sheet import drawing
from millsim.show.report.blocks import Notice
from millsim.show.report.content import report
from millsim.show.report.pdf import pages_of
from millsim.show.words import calibration, cautions, choice, comparison, heat, heat_tables
from millsim.show.words import wear as wear_words
from millsim.show.words.cautions import HAZARDS, PLACES, REASONS, TOLD
from millsim.studies import advised, heatways, wear
from millsim.studies.heat import answers

COLD_ROUTER = ("feed.temperature=-78 °C", "drive.phase_control=true")
FIRST_SCREEN, WIDE = 25, 100
MARKS = {  # words that cannot be missed in the sentence on a hazard
    "rotation": "rotor still", "burst": "clear of the rotor's plane", "guard": "guard or lid off",
    "first start": "rotor by hand", "restart": "restarts by itself", "entanglement": "hair, cords or gloves",
    "dust": "harms lungs", "static": "Earth all metal", "noise": "ear protection", "splinters": "eye protection",
    "hot parts": "hot parts cool", "fume": "Overheated feed gives off", "breathing air": "breathing air",
    "cold burns": "burns skin and eyes", "electricity": "residual-current", "metal": "Worn metal",
    "tool": "router or grinder", "falling weight": "under the weight", "saw": "blade or disc",
}  # fmt: skip


@functools.cache
def chilled():
    """The PLA mill on a router, its feed from dry ice."""
    return mills.config("pla", *COLD_ROUTER)


@pytest.fixture(scope="module")
def at(tmp_path_factory):
    """What a command says, run once: at(place) is (text, JSON), of a drawing and a report what stands on them."""
    folder = tmp_path_factory.mktemp("cautions")
    files = inputs(folder)

    @functools.cache
    def said(place):
        if place == "choose":
            said("sweep")  # which it reads
        with pytest.MonkeyPatch.context() as patch:
            made_light(patch)
            told = run(*files[place], *(() if place in ("draw", "report", "new") else ("--full",)))
            assert told.exit_code in (0, 3), told.output
            if place == "draw":
                return told.stderr, written_on(drawing(chilled()))
            if place == "report":
                html = Path(told.stdout.strip()).read_text(encoding="utf-8")
                return told.stderr, " ".join(html.replace("\u00a0", " ").split())
            return told.stdout, json.loads(run(*files[place], "--json").stdout)

    return said


def run(*words):
    return CliRunner().invoke(cli, [str(w) for w in words])


def inputs(folder: Path) -> dict[str, list]:
    """The words of every command, its files in a folder."""
    mill, kept, sheet, cuts, drops, swept, plan = (
        folder / name for name in ("m.toml", "p.h5", "run.toml", "cuts.csv", "drops.csv", "s.h5", "plan.toml")
    )
    mill.write_text(chilled().text, encoding="utf-8")
    change = Change(
        "drive.speed", "a faster rotor", ('drive.speed="12000 rpm"',), 1e-3, 2e-4, 1e6, 310.0, "jam", 2.0, ""
    )
    write.write(replace(fake_prediction(), config_text=chilled().text, changes=(change,)), kept)
    text = (mills.CONFIGS / "demo_run.toml").read_text(encoding="utf-8")
    text = re.sub(r"(?m)^config = .*$", f'config = "{mill.as_posix()}"', text)
    sheet.write_text(text.replace("demo_product_sieve.csv", str(mills.CONFIGS / "demo_product_sieve.csv")), "utf-8")
    cuts.write_text("power_loaded_W,power_idle_W,time_s,removed_g\n300,100,60,20\n310,100,60,21\n", "utf-8")
    tried = ((100, "no"), (200, "no"), (300, "yes"), (200, "yes"), (400, "yes"))
    rows = [f"100,{height},40,{broken},-78" for height, broken in tried]
    drops.write_text("\n".join(["hammer_mass_g,height_mm,piece_mass_mg,broken,temperature_C", *rows]), "utf-8")
    plan.write_text(
        f'[sweep]\nconfig = "{mill.as_posix()}"\nclass_ratio = 1.5\n[[axis]]\nkey = "stator.gap"\n'
        'values = ["3 mm", "4 mm"]\n', "utf-8",
    )  # fmt: skip
    nothing = folder / "answers.txt"
    nothing.write_text("# all as it is\n", "utf-8")
    quick = ("--set", "run.band_samples=0")
    return {
        "predict": ["predict", mill, *quick], "check": ["check", mill, "--quick"], "heat": ["heat", mill],
        "day": ["day", mill, "--draws", 0],
        "idle": ["idle", mills.CONFIGS / "demo_idle.csv", "--config", mill], "next": ["next", mill],
        "run": ["run", sheet], "calibrate": ["calibrate", sheet, "-o", folder / "c.toml", "--force"],
        "compare": ["compare", kept, sheet], "cuttest": ["cuttest", cuts, "--material", "pla"],
        "droptest": ["droptest", drops, "--material", "pla"], "circuit": ["circuit", mill, "--sieve", "1 mm"],
        "choose": ["choose", swept, "rotational-moulding", "--no-sieve"],
        "sweep": ["sweep", plan, "--out", swept, "--workers", 1, "--force"], "draw": ["draw", mill, "--force"],
        "new": ["new", folder / "n.toml", "--from", mill, "--answers", nothing, "--force"],
        "why": ["why", kept],
        "wear": ["wear", mill, "--lost", "0.05 g", "--milled", "2 kg"], "report": ["report", kept, "--force"],
    }  # fmt: skip


def made_light(patch):
    """Nothing is solved: only what surrounds the answer is of interest."""
    two = "An answer of several words\n  in two lines.\nMore of it."
    patch.setattr(advised, "predict", lambda *_, **__: replace(fake_prediction(), config_text=chilled().text))
    patch.setattr(answers, "answers", lambda *_, **__: SimpleNamespace(code=0, value=lambda _: 0.0, against=False))
    patch.setattr(heatways, "helped", lambda a, *_: a)
    patch.setattr(
        nextstep,
        "plan",
        lambda *_, **__: SimpleNamespace(
            rank=lambda _: [], hardly=lambda _: (), model=SimpleNamespace(rate_kg_s=1e-3), about=""
        ),
    )
    patch.setattr(whole, "calibrate_whole", lambda *_, **__: SimpleNamespace(bars=False))
    patch.setattr(carding, "card_text", lambda _: "")
    patch.setattr(comparing, "compare", lambda *_: None)
    patch.setattr(explain, "explain", lambda _: None)
    patch.setattr(circuit_command, "_one", lambda *_: (dict, lambda: two, None, None, 0))
    patch.setattr(
        advise,
        "choose",
        lambda *_: SimpleNamespace(judged=SimpleNamespace(meets=SimpleNamespace(any=lambda: True)), choice=None),
    )
    patch.setattr(wear, "drift", lambda *_, **__: SimpleNamespace(code=0))
    for words, as_json, as_text in (
        (heat_tables, "heat_json", ""), (heat, "", "heat_text"), (wear_words, "wear_json", "wear_text"),
        (calibration, "calibration_json", "calibration_text"), (comparison, "comparison_json", "comparison_text"),
        (choice, "to_json", "text"),
    ):  # fmt: skip
        if as_json:
            patch.setattr(words, as_json, lambda *_: {})
        if as_text:
            patch.setattr(words, as_text, lambda *_: two)


# --- the table -------------------------------------------------------------------------------------------


def test_every_cell_is_said_or_reasoned_away():
    assert set(MARKS) == set(HAZARDS) and len(PLACES) == 19
    for place in PLACES:
        assert len(set(TOLD[place])) == len(TOLD[place])
        assert set(TOLD[place]) | set(REASONS[place]) == set(HAZARDS), place
        assert not set(TOLD[place]) & set(REASONS[place]), place
        for hazard, reason in REASONS[place].items():
            assert len(reason.split()) >= 5, (place, hazard)


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("hazard", HAZARDS)
def test_a_hazard_that_is_told_at_a_place_is_found_there(at, hazard, place):
    answer, told = at(place)[1], hazard in TOLD[place]
    if place in ("draw", "report"):
        assert (MARKS[hazard].lower() in answer.lower().replace("&#x27;", "'")) is told
    else:
        assert sum(MARKS[hazard].lower() in s.lower() for s in answer["caution"]) == told, (hazard, place)


def written_on(figure) -> str:
    """All text of a figure."""
    return " ".join(" ".join(t.get_text() for t in figure.findobj(matplotlib.text.Text)).split())


@pytest.mark.parametrize("place", PLACES)
def test_two_lines_on_the_first_screen_end_with_who_decides(at, place):
    lines = at(place)[0].splitlines()
    first = next(i for i, line in enumerate(lines) if line.startswith("Caution: "))
    two = lines[first : first + 2]
    assert first + 2 <= FIRST_SCREEN and max(map(len, two)) <= WIDE
    assert two[1].startswith("  ") and " ".join(two).endswith(cautions.LAST)
    assert not lines[first + 2 : first + 3] or not lines[first + 2].startswith("  ")
    halves = " ".join(x.strip() for x in two).removeprefix("Caution: ").removesuffix(f". {cautions.LAST}").split("; ")
    assert len(halves) >= 2
    case = cautions.case_of(chilled())
    assert set(halves) <= set(cautions.at(place, case).shorts)


@pytest.mark.parametrize("place", PLACES)
def test_nothing_reads_as_a_clearance(at, place):
    answer = at(place)[1]
    said = " ".join(cautions.at(place, cautions.case_of(chilled())).sentences)
    assert not re.search(r"\b(safe|safely|ok|okay|harmless|no danger|may run|cleared)\b", said, re.IGNORECASE)
    if place not in ("draw", "report"):
        assert answer["caution"][-1] == cautions.LAST
        assert len(answer["caution"]) == len(set(answer["caution"]))


def test_the_long_list_stands_in_check_and_behind_full(at):
    for place in ("check", "compare"):
        text = " ".join(at(place)[0].split("\nCautions\n")[1].split())
        for sentence in at(place)[1]["caution"]:
            assert f"- {sentence}" in text
    assert "\nCautions\n" not in at("predict")[0]


# --- what it depends on ----------------------------------------------------------------------------------


def sentences(place, config):
    return " ".join(cautions.at(place, cautions.case_of(config)).sentences)


def test_coolant_is_told_where_the_feed_is_chilled_and_where_heat_advises_it():
    warm, freezer = mills.config("pla"), mills.config("pla", "feed.temperature=-18 °C")
    for place in ("predict", "check", "circuit", "choose", "next", "report", "draw"):
        assert "breathing air" in sentences(place, chilled()) and "burns skin" in sentences(place, chilled())
        assert "breathing air" not in sentences(place, warm) and "burns skin" not in sentences(place, freezer)
    assert "breathing air" in sentences("heat", warm)
    advised = cautions.case_of(warm, ["with feed chilled in dry ice it grinds"])
    assert "breathing air" in " ".join(cautions.at("predict", advised).sentences)
    assert "breathing air" in cautions.at("predict", cautions.case_of(chilled())).lines[0]


@pytest.mark.parametrize(("feed", "given_off"), [
    ("pmma", "methyl methacrylate"), ("ps", "styrene"), ("abs", "styrene and acrylonitrile"), ("pa", "caprolactam"),
    ("pe_pp", "acrolein"), ("pla", "lactide"), ("wheat", "smoke and carbon monoxide"), ("coffee", "smoke"),
])  # fmt: skip
def test_fume_is_named_by_the_card(feed, given_off):
    assert f"Overheated feed gives off {given_off}" in sentences("heat", mills.config("demo", f"feed.material={feed}"))


def test_a_card_that_says_nothing_still_warns_of_fume_and_one_copied_by_a_bench_test_keeps_what_it_says():
    card = load_material("ps")
    silent, own = card.copied(card, "t", "", ""), card.copied(card, "t", "", "Drop test x.")
    silent.overheated = ""
    assert "gives off harmful fume" in " ".join(cautions.at("cuttest", cautions.case_of_card(silent)).sentences)
    assert (own.overheated, own.use, own.bench) == (card.overheated, card.use, "Drop test x.")


@pytest.mark.parametrize("feed", ["wheat", "coffee"])
def test_food_is_spoken_of_as_food(feed):
    config = mills.config("demo", f"feed.material={feed}")
    said = sentences("predict", config)
    assert "Worn metal ends up in the food: let only what is fit for food touch it, clean" in said
    assert "none of it for food" not in said and "plastic" not in said and "harmful fume" not in said
    assert "worn metal ends up in the food" in " ".join(cautions.at("predict", cautions.case_of(config)).lines)
    assert "can explode" in said
    assert "none of it for food, skin" in sentences("predict", mills.config("demo"))


@pytest.mark.parametrize("feed", ["glass", "limestone"])
def test_what_cannot_burn_has_no_explosion_but_lungs(feed):
    config = mills.config("demo", f"feed.material={feed}")
    said = sentences("predict", config) + " ".join(cautions.at("predict", cautions.case_of(config)).lines)
    assert "Fine dust harms lungs: draw it off" in said and "fine dust harms lungs" in said
    assert not re.search("explode|sparks|spark lights|gives off", said)


def test_a_rotor_on_a_router_or_grinder_is_told_to_be_beyond_its_use():
    demo = mills.config("demo")

    def driven(kind, speed_rad_s, dimmed=None):
        drive = replace(demo.drive, kind=kind, speed_rad_s=speed_rad_s, phase_control=dimmed)
        return replace(demo, drive=drive)

    slow, fast = 0.9 * cautions.TOOL_RAD_S, 1.1 * cautions.TOOL_RAD_S
    kinds = (
        (driven(None, slow), False), (driven(None, fast), True), (driven(None, slow, True), True),
        (driven(None, fast, False), False),
        (driven("motor", fast, True), False), (driven("router", slow), True), (driven("angle grinder", slow), True),
    )  # fmt: skip
    for config, told in kinds:
        for place in ("predict", "idle", "wear"):
            assert ("router or grinder" in " ".join(cautions.at(place, cautions.case_of(config)).lines)) is told
            assert ("rarely has a brake" in sentences(place, config)) is told


def test_hammers_hang_on_pins():
    assert "a rotor, hammer or pivot pin that breaks" in sentences("check", mills.config("swinging"))
    assert "pin" not in sentences("check", mills.config("demo"))


def test_several_mills_have_every_hazard_of_each():
    wheat, glass = (cautions.case_of(mills.config("demo", f"feed.material={m}")) for m in ("wheat", "glass"))
    said = " ".join(cautions.at("circuit", glass, cautions.case_of(chilled())).sentences)
    assert "can explode" in said and "breathing air" in said and "gives off lactide" in said
    assert "in the food" in " ".join(cautions.at("calibrate", glass, wheat).sentences)


def test_a_sweep_speaks_for_its_coldest_and_fastest_mill():
    axes = [sweeps.axis("feed.temperature", 195.0, 293.15, unit="K", shown="degC")]
    cold = " ".join(cautions.at("sweep", *cautions.cases_of_sweep(sweeps.made(axes, sweeps.points(2)))).sentences)
    axes = [sweeps.axis("drive.speed", 600.0, 1500.0, unit="rad/s", shown="rpm")]
    swift = sweeps.made(axes, sweeps.points(2), base=mills.config("batch"))  # which does not say what turns it
    fast = " ".join(cautions.at("sweep", *cautions.cases_of_sweep(swift)).sentences)
    feeds = [sweeps.axis("feed.material", "wheat", "my_own.toml", unit="1", shown="-")]
    food = " ".join(cautions.at("sweep", *cautions.cases_of_sweep(sweeps.made(feeds, sweeps.points(2)))).sentences)
    assert "breathing air" in cold and "rarely has a brake" not in cold
    assert "rarely has a brake" in fast and "breathing air" not in fast
    assert "in the food" in food and "harmful fume" in food


# --- drawing, report, README -----------------------------------------------------------------------------


def test_the_drawing_carries_every_half_that_applies_in_two_lines():
    for config in (chilled(), mills.config("swinging"), mills.config("demo", "feed.material=wheat")):
        told, text = cautions.at("draw", cautions.case_of(config)), written_on(drawing(config))
        assert cautions.line_of(told.shorts) in text
    all_text = drawing(chilled()).findobj(matplotlib.text.Text)
    assert sum(t.get_position()[0] > 8.0 and 7.0 < t.get_position()[1] < 18.0 for t in all_text) == 2


def test_the_first_page_of_a_report_and_its_last_chapter_carry_them(at):
    p = replace(fake_prediction(), config_text=chilled().text)
    found, told = report(p), cautions.at("report", cautions.case_of(chilled()))
    notice = next(b for b in found.sections[0].blocks if isinstance(b, Notice) and b.label == "Caution")
    assert " ".join(" ".join(told.lines).split()) == f"Caution: {notice.text[0].lower()}{notice.text[1:]}"
    first = " ".join(" ".join(line.removeprefix("┃") for line in pages_of(found)[0].lines).split())
    assert notice.text in first and first.count("CAUTION") == 1
    html = at("report")[1].replace("&#x27;", "'")
    assert html.index(notice.text) < html.index("How fine") and all(s in html for s in told.sentences)


def test_a_result_of_another_version_has_every_hazard():
    case = cautions.case_of_text("no config at all")
    assert case.coolant and case.tool and case.combustible and not case.overheated


def test_the_readme_covers_every_hazard():
    readme = (mills.CONFIGS.parent / "README.md").read_text(encoding="utf-8")
    told = " ".join(readme.partition("## Cautions\n")[2].split())
    for word in ("guard", "run down", "fragments", "by hand", "jam", "hair", "explode", "lungs", "earth", "ear", "eye",
                 "hot", "fume", "breathing air", "cold", "residual-current", "metal", "food", "router", "saw", "weight",
                 "licensed practice"):  # fmt: skip
        assert word in told.lower(), word


def test_an_output_is_never_named_caution():
    assert "caution" not in OUTPUTS
