"""A real terminal for tests: one process behind a pseudo-terminal that runs commands as they are typed, like a shell.

One process for all commands, so that libraries are loaded once. `run` types each command at the prompt, and each
answer when its question shows; as `python terminal.py` this file is that shell.
"""

import os
import re
import select
import shlex
import subprocess
import sys
import time
from pathlib import Path
from typing import NamedTuple

PROMPT = "$ "
_ASKS = re.compile(r"^(?:  > |.*\[y/N\] )", re.M)  # where an answer is waited for
COLUMNS = 100


class Screen(NamedTuple):
    """What one command showed, its own line left out, and its exit code."""

    command: str
    text: str
    code: int


def run(folder, steps, coarse=False, patience_s=600.0):
    """The screens of commands typed in a folder. steps: (command, answers); coarse: with coarse classes, few draws."""
    import pty

    ours, theirs = pty.openpty()
    here = [sys.executable, __file__, *(["coarse"] if coarse else [])]
    env = os.environ | {"COLUMNS": str(COLUMNS), "TERM": "dumb"}
    child = subprocess.Popen(here, cwd=folder, stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True,
                             preexec_fn=own_terminal, env=env)  # fmt: skip
    os.close(theirs)
    try:
        type_in, found = _Typing(ours, child, patience_s), []
        type_in.until_prompt([])
        for command, answers in steps:
            type_in.line(command)
            text = type_in.until_prompt(answers)
            body, _, code = text.rstrip().rpartition("\n")
            found.append(Screen(command, plain(body.partition("\n")[2]), int(code)))
    finally:
        os.close(ours)  # hangs up
        child.wait(timeout=30)
    return found


def own_terminal():
    """Make the standard input the terminal of a new session, so that Ctrl-C comes through."""
    import fcntl
    import termios

    fcntl.ioctl(0, termios.TIOCSCTTY, 0)


class _Typing:
    def __init__(self, terminal, child, patience_s):
        self.terminal, self.child, self.patience_s = terminal, child, patience_s

    def line(self, text):
        os.write(self.terminal, text.encode() + b"\r")

    def until_prompt(self, answers):
        """All that shows until the shell waits for a command again; answers are typed as they are asked for."""
        shown, left, asked, end = b"", list(answers), 0, time.monotonic() + self.patience_s
        while time.monotonic() < end:
            if select.select([self.terminal], [], [], 0.2)[0]:
                shown += os.read(self.terminal, 65536)
            text = shown.decode(errors="ignore").replace("\r\n", "\n")
            if text.endswith(f"\n{PROMPT}") or text == PROMPT:
                assert not left, f"not asked for: {left}\n{text}"
                return text.removesuffix(PROMPT)
            if len(_ASKS.findall(text)) > asked and _ASKS.search(text.rpartition("\n")[2]):
                assert left, f"no answer to\n{text[-500:]}"
                asked = len(_ASKS.findall(text))
                self.line(left.pop(0))
        raise TimeoutError(shown.decode(errors="replace")[-2000:])


def plain(text):
    """What stays on the screen: of a line that was written over, what came last."""
    return "\n".join(line.rstrip("\r").rpartition("\r")[2].rstrip() for line in text.replace("\r\n", "\n").split("\n"))


def shell(coarse):
    """Run the commands that are typed, one after the other, each with its exit code behind it."""
    from millsim.commands.main import cli

    if coarse:
        coarsely()
    while True:
        try:
            name, *words = shlex.split(input(PROMPT))
        except EOFError:
            return
        assert name == "millsim", name
        code = 0
        try:
            cli.main(words, prog_name="millsim")
        except SystemExit as end:
            code = end.code or 0
        sys.stdout.flush()
        sys.stdout.write(f"{code}\n")


def coarsely():
    """Coarse classes, few draws and chains, for all that follows: the same steps and words, other numbers."""
    from dataclasses import replace

    from millsim.commands.main import cli
    from millsim.learn.calibration import findings, nextstep, posterior
    from millsim.mill.config import schema

    usual = {"class_ratio": 1.6, "band_samples": 8, "trace": False, "engine": "balance", "seed": 1}
    rows = schema.SECTIONS["run"]
    schema.SECTIONS["run"] = tuple(replace(k, default=usual.get(k.name, k.default)) for k in rows)
    posterior.CHAINS, posterior.ENOUGH = 24, 10
    findings.LEAST_EFFECTIVE, findings.MOST_DRIFT = 6.0, 3.0
    nextstep.COUNT, nextstep.ENOUGH_DRAWS = 12, 6
    for name in ("change", "beside"):
        next(p for p in cli.commands[name].params if p.name == "draws").default = 12


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
    shell("coarse" in sys.argv[1:])
