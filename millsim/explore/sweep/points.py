"""From the settings of a point to its config: one reading per combination of words, numbers put in without reading
again. What a point becomes is exactly what `millsim predict --set ...` would read; a test holds that.
"""

from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

from ...base.reading.key import Key
from ...base.reading.toml import parse_toml
from ...errors import InputError
from ...mill.config.again import Known, changed, known
from ...mill.config.gather import Reading, gather, model_key, settle
from ...mill.config.guessed import without
from ...mill.config.mill import Config, from_reading, parse_config
from ...mill.config.schema import find_key
from .axes import text_of
from .record import Sweep

Settings = dict[str, object]


@dataclass(frozen=True)
class Template:
    """A config gathered but not settled, with the words of the axes in place; numbers come in with `config`."""

    reading: Reading

    def config(self, settings: Settings, named: bool = False) -> Config:
        """Config with these numbers {key: SI}. Raises InputError where they contradict each other."""
        r, start = self.reading, None if named else self._start
        values = {**r.values, **{k: v for k, v in settings.items() if not k.startswith("model.")}}
        model = {**r.model, **{k[6:]: v for k, v in settings.items() if k.startswith("model.")}}
        anew = {"values": values, "model": model, "problems": [], "guesses": without(r.guesses, settings)}
        point = Reading(**(vars(r) | anew))
        if start is not None:
            return changed(start, point, settings)
        settle(point)
        if point.problems:
            raise InputError(list(dict.fromkeys(point.problems)))
        return from_reading(point, named=named)

    @cached_property
    def _start(self) -> Known | None:
        return known(self.reading)


def template(text: str, where: str, base_dir: Path, overrides: list[str]) -> tuple[Template, list]:
    """Template of a config text with overrides, and what is wrong with it."""
    r = gather(parse_toml(text, where), where, base_dir, overrides)
    return Template(replace(r, tables={})), r.problems


def row_of(key: str) -> Key:
    """The row of a key that an axis sets."""
    section, _, name = key.rpartition(".")
    if section == "model":
        return model_key(name)
    return find_key(section, name) or Key(name, "text", "", "")


def overrides(settings: Settings) -> list[str]:
    """Settings {key: SI or word} as overrides of a config: section.key=value."""
    return [text_of(key, value, row_of(key)) for key, value in settings.items()]


def config_at(sweep: Sweep, point: int) -> Config:
    """The config of a point of a sweep, from the file alone. Raises InputError where its settings contradict."""
    return parse_config(sweep.base_text, f"point {point} of the sweep", overrides=overrides(sweep.at(point)))
