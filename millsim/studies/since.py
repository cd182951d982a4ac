"""What has changed since a prediction was made, in its config and its cards: by the rule of `mill/config/since.py`."""

import hashlib
from pathlib import Path

from ..base.quantities.params import Param
from ..base.reading.toml import flat, parse_toml
from ..errors import InputError
from ..mill.config.mill import Config, load_config, plain
from ..mill.config.since import NOT_FOUND, NOTHING_KEPT, PROGRAM, Since, changes, found, said, told, unreadable
from ..mill.problem import build
from ..record.prediction import Prediction
from ..version import MODEL_VERSION


def since(p: Prediction, place: Path) -> Since:
    """What has become of the config and the cards of a prediction. place: its file, beside which, and here, the
    config is looked for.
    """
    if not p.origin:
        return NOTHING_KEPT
    path = found(p.origin["file"], place)
    if path is None:
        return Since(NOT_FOUND, p.origin["file"])
    try:
        now = load_config(path, p.origin["settings"])
    except InputError as error:
        return unreadable(path, error)
    rows = [(path.name, row) for row in changes(_said(p.config_text), _said(now.text))]
    rows += _of_cards(p, now)
    if p.model_version != MODEL_VERSION:
        rows.append((PROGRAM, f"model version: {p.model_version} -> {MODEL_VERSION}"))
    if not rows and now.sha256 != p.config_sha256:
        rows.append((path.name, "what it says of the run"))
    return told(path, rows)


def _said(text: str) -> dict[str, str]:
    """What a resolved config says of the mill, its guesses and its parameters of the model."""
    own = flat({k: v for k, v in parse_toml(text, "").tables.items() if k in ("guessed", "model")})
    return said(text) | {key: str(value) for key, value in own.items()}


def _of_cards(p: Prediction, now: Config) -> list[tuple[str, str]]:
    """(file, what changed) of the calibration, and of parameters that cards give and no config does."""
    before, after = _calibration(p.config_text), _calibration(now.text)
    rows = [("the calibrated card", row) for row in changes(before, after)]
    problem = build(now)
    fitted = problem.calibration.fitted if problem.calibration else lambda _: None  # by its own card, told above
    old, new = ({q.name: q for q in x if fitted(q.name) is None} for x in (p.parameters, problem.parameters))
    tables = parse_toml(p.config_text, "").tables
    own = {*tables.get("model", {}), *now.model_overrides}
    both = [n for n, q in new.items() if n in old and n not in own and "." not in n and not q.source.startswith("[")]
    for row in changes({n: _value(old[n]) for n in both}, {n: _value(new[n]) for n in both}):
        of_material = row.partition(":")[0] in now.material
        rows.append((f"the card {tables['feed']['material']}" if of_material else PROGRAM, row))
    return rows


def _calibration(text: str) -> dict[str, str]:
    """The calibrated card in a resolved config, as a hash."""
    section = text.partition("\n[calibration]")[2]
    return {"calibration": hashlib.sha256(section.encode()).hexdigest()[:12]} if section else {}


def _value(q: Param) -> str:
    """A parameter with its range."""
    return f"{plain(q.value)} {q.unit} ({plain(q.low)} to {plain(q.high)})"
