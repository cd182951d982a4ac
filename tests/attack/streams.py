"""Streams that are full, closed or gone: one sentence and code 1, or the same answer; no traceback, no torn file."""

import re
import shutil
from pathlib import Path
from typing import NamedTuple

from attack.forked import Forked
from attack.garble import contents
from attack.tally import ALL, Tally
from attack.workbench import READERS
from millsim.commands.main import cli
from millsim.errors import MillsimError
from millsim.explore.sweep import read as sweep_file
from millsim.record import read as result_file

ROOT = Path(__file__).resolve().parents[2]
TIMES = re.compile(r'"pace_s_per_point": [^,}]+')  # which no two runs share
UNWRITTEN = "Error: the answer could not be written"
OTHERS = (
    "--help", "--version", "predict --help", "predict missing.toml", "predict --nonsense", "targets", "targets mine",
    "materials", "materials pmma --toml", "keys", "keys gap", "keys --html new.html",
    "energy --law rittinger --from 50mm:10mm --energy 13kJ/kg --to 75mm:25mm", "predict demo.toml --out new.h5",
    "predict demo.toml --plots figures", "predict demo.toml --full", "heat demo.toml --plots figures",
    "sweep sweep.toml --workers 2 --out new.h5 --csv new.csv", "book show book --csv new.csv",
    "book note book twelve-pins words", "new fresh.toml",
)  # fmt: skip


class Ended(NamedTuple):
    """How a command ended: its code, what it told on stdout and on stderr, and the folder after it."""

    code: int
    out: str
    err: str
    files: dict[str, str]


class Outlet(Forked):
    """The process that commands are forked off (`outlet.py`)."""

    program = "outlet.py"
    more = {"SOURCE_DATE_EPOCH": "1700000000"}

    def run(self, folder: Path, line: str, out: str = "", err: str = "", deaf: bool = False) -> Ended:
        """How a command ends in a folder. out, err: "", full, closed, gone or load; deaf: stdin is closed."""
        return Ended(*self.ask(folder, line, out, err, deaf), contents(folder))


class Streams(NamedTuple):
    """What stdout, stderr and stdin are."""

    out: str
    err: str
    deaf: bool = False

    @property
    def name(self) -> str:
        """For the name of a case."""
        told = [f"stdout {self.out}"] * bool(self.out) + [f"stderr {self.err}"] * bool(self.err)
        return ", ".join([*told, *["stdin closed"] * self.deaf])


CASES = (
    Streams("full", ""), Streams("closed", ""), Streams("gone", ""), Streams("", "full"), Streams("", "closed"),
    Streams("", "gone"), Streams("full", "full"), Streams("gone", "gone"), Streams("closed", "closed"),
    Streams("", "", True), Streams("closed", "closed", True),
)  # fmt: skip


def lines() -> list[tuple[str, tuple[str, ...]]]:
    """Every command that reads a file, and others: its words, and what must not stand there yet."""
    found = {" ".join(r.words): r.makes for r in READERS} | dict.fromkeys(OTHERS, ())
    both = dict(found)
    for line, makes in found.items():
        if _takes_json(line):
            both[f"{line} --json"] = makes
    return list(both.items())


def _takes_json(line: str) -> bool:
    name, *more = line.split()
    command = cli.commands.get(name)
    if more:
        command = getattr(command, "commands", {}).get(more[0], command)
    return command is not None and any("--json" in p.opts for p in command.params)


def attack(bench: Path, work: Path, seed: int, tries: int, only: str = "", part: slice = ALL) -> Tally:
    """Each command with the first `tries` kinds of streams; only: LINE / STREAMS of one try."""
    tally = Tally("streams", seed)
    with Outlet() as outlet:
        for what in lines()[part]:
            if not only or only.startswith(f"{what[0]} / "):
                _run(outlet, bench, work, what, Streams("load", ""))
                attack_line(tally, outlet, (bench, work), what, CASES[:tries], only)
    return tally


def attack_line(tally: Tally, outlet: Outlet, places: tuple[Path, Path], what: tuple, cases, only: str = "") -> None:
    """One command, of `lines`, with kinds of streams, in copies of the first folder within the second."""
    usual = _run(outlet, *places, what, Streams("", ""))
    for streams in cases:
        case = f"{what[0]} / {streams.name}"
        if not only or case == only:
            done = _run(outlet, *places, what, streams, keep=bool(only))
            why = wrong(usual, done, streams)
            tally.fail(case, why) if why else tally.add("answered" if done.out else f"code {done.code}")


def _run(outlet: Outlet, bench: Path, work: Path, what: tuple, streams: Streams, keep=False) -> Ended:
    line, makes = what
    folder = Path(shutil.copytree(bench, work / "streams"))
    for name in makes:
        (folder / name).unlink(missing_ok=True)
    before = contents(folder)
    done = outlet.run(folder, line, *streams)
    written = [name for name, what in done.files.items() if name.endswith(".h5") and what != before.get(name)]
    torn = [name for name in written if not _sound(folder / name)]
    if not keep:
        shutil.rmtree(folder)
    return done._replace(files=done.files | dict.fromkeys(torn, "torn"))


def _sound(path: Path) -> bool:
    try:
        (sweep_file if path.name == "sweep.h5" else result_file).read(path)
    except MillsimError:
        return path.name == "new.h5" and _is_sweep(path)
    return True


def _is_sweep(path: Path) -> bool:
    try:
        sweep_file.read(path)
    except MillsimError:
        return False
    return True


def wrong(usual: Ended, done: Ended, streams: Streams) -> str:
    """What is wrong with how a command ended, against how it usually ends; "" if nothing."""
    told = done.out + done.err
    for word in ("Traceback", "Exception ignored", "BrokenPipe", "a fault of the program", "lost sys."):
        if word in told:
            return f"says {word!r}: {told[-1500:]}"
    lost = bool(streams.out and usual.out)
    code = 1 if lost else usual.code
    if done.code != code:
        return f"code {done.code}, not {code}: {done.err[-200:]!r}"
    if torn := [name for name, what in done.files.items() if what == "torn"]:
        return f"left {', '.join(torn)} torn"
    names = sorted({*usual.files, *done.files})
    if odd := [n for n in names if _known(usual.files, n) != _known(done.files, n)]:
        return f"other files: {', '.join(odd)}"
    if not streams.out and TIMES.sub("", done.out) != TIMES.sub("", usual.out):
        return "another answer"
    if lost and not streams.err:
        if (count := done.err.count(UNWRITTEN)) != (streams.out != "gone"):
            return f"{count} sentences about the answer: {done.err[-200:]!r}"
    return ""


def _known(files: dict[str, str], name: str) -> str | None:
    """What must be the same in every run: the bytes of a file, but of one that keeps times only that it is there."""
    return "there" if name in files and name.endswith((".h5", ".points")) else files.get(name)
