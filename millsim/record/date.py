"""When a prediction was made: UTC, ISO 8601."""

import os
from datetime import UTC, datetime

from ..errors import InputError, Problem

EPOCH = "SOURCE_DATE_EPOCH"  # seconds since 1970 that stand in for the clock (reproducible-builds.org)
UNKNOWN = "date unknown"


def now_utc() -> str:
    """The time as "2025-03-08T17:42:05Z", by the clock or, so that files can repeat exactly, by SOURCE_DATE_EPOCH."""
    said = os.environ.get(EPOCH)
    try:
        now = datetime.now(UTC) if not said else datetime.fromtimestamp(int(said), UTC)
    except (ValueError, OverflowError, OSError) as error:
        hint = "give whole seconds since 1970-01-01 UTC, or unset it"
        raise InputError(Problem(EPOCH, "", f"{said!r} is no date", hint=hint)) from error
    return now.strftime("%Y-%m-%dT%H:%M:%SZ")


def date_words(date: str) -> str:
    """The date of a prediction for people; older files have none."""
    return date or UNKNOWN
