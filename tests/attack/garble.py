"""Garbled files: every command that reads one answers, or says plainly what is wrong, and touches nothing else."""

import hashlib
import random
import re
import shutil
import signal
import string
from pathlib import Path

from attack.tally import ALL, Tally, dice
from attack.workbench import READERS, Reader, invoke

SECONDS = 60  # of processor time for one try; none needs more than a few
KNOWN_CODES = range(5)  # `millsim --help`
CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")
VALUES = (
    "", "0", "-1", "nan", "inf", "1e308", "1e-300", "1e999", "9" * 400, "true", "[]", "{}", '""', '"0 mm"',
    '"-3 mm"', '"1e308 g"', '"3 kg"', '"as fast as it can grind"', '"../x"', '"/dev/zero"', '"\\u001b[31m"',
    '"\\u202e"', "[" * 300, '"' + "x" * 3000 + '"', "1,5", "=1+1", "\x1b]0;t\x07", "1979-05-27",
)  # fmt: skip


def garbled(content: bytes, draw: random.Random) -> bytes:
    """One to four slips in a file."""
    for _ in range(draw.randint(1, 4)):
        content = draw.choice(SLIPS)(content, draw)
    return content


def _lines(change):
    """A slip in the lines of a file; bytes that are no text stay as they are."""

    def slip(content: bytes, draw: random.Random) -> bytes:
        lines = content.decode("utf-8", "surrogateescape").split("\n")
        change(lines, draw.randrange(len(lines)), draw)
        return "\n".join(lines).encode("utf-8", "surrogateescape")

    return slip


def _lose(lines, at, draw):
    del lines[at]


def _double(lines, at, draw):
    lines.insert(at, lines[at])


def _swap(lines, at, draw):
    other = draw.randrange(len(lines))
    lines[at], lines[other] = lines[other], lines[at]


def _revalue(lines, at, draw):
    parts = re.split(r"([=,;])", lines[at])
    parts[draw.randrange(0, len(parts), 2)] = draw.choice(VALUES)
    lines[at] = "".join(parts)


def _rename(lines, at, draw):
    lines[at] = lines[at].replace(draw.choice(string.ascii_lowercase), draw.choice("xé_\x1b "), 1)


def _nest(lines, at, draw):
    lines[at] = "[" + ".".join(["a"] * draw.choice([3, 17, 200])) + "]"


def _cut(content, draw):
    return content[: draw.randrange(len(content) + 1)]


def _bits(content, draw):
    changed = bytearray(content)
    for _ in range(min(len(changed), draw.randint(1, 8))):
        changed[draw.randrange(len(changed))] ^= 1 << draw.randrange(8)
    return bytes(changed)


def _sector(content, draw):
    at = draw.randrange(0, len(content) + 1, 512)
    return content[:at] + bytes(len(content[at : at + 512])) + content[at + 512 :]


def _blanks(content, draw):
    at = draw.randrange(len(content) + 1)
    return content[:at] + draw.choice([b" ", b"\n", b",", b"#"]) * 40_000 + content[at:]


def _other_code(content, draw):
    return content.decode("utf-8", "replace").encode(draw.choice(["utf-16", "latin-1", "utf-8-sig"]), "replace")


SLIPS = (
    *map(_lines, (_lose, _double, _swap, _revalue, _revalue, _revalue, _rename, _nest)),
    _cut, _bits, _sector, _blanks, _other_code,
)  # fmt: skip


class TooLong(Exception):
    """A try took more processor time than any needs."""


def _give_up(*_):
    raise TooLong


def contents(folder: Path) -> dict[str, str]:
    """Every file of a folder and the checksum of its bytes."""
    files = (p for p in sorted(folder.rglob("*")) if p.is_file())
    return {str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


def wrong(folder: Path, reader: Reader, before: dict[str, str]) -> tuple[str, str]:
    """(how it ended, what is wrong with that or nothing) of a command on the folder as it is."""
    signal.signal(signal.SIGPROF, _give_up)
    signal.setitimer(signal.ITIMER_PROF, SECONDS)
    try:
        done = invoke(folder, *reader.words)
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
    how = f"code {done.exit_code}"
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        return how, f"raised {done.exception!r}"
    told = done.stdout + done.stderr
    if done.exit_code not in KNOWN_CODES:
        return how, "an exit code that nobody documented"
    for fault in ("Traceback", "a fault of the program"):
        if fault in told:
            return how, f"says {fault!r}: {told[-300:]}"
    if control := CONTROL.search(told):
        return how, f"echoes the control character {control.group()!r}"
    if re.search(r"(?<![\w.-])nan\b", done.stdout):
        return how, "prints nan"
    after = contents(folder)
    if changed := [name for name in before if after.get(name) != before[name] and name not in RENEWED]:
        return how, f"changed {', '.join(changed)}"
    if done.exit_code in (1, 2):
        if not done.stderr.strip():
            return how, "failed without a word"
        if made := sorted(set(after) - set(before)):
            return how, f"failed and left {', '.join(made)}"
    return how, ""


RENEWED = ("sweep.h5", "sweep.points")  # what a sweep adds to, where it is asked to


def attack(bench: Path, work: Path, seed: int, tries: int, only: str = "", part: slice = ALL) -> Tally:
    """Garble the file of each reader `tries` times; only: NAME/NUMBER of one try."""
    tally = Tally("garbled files", seed)
    for reader in READERS[part]:
        for number in range(tries):
            case = f"{reader.name}/{number}"
            if only and case != only:
                continue
            folder = work / "garbled"
            shutil.copytree(bench, folder)
            for name in reader.makes:
                (folder / name).unlink(missing_ok=True)
            victim = folder / reader.victim
            victim.write_bytes(garbled(victim.read_bytes(), dice(seed, case)))
            try:
                how, why = wrong(folder, reader, contents(folder))
            except TooLong:
                how, why = "no end", f"more than {SECONDS} s of processor time"
            if why:
                tally.fail(case, why)
            else:
                tally.add(how)
            if not only:
                shutil.rmtree(folder)
    return tally
