"""Entries of a notebook: folders that are there wholly or not at all, each with the hashes of its files.

An entry is made beside the others under a name of its own, every file pushed to the disk, and renamed in one step. So a
writer that is killed leaves no half entry, and of two that write at once neither replaces what the other wrote. A file
that the writer holds tells whether it lives: what dead ones left is cleared away when the notebook is next used.
"""

import contextlib
import hashlib
import os
import re
import secrets
import shutil
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from ...base.reading.bounded import bytes_of
from ...base.reading.toml import parse_toml, to_toml
from ...errors import InputError, MillsimError, Problem
from ...record import standing
from ...record.date import now_utc
from ...record.files import cannot_write, clear_litter, make_folder, sync_folder, write_bytes, write_through
from ...record.hold import TAKEN, hold

ENTRY, MARK = "entry.toml", "notebook.toml"
_HEAD = "# Of a notebook of builds, written by millsim, which notices what is changed by hand.\n"
_MARKED = "# A notebook of builds: `millsim book show` with this folder. Every entry is a folder of plain files.\n"
_SEAL = "\n[seal]\n"
_HELD = re.compile(r"\.millsim-[0-9a-f]{12}\.held")
_LONGEST = 48  # characters of a folder's name


@dataclass(frozen=True)
class Entry:
    """One entry: its folder, what it says of itself, and what was altered since it was written, as sentences."""

    folder: Path
    about: Mapping[str, str]
    altered: tuple[str, ...]

    @property
    def kind(self) -> str:
        """What it is: build, forecast, run, note, trial or card."""
        return self.about.get("kind", "")

    @property
    def key(self) -> str:
        """The name by which people call it: that of its folder."""
        return self.folder.name

    def text(self, name: str) -> str:
        """What it says under a name; "" where it says nothing."""
        return self.about.get(name, "")


def is_book(folder: Path) -> bool:
    """Whether a folder is a notebook."""
    return (folder / MARK).is_file()


def require(folder: Path) -> Path:
    """The folder of a notebook; InputError where it is none."""
    if not is_book(folder):
        what = "is no notebook" if folder.is_dir() else "is a file" if folder.exists() else "no such folder"
        hint = f"`millsim book add {folder} MILL.toml` makes one of a new or empty folder"
        raise InputError(Problem(str(folder), "", what, hint=hint))
    return folder


def make(folder: Path) -> Path:
    """The folder of a notebook, made if it is missing or empty."""
    if is_book(folder):
        return require(folder)
    if folder.exists() and (not folder.is_dir() or any(not p.name.startswith(".millsim-") for p in folder.iterdir())):
        hint = "name a new or an empty folder, or a notebook"
        raise InputError(Problem(str(folder), "", "is no notebook, and not empty", hint=hint))
    make_folder(folder)
    with contextlib.suppress(InputError):  # another command makes it at this moment
        write_bytes(folder / MARK, _MARKED.encode())
    return folder


def packed(about: Mapping[str, str], files: Mapping[str, bytes]) -> dict[str, bytes]:
    """The files of an entry with the one that says what it is; empty texts are left out."""
    said = {name: text for name, text in about.items() if text}
    hashes = {name: hashlib.sha256(data).hexdigest() for name, data in files.items()}
    body = _HEAD + to_toml({"added": now_utc()} | said | {"sha256": hashes})
    return {**files, ENTRY: (body + _SEAL + to_toml({"sha256": _digest(body)})).encode()}


def add(parent: Path, name: str, contents: Mapping[str, bytes]) -> Path:
    """Write an entry into a folder, under its name or, if that is taken, with a number; returns where it lies."""
    _clear(parent)
    stem = slug(name)
    try:
        with _writing(parent) as temporary:
            for path, data in contents.items():
                (temporary / path).parent.mkdir(parents=True, exist_ok=True)
                write_through(temporary / path, data)
            for folder in {(temporary / path).parent for path in contents}:
                sync_folder(folder)
            return _named(temporary, parent, stem)
    except OSError as error:
        raise MillsimError(cannot_write(parent / stem, error)) from error


def entries(folder: Path) -> list[Entry]:
    """All entries right in a folder, in the order in which they were written; what dead writers left is cleared."""
    _clear(folder)
    found = [_read(p) for p in sorted(folder.iterdir()) if p.is_dir() and not p.name.startswith(".")]
    return sorted((e for e in found if e is not None), key=lambda e: (e.text("added"), e.key))


def slug(name: str) -> str:
    """A name as that of a folder: plain small letters, digits and hyphens."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:_LONGEST].strip("-") or "entry"


# --- writing ---------------------------------------------------------------------------------------------


@contextlib.contextmanager
def _writing(parent: Path) -> Iterator[Path]:
    """A new folder whose writer is known to live as long as it holds a file beside it."""
    while True:
        temporary = parent / f".millsim-{secrets.token_hex(6)}.new"
        beside = standing.named(temporary.with_suffix(".held"))
        descriptor = os.open(beside, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o666)
        if _holds(descriptor) is not False and _same_file(beside, descriptor):
            break
        os.close(descriptor)  # another command took it for a dead writer's, just before it was held
    try:
        standing.named(temporary).mkdir()
        yield temporary
    finally:
        shutil.rmtree(temporary, ignore_errors=True)
        standing.forget(temporary)
        os.close(descriptor)
        standing.remove(beside)


def _holds(descriptor: int) -> bool | None:
    """Whether the file is now held; None on a disk that knows no locks, where nothing is ever cleared away."""
    try:
        hold(descriptor)
    except OSError as error:
        return False if error.errno in TAKEN else None
    return True


def _same_file(path: Path, descriptor: int) -> bool:
    try:
        return os.path.samestat(path.stat(), os.fstat(descriptor))
    except OSError:
        return False


def _named(temporary: Path, parent: Path, stem: str) -> Path:
    """Give a finished folder the first free name in one step; a folder with something in it is never replaced."""
    number = 1
    while True:
        target = parent / (stem if number == 1 else f"{stem}-{number}")
        if not os.path.lexists(target):
            try:
                temporary.rename(target)
            except OSError:
                if not os.path.lexists(target):
                    raise
            else:
                sync_folder(parent)
                return target
        number += 1


def _clear(folder: Path) -> None:
    """Take away what dead writers left: what nobody holds."""
    clear_litter(folder)
    with contextlib.suppress(OSError):
        for beside in [p for p in folder.iterdir() if _HELD.fullmatch(p.name)]:
            _clear_one(beside)


def _clear_one(beside: Path) -> None:
    with contextlib.suppress(OSError):  # gone: its writer is done
        descriptor = os.open(beside, os.O_RDWR)
        try:
            dead = _holds(descriptor) and _same_file(beside, descriptor)
            if dead:
                shutil.rmtree(beside.with_suffix(".new"), ignore_errors=True)
            if dead and os.name != "nt":
                beside.unlink()
        finally:
            os.close(descriptor)
        if dead:
            beside.unlink(missing_ok=True)


# --- reading ---------------------------------------------------------------------------------------------


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _read(folder: Path) -> Entry | None:
    """The entry in a folder; None where there is none."""
    try:
        text = bytes_of(folder / ENTRY, "entry of a notebook").decode()
    except (OSError, ValueError):
        return None
    body, _, seal = text.partition(_SEAL)
    tables = parse_toml(body, str(folder / ENTRY)).tables
    hashes = tables.pop("sha256", {})
    about = {name: value for name, value in tables.items() if isinstance(value, str)}
    altered = [] if _digest(body) in seal else [f"{ENTRY} was altered by hand"]
    for name, digest in hashes.items() if isinstance(hashes, dict) else ():
        try:
            with (folder / name).open("rb") as file:
                same = hashlib.file_digest(file, "sha256").hexdigest() == digest
            altered += [] if same else [f"{name} was altered since it was written"]
        except OSError:
            altered.append(f"{name} is missing or cannot be read")
    return Entry(folder, about, tuple(altered))
