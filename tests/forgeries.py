"""Result and sweep files made to ask for more memory than they hold, each with a right seal.

By hand, the peak memory of every command that opens one, over that on the file as it was:
`python tests/forgeries.py RESULT.h5 RUN.toml MILL.toml SWEEP.h5 TARGET.toml SWEEP.toml`, some minutes. RESULT.h5 is of
`predict MILL.toml --out`, SWEEP.h5 with its points of `sweep SWEEP.toml`: both commands look at what they find there.
"""

import os
import resource
import shutil
import struct
import subprocess
import sys
import tempfile
import zlib
from pathlib import Path

import h5py
import numpy as np

from millsim.record.seal import SEAL_BYTES, sealed

MB = 1 << 20


def declare(file):
    """A large table of which nothing is stored."""
    file.create_dataset("declared", (10**6, 10**6), "f8", chunks=(1000, 1000), compression="gzip")


def pack_well(file):
    """Many tables of zeros, each packed as well as one may be."""
    for i in range(6):
        file.create_dataset(f"zeros_{i}", data=np.zeros(MB, "i1"), chunks=(MB,), compression="gzip")


def pack_twice(file):
    """A table of zeros packed twice: each makes it a thousand times smaller."""
    _packed(file, b"packed twice", 1 << 22, 2)[:] = 0


def _packed(file, name, chunk, times):
    """An empty table of one chunk, packed so many times."""
    settings = h5py.h5p.create(h5py.h5p.DATASET_CREATE)
    settings.set_chunk((chunk,))
    for _ in range(times):
        settings.set_deflate(9)
    space = h5py.h5s.create_simple((chunk,))
    return h5py.Dataset(h5py.h5d.create(file.id, name, h5py.h5t.NATIVE_INT8, space, settings))


def large_chunk(file):
    """A short table in a chunk for a long one: a whole chunk is read."""
    made = file.create_dataset("short", (10,), "i1", maxshape=(None,), chunks=(16 * MB,), compression="gzip")
    made[:] = 0


def unfold(file):
    """A chunk of which 32 MB come where 32 kB are declared: HDF5 makes room for them before it looks."""
    packed = zlib.compress(bytes(32 * MB), 9)
    _packed(file, b"unfolds", len(packed), 1).id.write_direct_chunk((0,), packed)


def many_names(file):
    """One table under a thousand names."""
    made = file.create_dataset("table", data=np.zeros(MB, "i1"), compression="gzip")
    for i in range(1000):
        file[f"name_{i}"] = made


def fill(file):
    """A course of as many points as a file of this kind may ask for."""
    for name in ("warmup_time", "warmup/temperature"):
        attributes = {k: v for k, v in file[name].attrs.items() if k in ("units", "long_name")}
        del file[name]
        made = file.create_dataset(
            name, data=np.linspace(0.0, 300.0, 250_000).round(), compression="gzip", shuffle=True
        )
        made.attrs.update(attributes)


def many_words(file):
    """An attribute of more words than any has."""
    file.attrs["warnings"] = ["word"] * 300


def words_in_words(file):
    """A list in an attribute of lists."""
    kind = h5py.h5t.vlen_create(h5py.h5t.py_create(h5py.string_dtype(), logical=True))
    h5py.h5a.create(file.id, b"lists", kind, h5py.h5s.create_simple((1,)))


def lead_out(file):
    """A table in another file."""
    file["other"] = h5py.ExternalLink("other.h5", "/large")


def lay_outside(file):
    """A table whose bytes are in another file."""
    file.create_dataset("outside", (10,), "i1", external=[("other.raw", 0, 10)])


def long_word(file):
    """A long word; `repeated` then lets every word be it."""
    file.attrs["long"] = "x" * 150_000


def repeated(content):
    """The bytes of a file in which every attribute of one word is the longest word of the file."""
    words = {}
    at = content.find(b"GCOL")
    while at >= 0:
        end, place = at + struct.unpack_from("<Q", content, at + 8)[0], at + 16
        while place + 16 <= end:
            number, size = struct.unpack_from("<H6xQ", content, place)
            if not number:
                break
            words[struct.pack("<IQI", size, at, number)] = size
            place += 16 + -(-size // 8) * 8
        at = content.find(b"GCOL", at + 1)
    longest = max(words, key=words.get)
    for reference, size in words.items():
        if size != len("millsim result") and size > 3:  # the header is looked at before
            content = content.replace(reference, longest)
    return content


FORGERIES = (
    declare, pack_well, pack_twice, large_chunk, unfold, many_names, many_words, words_in_words, lead_out, lay_outside,
    long_word, fill,
)  # fmt: skip


def forged(whole, forge, path):
    """Write a forgery of a sealed file to a path, sealed again."""
    path.write_bytes(whole[:-SEAL_BYTES])
    with h5py.File(path, "r+") as file:
        forge(file)
    content = path.read_bytes()
    path.write_bytes(sealed(repeated(content) if forge is long_word else content))


def peak_mb(words, folder):
    """(exit code, peak memory in MB) of a command in a process of its own."""
    code = (
        "import resource, sys\nfrom click.testing import CliRunner\nfrom millsim.commands.main import cli\n"
        "done = CliRunner().invoke(cli, sys.argv[1:])\n"
        "print(done.exit_code, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024)\n"
    )
    done = subprocess.run([sys.executable, "-c", code, *words], cwd=folder, capture_output=True, text=True, check=True)
    return tuple(int(n) for n in done.stdout.split())


def commands(result, run, mill, sweep, target, plan):
    """What opens a result and a sweep: (the file, the words of the command)."""
    return [
        (result, ["plot", result, "-o", "figures"]),
        (result, ["export", result, "-o", "tables"]),
        (result, ["report", result, "-o", "r.html", "--pdf", "r.pdf"]),
        (result, ["why", result]),
        (result, ["compare", result, run]),
        (result, ["beside", result, "other.h5"]),
        (result, ["draw", mill, "--prediction", result, "-o", "d.svg"]),
        (result, ["book", "add", "book", result, "--name", "one"]),
        (sweep, ["choose", sweep, target]),
        (sweep, ["sweep", plan, "--out", sweep]),
        (result, ["predict", mill, "--out", result, "--plots", "figures"]),
    ]


def main(paths):
    """Measure and print, by command."""
    os.setpgrp()
    resource.setrlimit(resource.RLIMIT_AS, (8 << 30, 8 << 30))
    files = [Path(p).resolve() for p in paths]
    names = [p.name for p in files]
    for victim, words in commands(*names):
        whole, peaks = files[names.index(victim)].read_bytes(), {}
        for forge in (None, *FORGERIES):
            with tempfile.TemporaryDirectory() as folder:
                for p in {q.parent for q in files}:
                    shutil.copytree(p, folder, dirs_exist_ok=True, ignore=shutil.ignore_patterns("book"))
                shutil.copy(files[0], Path(folder, "other.h5"))
                if forge and not (forge is fill and victim != names[0]):
                    forged(whole, forge, Path(folder, victim))
                peaks[forge.__name__ if forge else "as it was"] = peak_mb(words, folder)
        base = peaks["as it was"][1]
        told = ", ".join(f"{k} {code}: {peak - base:+d}" for k, (code, peak) in peaks.items() if k != "as it was")
        sys.stdout.write(f"{words[0]}: {base} MB, code {peaks['as it was'][0]}; {told}\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main(sys.argv[1:])
