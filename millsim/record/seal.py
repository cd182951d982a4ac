"""The seal of an HDF5 file of ours: a checksum over its bytes, behind them, looked at before HDF5 sees any.

A damaged file can make the HDF5 library loop for ever or crash, so it is never handed one. The library takes the end of
a file from its superblock and does not read past it; other programs open a sealed file as any other.
"""

import hashlib
import os
from pathlib import Path
from typing import BinaryIO

SIGNATURE = b"\x89HDF\r\n\x1a\n"  # HDF5 File Format Specification 3.0, section II.A
_MARK = b"\nmillsim sha256 "
SEAL_BYTES = len(_MARK) + 64 + 1
_PART = 1 << 20


def sealed(content: bytes) -> bytes:
    """The bytes of a file and behind them its seal."""
    return content + _MARK + hashlib.sha256(content).hexdigest().encode() + b"\n"


def is_whole(path: Path) -> bool | None:
    """Whether a file is as its writer left it; None where it has no seal and ends where its superblock says.

    Raises OSError where it cannot be read.
    """
    with path.open("rb") as file:
        length = file.seek(0, os.SEEK_END) - SEAL_BYTES
        file.seek(max(length, 0))
        seal = file.read()
        if not seal.startswith(_MARK):
            return None if _end(file) == length + SEAL_BYTES else False
        file.seek(0)
        digest = hashlib.sha256()
        while length > 0:
            part = file.read(min(_PART, length))
            digest.update(part)
            length -= len(part)
            if not part:
                return False
        return seal == _MARK + digest.hexdigest().encode() + b"\n"


def is_spoilt(path: Path) -> bool:
    """Whether a file was an HDF5 file, by its start or by our seal behind it, and is damaged now.

    So is an empty one: a writer that was killed where there are no hard links leaves no more than the name.
    """
    if path.stat().st_size == 0:
        return True
    with path.open("rb") as file:
        start = file.read(len(SIGNATURE))
        file.seek(max(file.seek(0, os.SEEK_END) - SEAL_BYTES, 0))
        was = start == SIGNATURE or file.read().startswith(_MARK)
    return was and is_whole(path) is False


def _end(file: BinaryIO) -> int:
    """Where a file ends by its superblock: section II.A, versions 0 to 3, addresses of eight bytes."""
    file.seek(0)
    block = file.read(52)
    at = {b"\0": 40, b"\1": 44}.get(block[8:9], 28)
    return int.from_bytes(block[at : at + 8], "little")
