"""Makes anew what `millsim possible` keeps of usual mills: ten minutes on two busy cores. DRAWS as the argument."""

import sys
import time

from millsim.mill import cards
from millsim.studies.possible.study import FILE, study_toml
from millsim.studies.possible.usual import HOLES_M, MILLS
from millsim.version import MODEL_VERSION

DRAWS = 48
HEAD = """# What the usual mills of `studies/possible/usual.py` need per kilogram, by the model: made by
# benchmarks/possible_study.py with model {model}, {mills} mills, {holes} holes, {draws} draws. Powder per joule of the
# shaft [kg/J] at the sizes of `study.GRID_M`; derived from the model, nothing measured.
"""


def main() -> None:
    """Every shipped card."""
    draws, begun = int(sys.argv[1]) if len(sys.argv) > 1 else DRAWS, time.time()
    text = HEAD.format(model=MODEL_VERSION, mills=len(MILLS), holes=len(HOLES_M), draws=draws)
    for name in cards.list_materials():
        text += study_toml(name, draws)
        sys.stdout.write(f"{name}: {time.time() - begun:.0f} s\n")
        sys.stdout.flush()
    FILE.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
