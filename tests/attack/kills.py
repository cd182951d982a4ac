"""Killed before a file call: what stood there still stands, a new file is whole or not there, the same line ends it.

Told to end there (SIGTERM) a command also leaves no temporary file, and its code is that of the signal.
"""

import shutil
import signal
from dataclasses import dataclass
from pathlib import Path

from attack.forked import Forked
from attack.garble import contents
from attack.tally import ALL, Tally, dice


@dataclass(frozen=True)
class Writer:
    """A command that writes files; what grows in place of being written once (`grows`); whether it goes on unasked."""

    line: str
    grows: tuple[str, ...] = ()
    goes_on: bool = False


WRITERS = (
    Writer("predict demo.toml --out new.h5"),
    Writer("sweep sweep.toml --workers 1 --out new.h5 --csv new.csv", ("new.points",), goes_on=True),
    Writer("export made.h5 --out new"),
    Writer("report made.h5 --out new.html"),
    Writer("draw demo.toml --out new.svg"),
    Writer("new new.toml --answers answers.txt"),
    Writer("book add notes made.h5"),
    Writer("book run book twelve-pins run.toml"),
    Writer("plot made.h5 --out new"),
    Writer("predict demo.toml --out new.h5 --plots new"),
    Writer("sweep sweep.toml --workers 1 --out new.h5 --csv new.csv --plots new", ("new.points",), goes_on=True),
    Writer("heat demo.toml --plots new"),
    Writer("report made.h5 --out new.html --pdf new.pdf"),
    Writer("droptest drops.csv --material pmma --card new.toml --plots new"),
    Writer("sieve demo_product_sieve.csv --csv new.csv --plots new"),
)
QUICK = WRITERS[:3]
BY = {"killed": (signal.SIGKILL, (-9,)), "told to end": (signal.SIGTERM, (143, -15))}  # signal and exit codes


class Nursery(Forked):
    """The process that commands are forked off (`nursery.py`)."""

    program = "nursery.py"

    def run(self, folder: Path, line: str, fatal: int = -1, by: int = signal.SIGKILL) -> tuple[int, int, str]:
        """(exit code, file calls, last words) of a command in a folder; by: the signal before the fatal call."""
        return tuple(self.ask(folder, line, fatal, by))


def attack(
    bench: Path,
    work: Path,
    seed: int,
    tries: int,
    only: str = "",
    part: slice = ALL,
    writers: tuple[Writer, ...] = WRITERS,
) -> Tally:
    """Kill each command, or tell it to end, before `tries` of its file calls by turns; or both before each of them.

    only: LINE/NUMBER HOW of one try.
    """
    tally = Tally("kills before a file call", seed)
    with Nursery() as nursery:
        for writer in writers[part]:
            _attack_one(tally, nursery, writer, (bench, work), (tries, only))
    return tally


def _attack_one(tally: Tally, nursery: Nursery, writer: Writer, places: tuple[Path, Path], which: tuple[int, str]):
    bench, work = places
    tries, only = which
    loaded, folder = (shutil.copytree(bench, work / name) for name in ("loaded", "whole"))
    nursery.run(loaded, f"load {writer.line}")
    shutil.rmtree(loaded)
    code, calls, said = nursery.run(folder, writer.line)
    before, after = contents(bench), contents(folder)
    shutil.rmtree(folder)
    if code not in (0, 3) or before == after:
        tally.fail(writer.line, f"does not write: code {code}, {said}")
        return
    tally.notes.append(f"  {writer.line}: {calls} file calls")
    some = sorted(dice(tally.seed, writer.line).sample(range(calls), min(tries, calls)))
    for turn, number in enumerate(some):
        for how in BY if tries >= calls else [list(BY)[turn % len(BY)]]:
            case = f"{writer.line}/{number} {how}"
            if only and case != only:
                continue
            why = killed(nursery, writer, shutil.copytree(bench, work / "killed"), number, how, (before, after))
            tally.fail(case, why) if why else tally.add(f"{how}, ended as if nothing had been")
            if not only:
                shutil.rmtree(work / "killed")


def killed(nursery: Nursery, writer: Writer, folder: Path, number: int, how: str, states: tuple[dict, dict]) -> str:
    """What is wrong after a kill (how: of BY) and after the same line typed again; "" if nothing.

    A line that is refused because all of its files stand there, whole, has nothing left to do.
    """
    before, after = states
    by, codes = BY[how]
    code, _, said = nursery.run(folder, writer.line, number, by)
    if code not in codes:
        return f"was not {how}: code {code}, {said}"
    for name, found in contents(folder).items():
        if _is_litter(name) and by == signal.SIGTERM:
            return f"left {name}"
        if _is_litter(name) or name in writer.grows or found in (before.get(name), after.get(name)):
            continue
        return f"left {name} half"
    code, _, said = nursery.run(folder, writer.line)
    if code == 2 and "--force" in said and not writer.goes_on:  # a whole file stands there
        code, _, said = nursery.run(folder, f"{writer.line} --force")
    if code not in (0, 3) and (code != 2 or writer.goes_on):
        return f"typed again: code {code}, {said}"
    left = contents(folder)
    if odd := [name for name in {*left, *after} if left.get(name) != after.get(name) and name not in writer.grows]:
        return f"typed again, other than undisturbed: {', '.join(sorted(odd))}"
    return ""


def _is_litter(name: str) -> bool:
    """Whether a file is, or lies in, what a writer left under a name of its own."""
    return any(part.startswith(".millsim-") for part in Path(name).parts)
