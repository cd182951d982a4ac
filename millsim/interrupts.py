"""Ctrl-C that cannot get lost: compiled code and its compiler swallow the exception now and then.

Must not import anything heavy; the command line uses it.
"""

import signal
import sys
import threading
from types import FrameType


class Interrupts:
    """Context in which SIGINT raises KeyboardInterrupt and is remembered in `seen`, wherever it is swallowed.

    Outside the main thread, or where the caller has set a handler of its own, nothing is changed.
    """

    def __init__(self) -> None:
        self.seen = False
        self._ours = False

    def __enter__(self) -> "Interrupts":
        main = threading.current_thread() is threading.main_thread()
        self._ours = main and signal.getsignal(signal.SIGINT) is signal.default_int_handler
        if self._ours:
            signal.signal(signal.SIGINT, self._note)
            self._hook = sys.unraisablehook
            sys.unraisablehook = self._quiet
        return self

    def __exit__(self, *_: object) -> None:
        if self._ours:
            signal.signal(signal.SIGINT, signal.default_int_handler)
            sys.unraisablehook = self._hook

    def check(self) -> None:
        """Raise KeyboardInterrupt if one has come and gone unheard."""
        if self.seen:
            raise KeyboardInterrupt

    def _note(self, number: int, frame: FrameType | None) -> None:
        self.seen = True
        signal.default_int_handler(number, frame)

    def _quiet(self, unraisable) -> None:
        """Print no traceback for an interrupt that a callback could not pass on; `check` does."""
        if not issubclass(unraisable.exc_type, KeyboardInterrupt):
            self._hook(unraisable)
