"""The first prediction ever, on two cores: a second process compiles what follows while the first settles the mill.

What the second process keeps on the disk the first one loads. It says nothing, ends with the first however that ends,
and nothing hangs on it: what it has not kept the first one compiles, as it does where there is no second one.
"""

import contextlib
import logging
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numba
import numpy as np

from ..base.numerics.jit import for_python, lacks_code
from ..mill.chamber import MILL, STATE, STRIKES, open_to_pass
from .aside import fill_warmup, full_charge, size_floor, socket_powers, still_temperatures
from .capacity import operate
from .histories import run_blocks
from .hits import fill_hits, fill_table
from .pieces import run_pieces
from .records import FLOWS, POWERS, Arrivals, Charge, Powder, Rates, Sizes, Steps

KERNELS: tuple[Any, ...] = (run_blocks, run_pieces)
PATIENCE_S = 60.0  # for a second process that ends later than the first settles, at most
_RUN = """
import os, sys, threading
threading.Thread(target=lambda: os.read(0, 1) or os._exit(1), daemon=True).start()  # a pipe that nobody writes to
sys.path[:] = {path}
from {module} import main; main({names})"""


@contextlib.contextmanager
def compiling(histories: bool, pieces: bool) -> Iterator[Callable[[], None]]:
    """Compile what follows histories, and pieces, in a second process meanwhile, where that saves time.

    Gives what waits for it; where it is not waited for it ends with this. histories, pieces: whether that is needed
    afterwards, as far as is known.
    """
    wanted = zip(KERNELS, (histories, pieces), strict=True)
    names = [kernel.__name__ for kernel, needed in wanted if needed and lacks_code(kernel)]
    second = _started(names) if names and lacks_code(operate) and _has_two_cores() else None
    if second is None:
        yield lambda: None
        return
    with second:
        try:
            yield lambda: _wait(second)
        finally:
            second.kill()


def _wait(second: "subprocess.Popen[bytes]") -> None:
    with contextlib.suppress(subprocess.TimeoutExpired):
        second.wait(PATIENCE_S)


def _has_two_cores() -> bool:
    return (len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1) > 1


def _started(names: list[str]) -> "subprocess.Popen[bytes] | None":
    """The second process, if there can be one: files must be locked for two that keep code, and Python be at hand."""
    if os.name != "posix" or not Path(sys.executable or "").name.startswith("python"):
        return None
    code = _RUN.format(path=sys.path, module=__name__, names=names)
    try:
        return subprocess.Popen(
            [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
    except OSError:  # no more processes, or no memory for one
        return None


def main(names: list[str]) -> None:
    """Compile KERNELS of these names, and then the small ones that every prediction needs, in the second process."""
    logging.getLogger("millsim").addFilter(_end)  # a note is that code cannot be kept, which is then in vain
    for kernel, arguments in zip(KERNELS, _arguments(), strict=True):
        if kernel.__name__ in names:
            _compile(kernel, arguments)
    for small, arguments in small_ones() if names else ():
        _compile(for_python(small), arguments)


def _compile(function: Any, arguments: tuple) -> None:
    function.compile(tuple(numba.typeof(a) for a in arguments))


def _end(*_args) -> bool:
    os._exit(1)


def _arguments() -> tuple[tuple, ...]:
    """For each of KERNELS what it is called with, as far as types go."""
    one, two, three = (np.zeros((1,) * d) for d in (1, 2, 3))
    mill, state, strikes = (np.zeros(1, kind) for kind in (MILL, STATE, STRIKES))
    steps, sizes = Steps(one, one, strikes, three, three, two, two), Sizes(one, one, one, 0.0, 0.0, 0.0)
    arrivals, powder, charge = Arrivals(one, one, 0.0, 0.0), Powder(0.0, 0.0, 0.0, 0.0), Charge(one, 0.0, 0.0)
    return (
        (mill, steps, sizes, 0, 0, np.zeros(1, FLOWS), three, two),
        (mill, state, strikes, Rates(two, 0.0, 0.0, 0.0), arrivals, powder, charge, 0.0, 0, 0, three, two),
    )


def small_ones() -> tuple[tuple[Any, tuple], ...]:
    """What Python calls in every prediction of a settled mill, with arguments of the types that it is called on."""
    one, two = np.zeros(1), np.zeros((1, 1))
    mill, state, strikes, powers = (np.zeros(1, kind) for kind in (MILL, STATE, STRIKES, POWERS))
    rates, of_state = Rates(two, 0.0, 0.0, 0.0), (mill[0], state[0])
    return (
        (socket_powers, (mill, 0.0, 0.0)),
        (fill_table, (*of_state, strikes[0], one, rates)),
        (fill_hits, (*of_state, strikes[0], rates, two)),
        (open_to_pass, of_state),
        (still_temperatures, (mill, state, powers)),
        (fill_warmup, (mill, state, powers, one, one)),
        (full_charge, (mill,)),
        (size_floor, (mill, state, one, two)),
    )
