"""Settings whose value is the path of a file: what of it may stand in a file that others read."""

from collections.abc import Callable
from pathlib import PureWindowsPath

PATHS = ("feed.material", "feed.size.sheet", "feed.size.file", "calibration.card")  # keys whose value may be a path


def without_folder(path: str) -> str:
    """The name of a file alone: folders are nobody's business."""
    return PureWindowsPath(path).name


def relative(path: str) -> str:
    """A path as it was typed, if it starts where one works; of any other the name alone."""
    return without_folder(path) if PureWindowsPath(path).anchor else path


def shortened(setting: str, shorten: Callable[[str], str]) -> str:
    """A setting KEY=VALUE, with its value shortened where that is a path."""
    key, equals, value = setting.partition("=")
    if key.strip() not in PATHS:
        return setting
    text = value.strip()
    quote = text[:1] if text[:1] in ("'", '"') else ""
    return f"{key}{equals}{quote}{shorten(text.strip(chr(39) + chr(34)))}{quote}"
