"""The worked examples of the README: the commands whose answers stand in it as they come out."""

import re
from pathlib import Path

import half_hour
from click.testing import CliRunner

from millsim.commands.main import cli

ROOT = Path(__file__).resolve().parent.parent
README = ROOT / "README.md"
ROTORS = [f"configs/rotor_{name}.toml" for name in ("bars", "close", "cutter", "hammers", "stack")]
# name: the commands, of which the last is answered in the README; FOLDER stands for a folder of one's own
EXAMPLES = {
    "predict": [["predict", "configs/demo.toml"]],
    "calibrate": [["calibrate", "configs/demo_run.toml", "-o", "FOLDER/demo.card.toml"]],
    "choose": [
        ["sweep", "configs/demo_sweep.toml", "--out", "FOLDER/demo_sweep.h5"],
        ["choose", "FOLDER/demo_sweep.h5", "rotational-moulding"],
    ],
    "rotors": [["beside", *ROTORS, "--draws", "0", "--set", "run.band_samples=0"]],
}
BEGINS = {  # how the block of an example begins, where it stands in a fence of its own kind
    "predict": "Workshop acrylic mill makes", "calibrate": "Calibrated on", "rotors": "A: plain bars",
    "choose": "Workshop acrylic mill, sweep ",
}  # fmt: skip


def answers(name, folder):
    """What the commands of an example answer, run from the top folder of the project; they must go well."""
    told = []
    for words in EXAMPLES[name]:
        done = CliRunner().invoke(cli, [w.replace("FOLDER", str(folder)) for w in words])
        assert done.exit_code == 0, done.output
        told.append(done.stdout)
    return told


def block(name):
    """The block of an example, as it stands in the README."""
    return find(name, README.read_text(encoding="utf-8")).group(2).strip()


def find(name, text):
    """Where the block of an example stands: opening fence, content, closing fence."""
    begin = re.escape(f"$ {half_hour.STEPS[0].command}" if name == "half-hour" else BEGINS[name])
    found = re.search(rf"(```(?:text|console)\n)({begin}.*?)(```)", text, re.S)
    assert found, f"README.md has no block of {name}"
    return found
