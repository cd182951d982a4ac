"""An existing dask cluster as an executor. dask is an optional extra: pip install "millsim[cluster]"."""

from collections.abc import Iterator
from concurrent.futures import Executor
from contextlib import contextmanager

from ..errors import InputError, MillsimError, Problem

PATIENCE_S = 10  # for the scheduler to answer


@contextmanager
def cluster_executor(address: str) -> Iterator[tuple[Executor, int]]:
    """(executor, number of worker threads) of the cluster at an address. Raises InputError, MillsimError.

    The workers need the same version of millsim installed. Jobs of a worker that dies are given to another by dask.
    """
    try:
        from distributed import Client
    except ImportError as error:
        missing = "needs dask.distributed, which is not installed"
        raise InputError(Problem("--scheduler", "", missing, hint='pip install "millsim[cluster]"')) from error
    try:
        client = Client(address, timeout=PATIENCE_S, set_as_default=False)
    except (OSError, ValueError) as error:
        hint = "start one with `dask scheduler` and `dask worker ADDRESS`"
        raise InputError(Problem("--scheduler", "", f"no dask scheduler answers at {address}", hint=hint)) from error
    try:
        threads = sum(client.nthreads().values())
        if threads == 0:
            raise MillsimError(f"the dask scheduler at {address} has no workers; start some: dask worker {address}")
        _same_version(client, address)
        yield client.get_executor(pure=False, retries=3), threads
    finally:
        client.close()


def _version() -> tuple[str, str]:
    """What a worker computes with."""
    from ..version import __version__
    from .identity import engine_sources

    return __version__, engine_sources()


def _same_version(client, address: str) -> None:
    """Refuse workers whose engine is not ours: points of different versions never mix."""
    try:
        found = client.run(_version)
    except Exception as error:
        raise MillsimError(f"the workers at {address} cannot run millsim: {type(error).__name__}: {error}") from error
    if strangers := [w for w, v in found.items() if tuple(v) != _version()]:
        message = f"{len(strangers)} of {len(found)} workers have another engine than this millsim {_version()[0]}"
        raise MillsimError(f"{message}; install the same version there")
