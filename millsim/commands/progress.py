"""Long work: a line on stderr that says how far it is, and a Ctrl-C or SIGTERM that cannot get lost.

The line is silent for two seconds, and when not wanted. Imports nothing heavy; the command line uses it.
"""

import _thread
import signal
import sys
import threading
import time
from collections.abc import Callable
from types import FrameType
from typing import TextIO

from ..base.quantities.written import duration
from .start import INTERRUPTED, TERMINATED, interrupted_early, interrupted_late, terminated

_PATIENCE_S = 2.0  # work shorter than this is not worth a line
_REDRAW_S = 0.2  # on a terminal
_LOG_S = 30.0  # between lines in a log file
_ANEW_S = 0.05  # after an interrupt was swallowed: time for what has swallowed it to return
_IMPORT = "<frozen importlib"  # file of the code that loads a module


class Progress:
    """Callable progress(stage, done, detail), done in 0..1 within the stage; also a context that tidies up.

    On a terminal one line is rewritten; elsewhere one is written every half minute. `quiet`: nothing.
    """

    def __init__(self, stream: TextIO | None = None, quiet: bool = False, clock: Callable[[], float] = time.monotonic):
        self._stream = stream or sys.stderr
        self._terminal = bool(getattr(self._stream, "isatty", lambda: False)())
        self._quiet, self._clock = quiet, clock
        self._start = self._stage_start = clock()
        self._stage, self._stage_done = "", 0.0
        self._last, self._width = -1e9, 0

    def __call__(self, stage: str, done: float, detail: str = "") -> None:
        """Report the state of the work; cheap enough to be called often."""
        now = self._clock()
        if stage != self._stage:
            self._stage, self._stage_start, self._stage_done = stage, now, done
        pause = _REDRAW_S if self._terminal else _LOG_S
        if self._quiet or now - self._start < _PATIENCE_S or now - self._last < pause:
            return
        self._last = now
        text = self._text(now, min(max(done, 0.0), 1.0), detail)
        if self._terminal:
            before, self._width = self._width, len(text)  # known before it is written: an interrupt may come between
            self._stream.write("\r" + text.ljust(before))
        else:
            self._stream.write(text + "\n")
        self._stream.flush()

    def _text(self, now: float, done: float, detail: str) -> str:
        """Stage, share done, and the time left only once the pace is known well enough to say it."""
        parts = [f"{self._stage}: {done:.0%}"]
        gained, spent = done - self._stage_done, now - self._stage_start
        if gained >= 0.05 and spent >= 1.0 and done < 1.0:
            left = max(1, round(spent * (1 - done) / gained))
            parts.append(f"about {duration(left)} left in this step")
        return ", ".join([*parts, detail] if detail else parts)[:110]

    def __enter__(self) -> "Progress":
        return self

    def __exit__(self, *_: object) -> None:
        self.clear()

    def clear(self) -> None:
        """Take the line away, for other words to stand in its place."""
        if self._terminal and self._width:
            self._stream.write("\r" + " " * self._width + "\r")
            self._stream.flush()
            self._width = 0


class Interrupts:
    """Context in which SIGINT raises KeyboardInterrupt and is remembered in `seen`, wherever it is swallowed.

    The compiler swallows the exception wherever it calls back, a sixth of its time: it is raised anew a moment later,
    and by `check`. Libraries that are being loaded make another exception of it, or print it: there the program ends at
    once, after `last_words`.
    SIGTERM does the same in the program itself, so that it leaves no temporary file and says what is kept; `code` tells
    the two apart. Outside the main thread, or where the caller has set a handler of its own, nothing is changed.
    """

    OURS = {  # signal: the handlers that this takes the place of
        signal.SIGINT: (signal.default_int_handler, interrupted_early), signal.SIGTERM: (terminated,),
    }  # fmt: skip

    def __init__(self, last_words: Callable[[], None] = lambda: None) -> None:
        self.seen = False
        self.code = INTERRUPTED
        self._before: dict = {}
        self._last_words = last_words
        self._anew: threading.Timer | None = None
        self._over = False

    def __enter__(self) -> "Interrupts":
        if threading.current_thread() is threading.main_thread():
            self._before = {n: now for n, ours in self.OURS.items() if (now := signal.getsignal(n)) in ours}
        if self._before:
            self._outside = sys._getframe(1)
            self._hook = sys.unraisablehook
            sys.unraisablehook = self._quiet
        for number in self._before:
            signal.signal(number, self._note)
        return self

    def __exit__(self, *_: object) -> None:
        self._over = True
        for number, before in self._before.items():
            signal.signal(number, interrupted_late if before is interrupted_early else before)
        if self._before:
            self._no_more()
            sys.unraisablehook = self._hook
            del self._outside

    def check(self) -> None:
        """Raise KeyboardInterrupt if one has come and gone unheard."""
        if self.seen:
            self._no_more()
            raise KeyboardInterrupt

    def _note(self, number: int, frame: FrameType | None) -> None:
        self.code = TERMINATED if number == signal.SIGTERM else INTERRUPTED
        if self._is_loading(frame):
            self._last_words()
            (terminated if number == signal.SIGTERM else interrupted_late)(number, frame)
        self.seen = True
        signal.default_int_handler(number, frame)

    def _is_loading(self, frame: FrameType | None) -> bool:
        while frame is not None and frame is not self._outside:
            if frame.f_code.co_filename.startswith(_IMPORT):
                return True
            frame = frame.f_back
        return False

    def _quiet(self, unraisable) -> None:
        """Print no traceback for an interrupt that a callback could not pass on, which comes anew, nor for what is left
        half made behind one.
        """
        if not issubclass(unraisable.exc_type, KeyboardInterrupt):
            if not self.seen:
                self._hook(unraisable)
            return
        self._no_more()
        self._anew = threading.Timer(
            _ANEW_S, self._send, (signal.SIGTERM if self.code == TERMINATED else signal.SIGINT,)
        )
        self._anew.daemon = True
        self._anew.start()

    def _no_more(self) -> None:
        if self._anew is not None:
            self._anew.cancel()

    def _send(self, number: int) -> None:
        """Send the main thread a signal, which also wakes it, unless this is over meanwhile."""
        if self._over:
            return
        if hasattr(signal, "pthread_kill"):
            ident = threading.main_thread().ident
            assert ident is not None  # it has started
            signal.pthread_kill(ident, number)
        else:  # Windows
            _thread.interrupt_main(signal.Signals(number))
