"""How much text is read, what of it reaches a terminal: limits that no honest file meets."""

import json
import time
from pathlib import Path

import pytest
from click.testing import CliRunner

from millsim.base.reading.bounded import DEEPEST_KEY, LONGEST_LINE, MOST_BYTES, MOST_COLUMNS, MOST_KEYS, MOST_ROWS
from millsim.base.reading.sheet import parse_sheet, read_sheet
from millsim.base.reading.toml import parse_toml
from millsim.commands.main import cli
from millsim.errors import InputError
from millsim.learn.measured import runchecks
from millsim.learn.measured.binary import fit_link
from millsim.learn.measured.cuttest import read_cuts
from millsim.learn.measured.dropsheet import read_drops
from millsim.mill import cards
from millsim.mill.cards import load_material

CONFIGS = Path(__file__).parents[1] / "configs"

HEAD = "aperture_mm,retained_g\n"
SHEET = f"{HEAD}1.0,5.4\n0.5,11.9\npan,0.55\n"
TIMES = 2.0  # an honest table of ROWS rows: each took ten to sixty times that where blanks cost by their square
ROWS = 10_000


def honest(rows):
    """A sieve sheet of so many rows."""
    return HEAD + "".join(f"{0.1 + i * 1e-3:.4f},{1 + i % 7}\n" for i in range(rows)) + "pan,4\n"


def seconds(read, *args):
    """Processor time of a reading, whatever it says."""
    start = time.process_time()
    try:
        read(*args)
    except InputError:
        pass
    return time.process_time() - start


@pytest.fixture(scope="module")
def usual():
    """Processor time of an honest table."""
    return min(seconds(parse_sheet, honest(ROWS), "powder.csv") for _ in range(2))


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (SHEET + "#" * MOST_BYTES, "is larger than 1 MB, which no sheet or table of a test is; allowed: at most 1 MB"),
        (
            SHEET + "2.0," + "1" * LONGEST_LINE,
            f"line 5: the line has 10004 characters; allowed: at most {LONGEST_LINE}",
        ),
        (SHEET + '2.0,"' + "1 " * 300, "line 5: a cell has 601 characters; allowed: at most 500; a quote that is not"),
        (SHEET + "2.0,0.1" + "," * MOST_COLUMNS, f"line 5: the line has 302 cells; allowed: at most {MOST_COLUMNS}"),
        (SHEET + "2.0,0.1\n" * MOST_ROWS, f"has 20004 rows; allowed: at most {MOST_ROWS}; is it the log of"),
    ],
    ids=["file", "line", "cell", "cells", "rows"],
)
def test_a_table_of_more_than_any_test_is_refused(tmp_path, text, told):
    file = tmp_path / "powder.csv"
    file.write_text(text, encoding="utf-8")
    for read in (read_sheet, lambda path: read_cuts(path, load_material("pmma"))):
        with pytest.raises(InputError) as error:
            read(file)
        assert str(error.value).startswith(f"{file}: {told}")


def test_a_sheet_of_ten_thousand_sieves_costs_what_its_rows_cost(usual):
    few = min(seconds(parse_sheet, honest(ROWS // 10), "powder.csv") for _ in range(5))
    assert usual < 20.0 * few  # ten times the rows; by their square it were a hundred
    sheet = parse_sheet(honest(ROWS), "powder.csv")
    assert len(sheet.q3) == ROWS
    assert sheet.q3[7] == pytest.approx((4 + sum(range(1, 8))) / sheet.sum_g, rel=1e-15)


@pytest.mark.parametrize(
    "line",
    [
        *("{}x,1", "1.0{}x,1", "1.0,1{}x", "1.0,1{}g", '"{}"x,1'),
        *(f"{c * (480 // len(c))},1" for c in ("9", "1,", "1 ", "/", "(", "_a")),
        *(f"1.0,{c * (480 // len(c))}" for c in ("9", "1,", "1 ", "1 000")),
    ],
)
def test_no_cell_of_a_table_costs_much(line, usual):
    text = "\n".join([line.format(" " * 490)] * 900)
    assert seconds(parse_sheet, SHEET + text, "powder.csv") < TIMES * usual


@pytest.mark.parametrize(
    "line",
    [
        *("a{}= 1", "a{}b", "a = b{}c", "a = {}", "[{}a", "[a{}b", "[a]\n[a{}]\n[a{}]\nb = ,", "{}a = 1,5"),
        *(("[" * 40_000), "a = " + "[" * 40_000, "a = " + "{b=" * 13_000, '"' * 40_000, 'a = "' + "\\u001b" * 9000),
        *(".".join("a" * 20_000) + " = 1", "[" + ".".join("a" * 20_000) + "]"),
        *("a = 1,5\n" * 10_000, "a = 1\n" * 10_000, "[a]\n" * 10_000, "".join(f"k{i} = 1\n" for i in range(9000))),
    ],
    ids=range(19),
)
def test_no_line_of_a_config_costs_much(line, usual):
    def read():
        parse_toml(f"[rotor]\nbars = 4\n{line.replace('{}', ' ' * 40_000)}\n", "mill.toml")

    assert seconds(read) < TIMES * usual


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("\n{} = 1", 2), ("[{}]", 1), ("note = '''\n'''\na = {{b = 1, {} = 2}}", 3),
        ('"a b"."c" . {} = 1', 1), ("x = 1 # {}", 0), ("x = '{}'", 0), ('x = """\n"{}"\n"""', 0),
    ],
)  # fmt: skip
def test_a_key_has_sixteen_parts_at_most(text, line):
    whole, more = (".".join("a" * n) for n in (DEEPEST_KEY - 2, DEEPEST_KEY + 1))
    assert not parse_toml(text.format(whole), "mill.toml").problems
    told = [f"mill.toml: a key has more than 16 parts (line {line})"] if line else []
    assert [str(p).partition(";")[0] for p in parse_toml(text.format(more), "mill.toml").problems] == told


def test_a_config_of_more_keys_than_any_is_refused():
    many = "".join(f"[[axis]]\nkey{i} = 1\n" for i in range(MOST_KEYS))
    (problem,) = parse_toml(many, "mill.toml").problems
    assert str(problem) == "mill.toml: has 1001 keys, which no config, card or run sheet has; allowed: at most 1000"


def test_json_tells_the_first_fifty_problems_too(tmp_path):
    wrong = tmp_path / "mill.toml"
    wrong.write_text("[rotor]\n" + "".join(f"nonsense{i} = 1\n" for i in range(200)), encoding="utf-8")
    done = CliRunner().invoke(cli, ["check", str(wrong), "--json"])
    said = json.loads(done.stdout)
    assert done.exit_code == 2 and len(said["problems"]) == 50
    assert said["message"].endswith("; these are the first 50 of 213 problems.")
    assert said["message"].count("; allowed: ") <= 50


def test_an_error_is_cut_in_its_middle(tmp_path):
    long = tmp_path / ("x" * 3000)
    done = CliRunner().invoke(cli, ["sieve", str(long)])
    assert done.exit_code == 2 and len(done.stderr) < 2100
    assert done.stderr.startswith(f"Error: {tmp_path}") and done.stderr.endswith(
        "no file can have so long a name; name another\n"
    )


OBEYED = "\x1b]0;owned\x07\x9b2J\u202e"


def test_what_a_sheet_says_is_no_command_to_the_terminal(tmp_path):
    sheet = tmp_path / f"powder{OBEYED}.csv"
    sheet.write_text(SHEET + f"note,shaken {OBEYED} by hand\n", encoding="utf-8")
    plain = CliRunner().invoke(cli, ["sieve", "--full", str(sheet)])
    assert plain.exit_code == 0
    assert "note: shaken ?]0;owned??2J? by hand" in plain.stdout
    told = CliRunner().invoke(cli, ["sieve", "--json", str(sheet)])
    assert OBEYED in "".join(json.loads(told.stdout)["sheets"][0]["notes"])
    for shown in (plain.stdout + plain.stderr, told.stdout + told.stderr):
        assert not set(OBEYED) & set(shown) - set("]0;owned2J")


WITHOUT_END = {"text": 'source = "a sheet of', "list": "range = [1, 2", "section": "[sigma_pla", "texts": "note = '''a"}


@pytest.mark.parametrize("cut", WITHOUT_END.values(), ids=WITHOUT_END)
def test_a_card_that_is_cut_off_is_told_with_its_line(tmp_path, cut):
    whole = cards.card_toml(load_material("pmma"))
    card = tmp_path / "offcuts.toml"
    card.write_text(whole[: len(whole) // 2].rpartition("\n")[0] + f"\n{cut}", encoding="utf-8")
    done = CliRunner().invoke(cli, ["materials", str(card)])
    assert done.exit_code == 2 and done.stdout == ""
    assert f"{card}: " in done.stderr.splitlines()[0]
    assert "is not valid TOML" in done.stderr or "is not a TOML value" in done.stderr


NO_NAMES = {
    "a name too long": "x" * 300,
    "a path too long": "/".join(["d" * 200] * 25),
    "a link to itself": "loop",
    "below such a link": "loop/below",
}


@pytest.mark.parametrize("name", NO_NAMES.values(), ids=NO_NAMES)
def test_names_that_no_file_can_have(tmp_path, monkeypatch, name):
    monkeypatch.chdir(tmp_path)
    demo, sheet, run, drops = (
        CONFIGS / n for n in ("demo.toml", "demo_product_sieve.csv", "demo_run.toml", "demo_droptest.csv")
    )
    Path("loop").symlink_to("loop")
    for line in (
        "predict @", f"predict {demo} --out @.h5", f"predict {demo} --plots @", f"draw {demo} -o @.png", "sieve @",
        f"sieve {sheet} --csv @", "calibrate @", f"calibrate {run} -o @.toml", "book show @", "sweep @", "why @.h5",
        f"book add @ {demo} --name one", "choose @.h5 rotational-moulding", "export @.h5", "keys --html @.html",
        "run @", "report @.h5", f"droptest {drops} --material @.toml", "new @.toml --answers answers.txt",
    ):  # fmt: skip
        if name == "loop" and (suffix := line.partition("@")[2].partition(" ")[0]):
            Path(f"loop{suffix}").unlink(missing_ok=True)
            Path(f"loop{suffix}").symlink_to(f"loop{suffix}")
        before = sorted(tmp_path.iterdir())
        done = CliRunner().invoke(cli, line.replace("@", name).split())
        assert (done.exit_code, done.stdout) == (2, ""), line
        assert any(w in done.stderr for w in ("so long a name", "name too long", "links")), line
        assert sorted(tmp_path.iterdir()) == before


@pytest.mark.parametrize("mass", ["1e308", "1e-300", "-1e308"])
@pytest.mark.parametrize("row", ["1.0,{}", "pan,{}", "charge,{}", "2.0,{} mg"])
def test_a_mass_that_no_balance_shows(mass, row):
    text = SHEET.replace("pan,0.55\n", "") if row.startswith("pan") else SHEET.replace("1.0,5.4\n", "")
    with pytest.raises(InputError, match=r"powder.csv: line 4: .*; allowed: 0 "):
        parse_sheet(f"{text}{row.format(mass)}\n", "powder.csv")
    with pytest.raises(InputError, match=r"--charge: .* is no mass of a sieving; allowed: 0 g, or 1e-18 g to 1000 kg"):
        parse_sheet(SHEET, "powder.csv", charge=f"{mass} g")


def test_a_volume_that_no_instrument_gives():
    text = "size_um,volume_%\n1,0\n10,1.7e308\n100,1.7e308\n300,30\n500,5\n"
    with pytest.raises(InputError, match=r"line 3: 1.7e308 in column 'volume_%' is beyond .*; allowed: 0 to 1e\+09"):
        parse_sheet(text, "laser.csv")


def test_what_was_swept_up_is_nothing_or_something():
    (found,) = runchecks.contradictions({"masses.holdup": 1e-303, "masses.bag": 0.0, "masses.sweepings": 1e-9}, {})
    assert found.key == "masses.holdup" and found.allowed == "0 g, or 1e-6 g or more"


@pytest.mark.parametrize("name", ["probit", "cloglog"])
def test_thousands_of_equal_drops_leave_no_curve(name):
    some = [0, 0, 1, 0, 1, 0, 1, 1]
    heights, broken = [*range(8), *([3] * 2000)], [*some, *([1] * 2000)]
    assert fit_link(name, heights, [1] * len(heights), broken) is None


def test_a_drop_test_of_more_drops_than_anyone_makes(tmp_path):
    file = tmp_path / "drops.csv"
    file.write_text("hammer_mass_g,height_mm,piece_mass_mg,broken\n" + "100,80,41,yes\n" * 2001, encoding="utf-8")
    with pytest.raises(InputError, match=r"drops.csv: has 2001 drops; allowed: at most 2000; count equal drops"):
        read_drops(file, load_material("pmma"))
