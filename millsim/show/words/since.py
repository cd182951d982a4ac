"""Which sweep it is, and what has changed since in the files that it was made from, in words and as JSON."""

from ...base.quantities.written import join_words
from ...explore.sweep.origin import CHANGED, NOT_FOUND, UNCHANGED, Since, by_file
from ...explore.sweep.record import Sweep
from .short import Part, said

_MOST = 4  # changes that are told
_UNKNOWN = "so whether it, its config or its cards have changed since is not known"


def sweep_name(sweep: Sweep) -> str:
    """The sweep by its hash."""
    return f"sweep {sweep.sha256[:12]}"


def since_words(since: Since) -> str:
    """What has become of its files, in a sentence."""
    if since.state == UNCHANGED:
        return f"The sweep is of {since.file}, its config and its cards as they stand there now."
    if since.state == NOT_FOUND:
        return f"{since.file} is neither here nor beside the sweep, {_UNKNOWN}."
    if since.state != CHANGED:
        return f"The file of this sweep does not keep where it came from, {_UNKNOWN.replace('it, its', 'its')}."
    told, left = [], len(since.changes) - _MOST
    for file, rows in by_file(since.changes[:_MOST]):
        told.append(f"{file} ({'; '.join(rows)})")
    more = f", and {left} more" if left > 0 else ""
    return f"Changed since the sweep was made: {join_words(told)}{more}. Run it again to choose from what is there now."


def since_part(since: Since) -> Part:
    """The sentence as a part of a short answer: what has changed matters, that nothing has least of all."""
    return said(since_words(since), {CHANGED: 0, UNCHANGED: 7}.get(since.state, 2))


def since_json(sweep: Sweep, since: Since) -> dict:
    """The same for --json."""
    changes = [{"file": file, "changed": row} for file, row in since.changes]
    return {"sha256": sweep.sha256, "files": since.state, "file": since.file or None, "changed": changes}
