"""A program that forks off a process for each command that it is told, by lines of JSON."""

import json
import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


class Forked:
    """The running program, a file beside this one; more: its environment, beside that of the tests."""

    program = ""
    more: dict[str, str] = {}

    def __init__(self):
        paths = os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])
        self.process = subprocess.Popen(
            [sys.executable, str(Path(__file__).with_name(self.program))], stdin=subprocess.PIPE,
            stdout=subprocess.PIPE, text=True, env={**os.environ, "PYTHONPATH": paths, **self.more},
        )  # fmt: skip

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.process.kill()
        self.process.communicate()

    def ask(self, folder: Path, line: str, *more) -> list:
        """What it answers to a command in a folder."""
        self.process.stdin.write(json.dumps([str(folder), line.split(), *more]) + "\n")
        self.process.stdin.flush()
        return json.loads(self.process.stdout.readline())
