"""A process that has loaded everything and forks one off for each command, with streams that are full, closed or gone.

A program by itself. On stdin a JSON list a line: a folder, the words of a command, what stdout and stderr are (a key of
STREAMS), whether stdin is closed. Where stdout is "load" this very process runs the command, to have all of it loaded.
On stdout a JSON list a line: the exit code, what came on stdout, and on stderr. The fork ends as a program does,
shutdown and all.
"""

import contextlib
import io
import json
import os
import signal
import sys

from millsim.__main__ import main as start
from millsim.commands.main import cli

MOST_S = 600  # a command that is not done by then hangs


def _gone() -> int:
    """The writing end of a pipe that nobody reads any more."""
    hears, tells = os.pipe()
    os.close(hears)
    return tells


STREAMS = {"full": lambda: os.open("/dev/full", os.O_WRONLY), "gone": _gone, "closed": lambda: -1}


def connect(number: int, kind: str, kept: int) -> None:
    """Make a descriptor what it is to be; kept: the file of what is told on it if all is well."""
    to = STREAMS.get(kind, lambda: kept)()
    if to >= 0:
        os.dup2(to, number)
    else:
        os.close(number)


def as_started(folder: str, words: list[str], out: str, err: str, deaf: bool, kept: list[int]) -> None:
    """Streams and arguments as the interpreter finds them when it starts."""
    os.chdir(folder)
    for number, kind in ((1, out), (2, err)):
        connect(number, kind, kept[number - 1])
    connect(0, "closed" if deaf else "", os.open(os.devnull, os.O_RDONLY))
    for number in kept:  # nothing else: fonts that an earlier line loaded are read when they are wanted
        os.close(number)
    sys.argv = ["millsim", *words]
    sys.stdin = None if deaf else open(0, closefd=False)
    sys.stdout = None if out == "closed" else open(1, "w", encoding="utf-8", closefd=False)
    sys.stderr = None if err == "closed" else open(2, "w", encoding="utf-8", closefd=False)


def load(folder: str, words: list[str]) -> None:
    """Run a command in this process, deaf and mute: one that asks would take the next line for its answer."""
    os.chdir(folder)
    mute, hears = io.StringIO(), sys.stdin
    with contextlib.redirect_stdout(mute), contextlib.redirect_stderr(mute), contextlib.suppress(SystemExit, OSError):
        sys.stdin = io.StringIO()
        cli(words, prog_name="millsim")
    sys.stdin = hears


def obey_all() -> bool:
    """Fork one off for each line; True in the fork, which is to run."""
    for line in sys.stdin:
        asked, kept = json.loads(line), [os.memfd_create(name) for name in ("out", "err")]
        code = 0
        if asked[2] == "load":
            load(*asked[:2])
        else:
            child = os.fork()
            if child == 0:
                signal.alarm(MOST_S)
                as_started(*asked, kept)
                return True
            code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        sys.stdout.write(json.dumps([code, *map(_taken, kept)]) + "\n")
        sys.stdout.flush()
    return False


def _taken(kept: int) -> str:
    os.lseek(kept, 0, os.SEEK_SET)
    with os.fdopen(kept, "rb") as file:
        return file.read().decode(errors="replace")


if __name__ == "__main__" and obey_all():
    start()
