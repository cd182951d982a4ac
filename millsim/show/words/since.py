"""Which sweep it is, and what has changed since in the files that it, or a prediction, was made from."""

from ...base.quantities.written import join_words
from ...explore.sweep.record import Sweep
from ...mill.config.since import CHANGED, NOT_FOUND, UNCHANGED, Since, by_file
from .short import Part, said

_MOST = 4  # changes that are told
SWEEP, PREDICTION = "sweep", "prediction"
_AND = {SWEEP: "its config and its cards", PREDICTION: "its cards"}
_OR = {SWEEP: "its config or its cards", PREDICTION: "its cards"}
_AGAIN = {SWEEP: "Run it again to choose from what is there now", PREDICTION: "Predict again for what is there now"}


def sweep_name(sweep: Sweep) -> str:
    """The sweep by its hash."""
    return f"sweep {sweep.sha256[:12]}"


def since_words(since: Since, what: str = SWEEP) -> str:
    """What has become of the files of a sweep, or of a prediction, in a sentence."""
    unknown = f"{_OR[what]} have changed since is not known"
    if since.state == UNCHANGED:
        together = ", " if what == SWEEP else " and "
        return f"The {what} is of {since.file}{together}{_AND[what]} as they stand there now."
    if since.state == NOT_FOUND:
        together = ", " if what == SWEEP else " or "
        return f"{since.file} is neither here nor beside the {what}, so whether it{together}{unknown}."
    if since.state != CHANGED:
        config = "" if what == SWEEP else "its config or "
        return f"The file of this {what} does not keep where it came from, so whether {config}{unknown}."
    told, left = [], len(since.changes) - _MOST
    for file, rows in by_file(since.changes[:_MOST]):
        told.append(f"{file} ({'; '.join(rows)})")
    more = f", and {left} more" if left > 0 else ""
    return f"Changed since the {what} was made: {join_words(told)}{more}. {_AGAIN[what]}."


def since_part(since: Since) -> Part:
    """The sentence as a part of a short answer: what has changed matters, that nothing has least of all."""
    return said(since_words(since), {CHANGED: 0, UNCHANGED: 7}.get(since.state, 2))


def since_json(since: Since) -> dict:
    """The same for --json."""
    changes = [{"file": file, "changed": row} for file, row in since.changes]
    return {"files": since.state, "file": since.file or None, "changed": changes}
