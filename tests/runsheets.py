"""Run sheets for tests: the hand-checkable run of 300 g, and ways to change it."""

from pathlib import Path

from millsim.learn.measured.runsheet import parse_run

CONFIGS = Path(__file__).parents[1] / "configs"

# Fed 300 g in 12 min; product 262, hold-up 21, bag 9 g; idle 190 W, load 430 W: closure 97.3 %, 21.8 g/min,
# 0.328 kWh/kg gross and 0.183 kWh/kg net, 8 g unaccounted (worked by hand beforehand).
HAND = """[run]
name = "by hand"
config = "demo.toml"
[masses]
fed = "300 g"
product = "262 g"
holdup = "21 g"
bag = "9 g"
[time]
milling = "12 min"
[feeding]
how = "metered"
[power]
idle = "190 W"
loaded = "430 W"
[temperature]
room = "21 °C"
[sieving]
"""
# Charge 50.00 g, sum 49.55 g, 39.9 % below 0.50 mm (worked by hand beforehand; for a mill of larger holes).
SIEVED = "aperture_mm,retained_g\n2.0,0.60\n1.4,2.10\n1.0,5.40\n0.71,9.80\n0.50,11.90\n0.355,8.70\n0.25,5.30\n" \
    "0.18,2.90\n0.125,1.60\n0.09,0.70\npan,0.55\ncharge,50.00\n"  # fmt: skip


def changed(*changes: tuple[str, str], text: str = HAND) -> str:
    """The sheet with pieces of text replaced."""
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


def without(*lines: str) -> str:
    """The sheet without the lines that begin like this."""
    return "".join(s for s in HAND.splitlines(keepends=True) if not s.startswith(lines))


def run_of(*changes: tuple[str, str], text: str = HAND, folder: Path = CONFIGS):
    """The MeasuredRun of the changed sheet; files lie in the folder."""
    return parse_run(changed(*changes, text=text), "run.toml", folder)


def sieved(folder: Path, name: str = "sheet.csv", content: str = SIEVED) -> tuple[str, str]:
    """Write a sieve sheet and give the change that names it as the product's."""
    (folder / name).write_text(content, encoding="utf-8")
    return "[sieving]\n", f'[sieving]\nproduct = "{name}"\n'


def mill_in(folder: Path) -> Path:
    """The demo mill and its feed sheet in a folder."""
    for name in ("demo.toml", "offcuts_sieve.csv"):
        (folder / name).write_bytes((CONFIGS / name).read_bytes())
    return folder
