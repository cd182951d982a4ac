"""How much memory an HDF5 file may ask for: looked at in its headers, before any of it is read.

Our writer stores all that it declares, in one file, packed once. A forged or damaged file may declare terabytes that it
does not store, pack them twice, or let a million words be the same long one.
"""

import math

PACKED = 1100  # deflate makes nothing smaller by more than 1032
_ALWAYS = 4096  # bytes that may be declared without being stored
_WORDS = 256  # of one attribute
_AT_ONCE = 1 << 26  # bytes of words looked at in one go


def excess(file, length: int, most: float) -> str:
    """What of an open h5py.File of `length` bytes asks for more than it can be: its name, ""; most: bytes in all."""
    import h5py

    found: list[str] = []
    stored, asked = 0, 0

    def look(name: str, item) -> bool | None:
        nonlocal stored, asked
        if _words_exceed(item) or (isinstance(item, h5py.Group) and _leads_out(item)):
            found.append(name)
        elif isinstance(item, h5py.Dataset):
            kept = item.id.get_storage_size()
            stored, asked = stored + kept, asked + item.nbytes
            if stored > length or asked > most or item.nbytes > PACKED * kept + _ALWAYS or not _is_plain(item):
                found.append(name)
            elif h5py.check_string_dtype(item.dtype) and _length(item, length) > length:
                found.append(name)
        return True if found else None

    look("/", file)
    if not found:
        file.visititems(look)
    return found[0] if found else ""


def _leads_out(group) -> bool:
    """Whether a name in a group is not in it: visits pass such names over."""
    import h5py

    return not all(isinstance(group.get(name, getlink=True), h5py.HardLink) for name in group)


def _is_plain(dataset) -> bool:
    """Whether a dataset is kept in this file and packed at most once."""
    settings = dataset.id.get_create_plist()
    filters = [settings.get_filter(i)[0] for i in range(settings.get_nfilters())]
    return len(filters) == len(set(filters)) and not settings.get_external_count() and not dataset.is_virtual


def _words_exceed(item) -> bool:
    """Whether an attribute holds more words than any of ours."""
    import h5py

    ids = (h5py.h5a.open(item.id, index=i) for i in range(h5py.h5a.get_num_attrs(item.id)))
    return any(math.prod(a.shape) > _WORDS for a in ids if h5py.check_string_dtype(a.dtype))


def _length(dataset, most: int) -> int:
    """Bytes of all words of a dataset, as far as they are not more than `most`; read a few at a time."""
    if dataset.shape == ():
        return len(dataset[()])
    step, total = max(1, _AT_ONCE // max(1, most * math.prod(dataset.shape[1:]))), 0
    for start in range(0, dataset.shape[0], step):
        total += sum(len(word) for word in dataset[start : start + step].ravel())
        if total > most:
            break
    return total
