"""A process that has loaded everything and forks one off for each command, to be killed before a file call of its own.

A program by itself, without threads when it forks. On stdin a JSON list a line: a folder, the words of a command, the
number of the file call to be killed before (-1: none), and the signal. On stdout a JSON list a line: the exit code, how
many file calls there were, and the last line that the command said.
"""

import contextlib
import io
import json
import os
import pathlib
import signal
import sys
import traceback

from millsim.commands.main import cli
from millsim.commands.start import terminated

MOST_S = 600  # a command that is not done by then hangs
CALLS = ("open", "write", "pwrite", "fsync", "ftruncate", "link", "replace", "rename", "unlink", "mkdir", "rmdir")


class Calls:
    """Counts what changes files of the folder, and sends the process a signal before one of them."""

    def __init__(self, folder: str, fatal: int, number: int):
        self.folder, self.fatal, self.number, self.count = os.path.realpath(folder), fatal, number, 0
        for name in CALLS:
            setattr(os, name, self._watched(getattr(os, name), name == "open"))
        watched_open = self._watched(io.open, False, reads=lambda mode="r", *_, **__: not set(mode) & set("wax+"))
        io.open = pathlib.io.open = watched_open

    def _watched(self, call, opens, reads=None):
        def instead(place, *words, **more):
            reading = opens and not words[0] & (os.O_CREAT | os.O_WRONLY | os.O_RDWR)
            if not reading and not (reads and reads(*words, **more)) and self._ours(place):
                self.count += 1
                if self.count - 1 == self.fatal:
                    os.kill(os.getpid(), self.number)
            return call(place, *words, **more)

        return instead

    def _ours(self, place) -> bool:
        path = f"/proc/self/fd/{place}" if isinstance(place, int) else os.fspath(place)
        return os.path.realpath(path).startswith(self.folder + os.sep)


def obey(folder: str, words: list[str], calls: Calls | None) -> list:
    """Run a command in the folder: [exit code, file calls, the last line it said]."""
    os.chdir(folder)
    said = io.StringIO()
    code = 0
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        try:
            cli(words, prog_name="millsim")
        except SystemExit as end:
            code = end.code or 0
        except BaseException:
            traceback.print_exc()
            code = 1
    return [code, calls.count if calls else 0, (said.getvalue().splitlines() or [""])[-1]]


def main() -> None:
    """Obey, a line a command; the first word "load" of a line has this very process run what follows."""
    for line in sys.stdin:
        folder, words, fatal, number = json.loads(line)
        if words[0] == "load":
            answer = obey(folder, words[1:], None)
        else:
            hears, tells = os.pipe()
            child = os.fork()
            if child == 0:
                signal.alarm(MOST_S)
                signal.signal(signal.SIGTERM, terminated)  # as the program does where it starts
                os.write(tells, json.dumps(obey(folder, words, Calls(folder, fatal, number))).encode())
                os._exit(0)
            os.close(tells)
            with os.fdopen(hears) as end:
                told = end.read()
            how = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
            answer = json.loads(told) if told else [how, fatal, ""]
        sys.stdout.write(json.dumps(answer) + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
