"""The long attacks, by hand: see `__init__.py`."""

import argparse
import os
import sys
import tempfile
from pathlib import Path

import click

sys.path[:0] = [str(Path(__file__).resolve().parents[1]), str(Path(__file__).resolve().parents[2])]

from attack import anymill, damage, firstuse, garble, kills, repeat, slow, streams, workbench  # noqa: E402
from attack.tally import ALL, part  # noqa: E402

ATTACKS = {  # and tries of each thing
    "garble": (garble.attack, 40), "damage": (damage.attack, 300), "kills": (kills.attack, 1000),
    "anymill": (anymill.attack, 300), "repeat": (repeat.attack, 7), "streams": (streams.attack, 11),
    "firstuse": (firstuse.attack, len(firstuse.CACHES)),
    "slow": (slow.attack, 30),
}  # fmt: skip


def main() -> int:
    """Attack, say what was tried and what failed; 1 where something failed."""
    take = argparse.ArgumentParser(description=sys.modules["attack"].__doc__.splitlines()[0])
    take.add_argument("names", nargs="*", choices=[*ATTACKS, []], help="which attacks; all if none is named")
    take.add_argument("--seed", type=int, default=1)
    take.add_argument("--times", type=int, help="tries of each thing")
    take.add_argument("--case", default="", help="one try, as it was named when it failed")
    take.add_argument(
        "--part", type=part, default=ALL, metavar="K/N", help="of what is attacked every Nth, from the Kth on"
    )
    asked = take.parse_args()
    os.environ["SOURCE_DATE_EPOCH"] = "1741455725"  # files made twice are the same
    work = Path(tempfile.mkdtemp(prefix="millsim-attack-"))
    (work / "bench").mkdir()
    bench = workbench.furnish(work / "bench")
    failed = False
    for name in asked.names or ATTACKS:
        attack, tries = ATTACKS[name]
        tally = attack(bench, work, asked.seed, asked.times or tries, asked.case, asked.part)
        click.echo(tally.text(1000))
        failed |= bool(tally.failures)
    click.echo(f"Files: {work}")
    return failed


if __name__ == "__main__":
    sys.exit(main())
