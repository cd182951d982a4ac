"""Work on all cores, its answers in order. Solvers release the interpreter, so threads share the work."""

import os
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

In = TypeVar("In")
Out = TypeVar("Out")


def on_all_cores(
    work: Callable[[In], Out], items: Iterable[In], count: int, progress: Callable[[float], None] | None = None
) -> list[Out]:
    """Answers to `count` items in their order; progress(share done) may raise to stop: what has not begun is let go."""
    found: list[Out] = []
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        try:
            for done, answer in enumerate(pool.map(work, items), start=1):
                found.append(answer)
                if progress:
                    progress(done / count)
        except BaseException:
            pool.shutdown(cancel_futures=True)
            raise
    return found
