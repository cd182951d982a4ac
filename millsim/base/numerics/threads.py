"""Work on all cores, its answers in order. Solvers release the interpreter, so threads share the work."""

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

In = TypeVar("In")
Out = TypeVar("Out")
MOST = 8  # items in one piece of work: handing over costs a tenth of what a short solve does


def on_all_cores(
    work: Callable[[In], Out], items: Sequence[In], progress: Callable[[float], None] | None = None
) -> list[Out]:
    """Answers to the items in their order; progress(share done) may raise to stop: what has not begun is let go."""
    cores, found = os.cpu_count() or 1, list[Out]()
    size = min(MOST, 1 + len(items) // (4 * cores))
    parts = [items[i : i + size] for i in range(0, len(items), size)]
    with ThreadPoolExecutor(cores) as pool:
        try:
            for answers in pool.map(lambda part: [work(item) for item in part], parts):
                found += answers
                if progress:
                    progress(len(found) / len(items))
        except BaseException:
            pool.shutdown(cancel_futures=True)
            raise
    return found
