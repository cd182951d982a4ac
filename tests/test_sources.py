"""Every law, card value and ready target says where it comes from, in words that a reader can follow."""

import ast
import io
import re
import tokenize
import tomllib
from pathlib import Path

import pytest

from millsim.base.quantities.params import BASES

ROOT = Path(__file__).resolve().parents[1]
LAWS = sorted(p for p in (ROOT / "millsim" / "laws").glob("*.py") if p.name != "__init__.py")
CARDS = sorted((ROOT / "millsim" / "mill" / "cards").glob("*.toml"))
TARGETS = ROOT / "millsim" / "explore" / "choose" / "targets.toml"
# Notes that are not in the repository: section numbers such as P and a digit, "notes" and a digit, or their file names.
NOTES = re.compile(r"\bP[1-9](\.\d+)?\b|\b[Nn]otes \d|\b(physics|model|verification)\d?\.md\b")
YEAR = r"\b(1[89]|20)\d\d\b"
MARK = re.compile(YEAR + r"|\bderived\b|\bassumed\b|\bhandbook\b|\bcommon practice\b|\bfrom memory\b|\bIdelchik\b")
LOOKED_UP = re.compile(YEAR + r"|\bTable \d|\bdoi 10\.|\b\w+\.com\b|\bany handbook\b|\b(EN|ISO|USP) \d")
DEFAULT = "names no source is derived"  # said once for a module of plain geometry, statics and balances


def handed_on() -> list[Path]:
    found = [p for f in ("millsim", "tests", "configs", "benchmarks", ".ci") for p in (ROOT / f).rglob("*")]
    return [p for p in [*found, *ROOT.glob("*.md")] if p.suffix in {".py", ".toml", ".md", ".csv", ".txt"}]


def said(path: Path) -> str:
    """The text of a file; of Python only comments and strings, where a P with a digit is no variable."""
    text = path.read_text(encoding="utf-8")
    if path.suffix != ".py":
        return text
    tokens = tokenize.generate_tokens(io.StringIO(text).readline)
    return "\n".join(t.string for t in tokens if t.type == tokenize.COMMENT or "STRING" in tokenize.tok_name[t.type])


def test_nothing_cites_notes_that_are_not_here():
    files = handed_on()
    assert len(files) > 200
    told = [f"{p.relative_to(ROOT)}: {m.group(0)}" for p in files if (m := NOTES.search(said(p)))]
    assert not told, told


@pytest.mark.parametrize("text", ["Source: P@4.", "(P@5: warn)", "see P@2.4", "no@tes 3", "physics@.md"])
def test_a_citation_of_the_notes_is_seen(text, tmp_path):
    path = tmp_path / "x.py"
    path.write_text(f"Q = 1.0  # {text.replace('@', '')}\n")
    assert NOTES.search(said(path))
    path.write_text("a = P@1 - P@2  # power P, Q/P, two notes\n".replace("@", ""))
    assert not NOTES.search(said(path))


def unsourced(source: str) -> list[str]:
    """Public functions of a module's source whose docstring has no word on where the law comes from."""
    tree = ast.parse(source)
    if DEFAULT in " ".join((ast.get_docstring(tree) or "").split()):
        return []
    laws = [n for n in tree.body if isinstance(n, ast.FunctionDef) and not n.name.startswith("_")]
    return [n.name for n in laws if not MARK.search(ast.get_docstring(n) or "")]


@pytest.mark.parametrize("path", LAWS, ids=lambda p: p.stem)
def test_every_law_says_where_it_comes_from(path):
    source = path.read_text(encoding="utf-8")
    assert not unsourced(source)
    bare = MARK.sub("told", source.replace(DEFAULT, "is told"))
    assert unsourced(bare) == [n.name for n in ast.parse(source).body if isinstance(n, ast.FunctionDef)]


@pytest.mark.parametrize("path", LAWS, ids=lambda p: p.stem)
def test_the_page_a_module_names_is_beside_it(path):
    named = re.findall(r"\b(\w+\.md)\b", path.read_text(encoding="utf-8"))
    assert all((path.parent / name).is_file() for name in named)
    page = path.with_suffix(".md")
    if page.exists():
        assert page.name in named
        text = page.read_text(encoding="utf-8")
        assert len(text.splitlines()) < 80
        assert MARK.search(text) and text.isascii()


def test_every_page_belongs_to_a_module():
    pages = list((ROOT / "millsim" / "laws").glob("*.md"))
    assert len(pages) >= 7
    assert all(p.with_suffix(".py").exists() for p in pages)


def wrong(entry: dict) -> str:
    """What is wrong with basis and source of a value; "" if nothing."""
    basis, source = entry.get("basis", ""), entry.get("source", "").strip()
    if basis not in BASES and basis != "yours":
        return f"basis {basis!r}"
    if len(source) < 6:
        return "no source"
    if basis in ("published", "handbook") and not LOOKED_UP.search(source):
        return f"cannot be looked up: {source}"
    if basis == "common practice" and not re.search("no source|check with your buyer|trade|shop|practice", source):
        return f"common practice with a source: {source}"
    return ""


def entries(path: Path) -> dict[str, dict]:
    """Every table of a TOML file that has a basis, or a value and so should have one."""
    found = {}

    def walk(table, where):
        if {"basis", "value"} & table.keys():
            found[where] = table
        for key, inner in table.items():
            for i, item in enumerate(inner if isinstance(inner, list) else [inner]):
                if isinstance(item, dict):
                    walk(item, f"{where}.{key}.{i}".strip("."))

    walk(tomllib.loads(path.read_text(encoding="utf-8")), "")
    return found


@pytest.mark.parametrize("path", CARDS, ids=lambda p: p.stem)
def test_every_card_value_says_where_it_comes_from(path):
    found = entries(path)
    assert len(found) > 20
    assert all("no source" in e["source"] for e in found.values() if e["basis"] == "common practice")
    assert not {k: w for k, e in found.items() if (w := wrong(e))}


def test_every_ready_target_says_where_it_comes_from():
    found = entries(TARGETS)
    assert len(found) > 10
    assert not {k: w for k, e in found.items() if (w := wrong(e))}


@pytest.mark.parametrize(
    "change",
    [
        {"source": ""}, {"source": "book"}, {"basis": ""}, {"source": "a paper on polymers"},
        {"basis": "handbook", "source": "as usual"}, {"basis": "common practice", "source": "as it is done"},
    ],
)  # fmt: skip
def test_a_source_taken_away_is_seen(change):
    entry = {"basis": "published", "source": "Cho & Austin 2003, Powder Technol. 132:161", "value": 1.0}
    assert not wrong(entry)
    assert wrong(entry | change)
