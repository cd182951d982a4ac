"""Renews the README's worked examples: `python tests/renew_readme.py [NAME...]`, all of them without a name.

Runs the commands (some minutes) and puts what comes out in place of what stands there; `git diff README.md` shows it.
Figures are not drawn anew: look at those that --plots draws, and copy them into .readme by hand.
"""

import os
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import half_hour
import readme_examples

EPOCH = "1741455725"  # for the dates of predictions


def renewed(name, text, folder):
    """The README with the block of one example renewed: as much of the answer as stood there."""
    if name == "half-hour":
        new = half_hour.block(half_hour.screens(folder))
    else:
        new = readme_examples.answers(name, folder)[-1].strip()
        if name == "rotors":
            new = new[new.index("A: ") :].partition("\n`--full`")[0]
    return readme_examples.find(name, text).re.sub(lambda m: f"{m[1]}{new}\n{m[3]}", text, count=1)


def main(names):
    """Renew examples by name."""
    os.environ["SOURCE_DATE_EPOCH"] = EPOCH
    os.chdir(readme_examples.ROOT)
    for name in names or (*readme_examples.EXAMPLES, "half-hour"):
        with tempfile.TemporaryDirectory() as folder:
            text = renewed(name, readme_examples.README.read_text(encoding="utf-8"), Path(folder))
        readme_examples.README.write_text(text, encoding="utf-8")
        sys.stdout.write(f"{name}: renewed\n")


if __name__ == "__main__":
    main(sys.argv[1:])
