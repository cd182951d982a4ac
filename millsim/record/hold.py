"""Holding a file alone: by a lock that the system lets go of when the process ends, however it ends."""

import errno
import os
import sys

TAKEN = (errno.EAGAIN, errno.EACCES, errno.EDEADLK)  # another process holds it


def hold(descriptor: int) -> None:
    """Hold an open file alone; OSError, of TAKEN where another process does."""
    if sys.platform == "win32":
        import msvcrt

        os.lseek(descriptor, 2**62, os.SEEK_SET)
        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
    else:
        import fcntl

        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
