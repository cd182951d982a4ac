"""The list of all keys: whole, made of the rows that readers check by, and what the shell completes."""

from pathlib import Path

import pytest
from click.shell_completion import ShellComplete
from click.testing import CliRunner

from millsim.commands.main import cli
from millsim.errors import InputError
from millsim.explore.choose import spec as target
from millsim.explore.sweep import spec as sweep
from millsim.learn.measured import runspec
from millsim.mill.cards.spec import MATERIAL, MODEL
from millsim.mill.config.mill import parse_config
from millsim.mill.config.schema import SECTIONS
from millsim.show.words import keys

CONFIGS = Path(__file__).resolve().parent.parent / "configs"


def told(*words):
    return CliRunner().invoke(cli, ["keys", *words])


def test_every_key_of_every_file_is_listed_with_its_meaning():
    text = told().stdout
    for sections in (SECTIONS, runspec.SECTIONS, sweep.SECTIONS, sweep.AXIS, target.SECTIONS, target.LISTS):
        for name, rows in sections.items():
            assert f"[{name}]" in text
            for key in rows:
                assert key.name in text and (key.about in text or key.name in ("basis", "source"))
    for entry in (*MATERIAL.values(), *MODEL.values()):
        assert f"{entry.name} " in text and entry.about in text


def test_a_section_a_kind_of_file_or_any_words_are_found():
    rotor = told("rotor").stdout
    assert "[rotor]" in rotor and "[stator]" not in rotor
    assert "edge                blunt | bevelled | toothed" in rotor
    marked = {line.split()[0]: "  review  " in line for line in rotor.splitlines() if line.startswith("  ")}
    assert marked["balance_grade"] and not marked["run_out"]  # what only the review reads is marked
    assert "[masses]" in told("run").stdout and "[rotor]" not in told("run").stdout
    assert "pivot_pin_diameter" in told("hammer", "hangs").stdout
    nothing = told("perpetuum")
    assert nothing.exit_code == 2 and "no key and no meaning holds 'perpetuum'" in nothing.stderr


def test_what_one_kind_of_sieve_needs_is_told_as_needed():
    rows = {line.split()[0]: line for line in told("sieve").stdout.partition("Target")[0].splitlines() if line.strip()}
    assert "needed, if plate  " in rows["thickness"] and "needed, if plate, or open_fraction" in rows["pitch"]
    assert "needed, if mesh, or open_fraction" in rows["wire"]


@pytest.mark.parametrize("section, name", [("stator", "gap"), ("drive", "speed"), ("air", "room"), ("rotor", "bars")])
def test_the_range_told_is_the_range_that_is_checked(section, name):
    row = next(
        r for k in keys.kinds() for t in k.sections if t.caption == f"[{section}]" for r in t.rows if r[0] == name
    )
    low, high = row[1].split(" to ")
    number, unit = high.rpartition(" ")[::2] if " " in high else (high, "")
    text = (CONFIGS / "demo.toml").read_text(encoding="utf-8")
    text = text.replace('sheet = "offcuts_sieve.csv"', "").replace('"sieve_sheet"', '"single"\nsize = "5 mm"')
    for value, good in ((low, True), (number, True), (f"{2 * float(number) + 1:g}", False)):
        given = [f"{section}.{name}={value} {unit}".strip()]
        found = []
        try:
            parse_config(text, overrides=given)
        except InputError as error:
            found = [p for p in error.problems if p.key == f"{section}.{name}" and "out of range" in p.message]
        assert (not found) == good


def test_the_page_holds_all_of_it_and_replaces_nothing_unasked(tmp_path):
    page = tmp_path / "keys.html"
    assert told("rotor", "--html", str(page)).exit_code == 0
    text = page.read_text(encoding="utf-8")
    assert all(f">{key.name}</t" in text for rows in SECTIONS.values() for key in rows)
    assert "a safety clearance" not in text  # the nature of a page of keys is another than that of a report
    assert told("--html", str(page)).exit_code == 2


@pytest.mark.parametrize(
    "words, begun, expected",
    [
        (["predict", "--set"], "stator.g", ["stator.gap="]),
        (["predict", "--set"], "rotor.edge=b", ["rotor.edge=blunt", "rotor.edge=bevelled"]),
        (["predict", "--set"], "guessed.stator.g", ["guessed.stator.gap="]),
        (["choose", "s.h5"], "rot", ["rotational-moulding"]),
        (["materials"], "pm", ["pmma"]),
        (["droptest", "--material"], "gl", ["glass"]),
    ],
)
def test_the_shell_completes_keys_targets_and_materials(words, begun, expected):
    found = ShellComplete(cli, {}, "millsim", "_MILLSIM_COMPLETE").get_completions(words, begun)
    assert [c.value for c in found if c.type == "plain"] == expected
