"""How much memory an HDF5 file may ask for: looked at in its headers, before any of it is read.

Our writer stores all that it declares, in one file, packed once, under one name. A forged or damaged file may declare
terabytes that it does not store, pack them twice, say under a thousand names the same large table, or let a million
words be the same long one. A word is held against the longest that the file stores; only where that leaves a doubt are
words read, a few at a time.
"""

import math
import struct
import zlib
from collections.abc import Iterator
from pathlib import Path

from h5py import h5a, h5d, h5l, h5o, h5t, h5z

PACKED = 1100  # deflate makes nothing smaller by more than 1032
_ALWAYS = 4096  # bytes that may be declared without being stored
_FREE, _UNFOLDS = 1 << 22, 16  # bytes that any file may ask for in all, and besides as many times its length
_SUSPECT = _FREE // PACKED  # bytes of a packed chunk that could unfold to more than is free
_WORDS = 256  # of one attribute
_AT_ONCE = 1 << 24  # bytes of words that may be in memory at once
_NO_DOUBT = 1 << 24  # bytes of words that need no look
_HEAP = b"GCOL"  # a collection of words: HDF5 File Format Specification 3.0, section III.E
_COLLECTION, _WORD = struct.Struct("<8sQ"), struct.Struct("<H6xQ")  # (kind, bytes in all), (number, bytes)
_PLAIN = (h5t.INTEGER, h5t.FLOAT, h5t.STRING, h5t.ENUM)
_TIES = (b"DIMENSION_LIST", b"REFERENCE_LIST")  # attributes by which HDF5 ties dimensions to scales
_FILTERS = {h5z.FILTER_SHUFFLE, h5z.FILTER_DEFLATE, h5z.FILTER_FLETCHER32}


def most_of(length: int) -> int:
    """Bytes that a file of this length may ask for in all."""
    return _FREE + _UNFOLDS * length


def length_for(asked: int) -> int:
    """The least length of a file that may ask for so many bytes."""
    return -(-max(0, asked - _FREE) // _UNFOLDS)


def asked(file) -> int:
    """Bytes that all tables of an open h5py.File ask for."""
    total = 0

    def count(_: str, item) -> None:
        nonlocal total
        total += item.nbytes if hasattr(item, "nbytes") else 0

    file.visititems(count)
    return total


def excess(file, path: Path, most: float) -> str:
    """The name of what an open h5py.File asks too much for, or ""; most: bytes that a file of its kind may ask for."""
    look = _Look(file, path, most)
    root = look.at(b"/", h5o.get_info(file.id))

    def leads_out(name: bytes, info) -> str | None:
        return None if info.type == h5l.TYPE_HARD else name.decode()

    found = root or file.id.links.visit(leads_out, info=True) or h5o.visit(file.id, look.at, info=True) or look.words()
    return found or ""


class _Look:
    """A walk over the objects of a file, that counts what they ask for; methods return the name of what is wrong."""

    def __init__(self, file, path: Path, most: float):
        self._file, self._path = file, path
        self._length = path.stat().st_size
        self._most = min(most, most_of(self._length))
        self._stored = self._asked = 0
        self._word = max(_words(path, self._length), default=0)  # bytes of the longest
        self._attributes: list[tuple[bytes, bytes, int]] = []  # of words: object, name, how many
        self._tables: list[tuple[bytes, int]] = []

    def at(self, name: bytes, info) -> str | None:
        """Look at one object."""
        item = h5o.open(self._file.id, name)
        fine = info.rc == 1 and info.type != h5o.TYPE_NAMED_DATATYPE
        fine = fine and all(self._attribute_is_fine(name, h5a.open(item, index=i)) for i in range(info.num_attrs))
        if fine and info.type == h5o.TYPE_DATASET:
            fine = self._table_is_fine(name, item)
        return None if fine else name.decode()

    def words(self) -> str:
        """Look at words, where by their number they could be more than the file."""
        count = sum(n for _, _, n in self._attributes) + sum(n for _, n in self._tables)
        if count * self._word <= _NO_DOUBT:
            return ""
        total = 0
        for name, key, count in self._attributes:
            if count * self._word > _AT_ONCE:
                return name.decode()
            found = self._file[name].attrs[key.decode()]
            total += sum(len(w) for w in ([found] if isinstance(found, str | bytes) else found.ravel()))
            if total > self._length:
                return name.decode()
        for name, _ in self._tables:
            total += _length(self._file[name], self._word, self._length)
            if total > self._length:
                return name.decode()
        return ""

    def _attribute_is_fine(self, name: bytes, attribute) -> bool:
        kind = attribute.get_type()
        if kind.get_class() != h5t.STRING:
            return kind.get_class() in _PLAIN or attribute.name in _TIES
        count = attribute.get_storage_size() // kind.get_size()
        self._attributes.append((name, attribute.name, count))
        return count <= _WORDS

    def _table_is_fine(self, name: bytes, table) -> bool:
        kind, count = table.get_type(), table.get_space().get_simple_extent_npoints()
        kept, asked, chunk = table.get_storage_size(), count * kind.get_size(), 0
        if table.get_offset() is None:  # not kept in one piece: in chunks, in other files, or not at all
            settings = table.get_create_plist()
            if not _is_ours(settings):
                return False
            chunk = _chunk(settings) * kind.get_size()
            asked = max(asked, chunk)
        self._stored, self._asked = self._stored + kept, self._asked + asked
        if self._stored > self._length or self._asked > self._most or asked > PACKED * kept + _ALWAYS:
            return False
        if kind.get_class() == h5t.STRING:
            self._tables.append((name, count))
        return kind.get_class() in _PLAIN and (kept <= _SUSPECT or not chunk or self._unfolds(table, chunk))

    def _unfolds(self, table, most: int) -> bool:
        """Whether no packed chunk of a table unfolds to more than it says: HDF5 makes room for whatever comes."""
        places: list[tuple[int, int]] = []
        table.chunk_iter(lambda found: places.append((found.byte_offset, found.size)))
        with self._path.open("rb") as file:
            return all(size <= _SUSPECT or _unfolded(file, at, size, most) <= most for at, size in places)


def _is_ours(settings) -> bool:
    """Whether a table is kept in this file, and packed at most once and as ours are."""
    filters = [settings.get_filter(i)[0] for i in range(settings.get_nfilters())]
    kept_here = settings.get_layout() != h5d.VIRTUAL and not settings.get_external_count()
    return kept_here and len(filters) == len(set(filters)) and _FILTERS.issuperset(filters)


def _chunk(settings) -> int:
    """Numbers in a chunk of a table; 0 of one that is kept in one piece."""
    return math.prod(settings.get_chunk()) if settings.get_layout() == h5d.CHUNKED else 0


def _unfolded(file, at: int, size: int, most: int) -> int:
    """Bytes that a packed chunk unfolds to, as far as they are not more than `most`; 0 where it is not packed."""
    file.seek(at)
    rest, stream, total = file.read(size), zlib.decompressobj(), 0
    while rest and not stream.eof and total <= most:
        try:
            total += len(stream.decompress(rest, 1 << 20))
        except zlib.error:
            return 0
        rest = stream.unconsumed_tail
    return total


def _words(path: Path, length: int) -> Iterator[int]:
    """Bytes of every word that a file of a length stores."""
    with path.open("rb") as file:
        for place in _places(file):
            file.seek(place)
            kind, size = _COLLECTION.unpack(file.read(_COLLECTION.size).ljust(_COLLECTION.size))
            if kind != _HEAP + b"\1\0\0\0" or size > length:  # these bytes stand there by chance
                continue
            content, at = file.read(size - _COLLECTION.size), 0
            while at + _WORD.size <= len(content):
                number, size = _WORD.unpack_from(content, at)
                if not number:  # what is left free
                    break
                yield size
                at += _WORD.size + -(-size // 8) * 8


def _places(file, part: int = 1 << 20) -> list[int]:
    """Where the mark of a collection of words stands."""
    found, start, before = [], 0, b""
    while content := file.read(part):
        content, at = before + content, -1
        while (at := content.find(_HEAP, at + 1)) >= 0:
            found.append(start + at)
        before = content[1 - len(_HEAP) :]
        start += len(content) - len(before)
    return found


def _length(table, word: int, most: int) -> int:
    """Bytes of all words of a table, as far as they are not more than `most`; read a few at a time."""
    if table.shape == ():
        return len(table[()])
    step, total = max(1, _AT_ONCE // max(1, word * math.prod(table.shape[1:]))), 0
    for start in range(0, table.shape[0], step):
        total += sum(len(word) for word in table[start : start + step].ravel())
        if total > most:
            break
    return total
