"""Where the program starts, before anything is loaded: Ctrl-C, SIGTERM, and streams that are full, closed or gone.

What is told on stderr may be lost, with a full or closed stderr, and nothing else is. An answer that stdout does not
take is a failure, told in one sentence on stderr; told to nobody where its reader has gone away (`| head`). Imports
nothing but `gc`, `signal` and what the interpreter has loaded anyway.
"""

import errno
import gc
import io
import os
import signal
import sys
from collections.abc import Callable
from types import FrameType
from typing import BinaryIO, TextIO

FAULT, INTERRUPTED, TERMINATED = 1, 130, 143
SELDOM = 50_000  # new objects before the interpreter looks for garbage: compiling keeps nearly all of its many
NOTHING_WRITTEN = "nothing was written."


class Unwritten(Exception):
    """Stdout does not take what is told on it. kept: what has been written to files meanwhile."""

    kept = ""


class _Raw(io.RawIOBase):
    """A standard stream that fails once: all that comes after a failure is let go, also when the program ends.

    stream: the one of the interpreter, None if it was closed when the program started. vital: whether a failure raises
    Unwritten; else it is nobody's concern.
    """

    def __init__(self, stream: TextIO | None, number: int, vital: bool):
        self.stream, self.vital = stream, vital  # kept, since it closes what is below when it goes
        self.raw = io.FileIO(number, "w", closefd=False) if stream is None else _lowest(stream)
        self.name = number
        self.failure: OSError | None = None

    def fileno(self) -> int:
        """The descriptor."""
        return self.raw.fileno()

    def isatty(self) -> bool:
        """Whether it is a terminal."""
        return self.raw.isatty()

    def writable(self) -> bool:
        """It is."""
        return True

    def write(self, data) -> int | None:
        """Write what can be written."""
        if self.failure is None:
            try:
                return self.raw.write(data)
            except OSError as error:
                self.failure = error
                if self.vital:
                    raise Unwritten(_words(error)) from error
        return len(data)


def _words(error: OSError) -> str:
    told = "stdout is closed" if error.errno == errno.EBADF else f"stdout: {error.strerror}"
    return f"the answer could not be written: {told}"


def interrupted_early(_number: int, _frame: FrameType | None) -> None:
    """Ctrl-C while libraries load, some of which would turn an exception into another, or into a traceback."""
    try:
        os.write(2, f"Error: interrupted; {NOTHING_WRITTEN}\n".encode())
    finally:
        os._exit(INTERRUPTED)


def interrupted_late(_number: int, _frame: FrameType | None) -> None:
    """Ctrl-C when all has been told."""
    os._exit(INTERRUPTED)


def terminated(number: int = signal.SIGTERM, _frame: FrameType | None = None) -> None:
    """End by the signal itself, with nothing to tidy up: who sent it sees that it was heard."""
    signal.signal(number, signal.SIG_DFL)
    signal.raise_signal(number)


def run(load: Callable[[], Callable]) -> None:
    """Load the command line, run it, and exit as it does, or for want of a stdout that takes its answer."""
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:  # else it is ignored, as in the background
        signal.signal(signal.SIGINT, interrupted_early)
    if signal.getsignal(signal.SIGTERM) is signal.SIG_DFL:
        signal.signal(signal.SIGTERM, terminated)
    gc.set_threshold(SELDOM)
    _keep_numbers()
    answers = _Raw(sys.stdout, 1, vital=True)
    sys.stdout, sys.stderr = _text(answers), _text(_Raw(sys.stderr, 2, vital=False))
    sys.stdin = open(0, closefd=False) if sys.stdin is None else sys.stdin
    code, kept = _end_of(load)
    if answers.failure is not None:
        code = FAULT
        if answers.failure.errno != errno.EPIPE:
            sys.stderr.write(f"Error: {_words(answers.failure)}; {kept}".removesuffix("; ") + "\n")
    if code in (INTERRUPTED, TERMINATED):  # at once: to take down what has been compiled takes seconds
        sys.stderr.flush()
        (terminated if code == TERMINATED else interrupted_late)(signal.SIGTERM, None)
    sys.exit(code)


def _keep_numbers() -> None:
    """Give a closed standard stream to a device, else the next file that is opened gets its number, and its text.

    Writing to the one in place of stdout still fails.
    """
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDONLY if number == 1 else os.O_RDWR)  # the lowest number that is free
            os.set_inheritable(number, True)


def _lowest(stream: TextIO) -> io.RawIOBase | BinaryIO:
    return getattr(stream.buffer, "raw", stream.buffer)


def _text(raw: _Raw) -> io.TextIOWrapper:
    """The text stream above, as the interpreter has it."""
    return io.TextIOWrapper(
        io.BufferedWriter(raw), encoding=getattr(raw.stream, "encoding", "utf-8"),
        errors=getattr(raw.stream, "errors", "backslashreplace"), newline="\n", line_buffering=True,
    )  # fmt: skip


def _end_of(load: Callable[[], Callable]) -> tuple[int | str | None, str]:
    """(what to exit with, what is kept in files) of the command line."""
    try:
        try:
            load()(prog_name="millsim")
        finally:
            sys.stdout.flush()
    except SystemExit as end:
        if end.code in (INTERRUPTED, TERMINATED):
            sys.unraisablehook = lambda _: None  # what was left half made complains when it goes, with `end`
        return end.code, ""
    except Unwritten as error:
        return FAULT, error.kept
    return 0, ""
