"""An existing dask cluster as an executor. dask is an optional extra: pip install "millsim[cluster]"."""

import contextlib
import logging
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Executor
from contextlib import contextmanager

from ...errors import InputError, MillsimError, Problem

PATIENCE_S = 4  # for the scheduler to answer
LONELY_S = 60.0  # without any worker, after which the run ends


@contextmanager
def cluster_executor(address: str) -> Iterator[tuple[Executor, int, Callable[[], None]]]:
    """(executor, number of worker threads, check) of the cluster at an address. Raises InputError, MillsimError.

    check: to be called now and then; raises MillsimError when the scheduler or all workers are gone for good.
    The workers need the same version of millsim installed. Jobs of a worker that dies are given to another by dask.
    """
    try:
        from distributed import Client
    except ImportError as error:
        missing = "needs dask.distributed, which is not installed"
        raise InputError(Problem("--scheduler", "", missing, hint='pip install "millsim[cluster]"')) from error
    _somebody_there(address)
    with _quiet():
        client = Client(address, timeout=PATIENCE_S, set_as_default=False)
        try:
            threads = sum(client.nthreads().values())
            if threads == 0:
                raise MillsimError(f"the dask scheduler at {address} has no workers; start some: dask worker {address}")
            _same_version(client, address)
            yield client.get_executor(pure=False, retries=3), threads, _watch(client, address)
        finally:
            client.close()


def _somebody_there(address: str) -> None:
    """Shake hands first: a Client whose scheduler does not answer may wait for ever, and leaves a mess behind."""
    import asyncio

    from distributed.comm import connect
    from distributed.security import Security

    async def greet() -> None:
        comm = await connect(address, timeout=PATIENCE_S, **Security().get_connection_args("client"))
        comm.abort()

    try:
        asyncio.run(asyncio.wait_for(greet(), PATIENCE_S + 1.0))
    except (ValueError, TypeError) as error:
        hint = "for example tcp://10.0.0.5:8786"
        raise InputError(Problem("--scheduler", "", f"{address!r} is not an address: {error}", hint=hint)) from error
    except (OSError, TimeoutError) as error:
        hint = "start one with `dask scheduler` and `dask worker ADDRESS`"
        raise InputError(Problem("--scheduler", "", f"no dask scheduler answers at {address}", hint=hint)) from error


def _watch(client, address: str) -> Callable[[], None]:
    """A check that the cluster is still there: dask itself would wait for ever."""
    asked = seen = time.monotonic()

    def check() -> None:
        nonlocal asked, seen
        if client.status not in ("running", "connecting"):
            raise MillsimError(f"the dask scheduler at {address} is gone; the same command goes on from here.")
        now = time.monotonic()
        if now - asked < LONELY_S / 10 or client.status != "running":
            return
        asked = now
        with contextlib.suppress(OSError, RuntimeError):  # going away just now
            if client.nthreads():
                seen = now
        if now - seen > LONELY_S:
            raise MillsimError(f"all dask workers at {address} are gone; the same command goes on from here.")

    return check


@contextmanager
def _quiet() -> Iterator[None]:
    """dask's own log stays out of the way; what matters of it is said in our words."""
    names = [n for n in logging.root.manager.loggerDict if n.partition(".")[0] == "distributed"]
    logs = [logging.getLogger(n) for n in names]
    levels = [log.level for log in logs]
    for log in logs:
        log.setLevel(logging.CRITICAL)
    try:
        yield
    finally:
        for log, level in zip(logs, levels, strict=True):
            log.setLevel(level)


def _version() -> tuple[str, str, str]:
    """What a worker computes with."""
    from ...version import __version__
    from .identity import engine_sources, libraries

    return __version__, engine_sources(), libraries()


def _same_version(client, address: str) -> None:
    """Refuse workers whose engine is not ours: points of different versions never mix."""
    try:
        found = client.run(_version)
    except Exception as error:
        raise MillsimError(f"the workers at {address} cannot run millsim: {type(error).__name__}: {error}") from error
    if strangers := [w for w, v in found.items() if tuple(v) != _version()]:
        message = f"{len(strangers)} of {len(found)} workers have another engine than this millsim {_version()[0]}"
        raise MillsimError(f"{message}; install the same version and the same {_version()[2]} there")
