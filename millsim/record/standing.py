"""Temporary files and folders of this process that may stand: an interrupt may come just where one is to be removed."""

import contextlib
from pathlib import Path

_names: dict[Path, None] = {}  # in the order in which they were named


def named(path: Path) -> Path:
    """Note that something temporary may stand at a path; the path."""
    _names[path] = None
    return path


def remove(path: Path) -> None:
    """Remove a file, if it stands there."""
    with contextlib.suppress(OSError):
        path.unlink(missing_ok=True)
    forget(path)


def forget(path: Path) -> None:
    """Note that nothing temporary stands at a path any more."""
    _names.pop(path, None)


def remove_all() -> None:
    """Remove all that may still stand, the last first."""
    import shutil

    for path in reversed(list(_names)):
        if path.is_dir():
            shutil.rmtree(path, ignore_errors=True)
        remove(path)
