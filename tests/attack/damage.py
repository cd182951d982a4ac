"""Damaged result, sweep and points files: refused, or read as what was written; never another number."""

import random
from pathlib import Path

import numpy as np

from attack.tally import ALL, Tally, dice
from millsim.errors import MillsimError
from millsim.explore.sweep import read as sweep_file
from millsim.explore.sweep.compute import row_type
from millsim.explore.sweep.journal import open_journal
from millsim.record import read as result_file

SECTOR = 512
KINDS = ("bit", "sector", "cut", "added")


def damaged(whole: bytes, kind: str, draw: random.Random) -> bytes:
    """A file with one bit turned, one sector zero, its end cut off, or something behind it."""
    changed = bytearray(whole)
    if kind == "bit":
        changed[draw.randrange(len(whole))] ^= 1 << draw.randrange(8)
    elif kind == "sector":
        at = draw.randrange(0, len(whole), SECTOR)
        changed[at : at + SECTOR] = bytes(len(changed[at : at + SECTOR]))
    elif kind == "cut":
        del changed[draw.randrange(len(whole)) :]
    else:
        changed += draw.randbytes(draw.choice([1, 100, 5000]))
    return bytes(changed)


def _points(path: Path) -> set[bytes]:
    """The rows of a points file that its reader takes for sound."""
    with open_journal(path) as journal:
        return {row.tobytes() for rows, _ in journal.rows(row_type("balance", 0)) for row in rows}


READ = {  # file: what is read of it, as something to compare
    "made.h5": lambda path: repr(result_file.read(path)),
    "sweep.h5": lambda path: repr(sweep_file.read(path)),
    "sweep.points": _points,
}


def attack(bench: Path, work: Path, seed: int, tries: int, only: str = "", part: slice = ALL) -> Tally:
    """Damage each file in each way `tries` times; only: FILE KIND/NUMBER of one try."""
    tally = Tally("damaged files", seed)
    np.set_printoptions(threshold=10**9)
    for name, read in list(READ.items())[part]:
        whole, path = (bench / name).read_bytes(), work / name
        path.write_bytes(whole)
        right = read(path)
        for kind in KINDS:
            for number in range(tries):
                case = f"{name} {kind}/{number}"
                if only and case != only:
                    continue
                path.write_bytes(damaged(whole, kind, dice(seed, case)))
                try:
                    found = read(path)
                except MillsimError:
                    tally.add("refused")
                    continue
                except Exception as error:  # whatever else it is, the user would see a traceback
                    tally.fail(case, f"raised {error!r}")
                    continue
                as_written = found <= right if isinstance(right, set) else found == right
                tally.add("read as written") if as_written else tally.fail(case, "another answer")
    return tally
