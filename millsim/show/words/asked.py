"""What `millsim new` says of a whole mill: its numbers beside a scaled line, what was written, what costs most."""

import math
from collections.abc import Sequence
from pathlib import Path

from ...base.quantities.units import readable
from ...base.quantities.written import digits, wrap
from ...mill.config.mill import Config
from ...studies.drawing import derived
from ...studies.guesses import Cost
from .guesses import LITTLE, config_json, measure_lines

MOST_COSTLY = 5  # guesses that are named at the end
_WIDTH = 44  # characters of the sketch, axis to the sieve


def sketch(config: Config) -> list[str]:
    """The mill in a scaled line and the numbers that follow from the answers, in which a slip shows."""
    r, st, sv = config.rotor, config.stator, config.sieve
    found = {name: s.value for name, s in derived(config).items()}
    pin = st.pin_diameter_m if st.kind == "pins" else 0.0
    whole = r.radius_m + st.gap_m + pin
    rotor, gap, wall = (round(_WIDTH * x / whole) for x in (r.radius_m, st.gap_m, pin))
    rows = [
        f"axis o{'=' * max(rotor, 1)}{'.' * gap}{'#' * wall}|   to scale: bar, gap, wall",
        f"rotor {_mm(2 * r.radius_m)} across, {_mm(r.height_m)} high; gap {_mm(st.gap_m)}",
        f"tips at {digits(found['tip_speed_m_s'])} m/s, {digits(found['speed_rad_s'] * 30 / math.pi, 4)} rpm; "
        f"{digits(found['bar_passes_1_s'])} bars a second pass a point of the wall",
    ]
    if st.kind == "pins" and st.pins:
        free = 2.0 * math.pi * (r.radius_m + st.gap_m + pin / 2.0) / st.pins - pin
        rows.append(f"{st.pins} pins of {_mm(pin)}, {digits(1e3 * free)} mm free between two")
    rows.append(
        f"sieve {digits(sv.area_m2 * 1e4)} cm2, {_share(sv.area_m2, 2.0 * math.pi * whole * r.height_m)} of the wall "
        f"around the rotor; {100 * sv.open_fraction:.0f} % open, about {digits(found['holes'], 2)} holes"
    )
    return [f"  {row}" for row in rows]


def _mm(size_m: float) -> str:
    return readable(size_m, "mm")


def _share(part: float, whole: float) -> str:
    return f"{digits(100.0 * part / whole, 2)} %"


def end_text(file: Path, drawing: Path, config: Config, costs: Sequence[Cost]) -> str:
    """What was written, which guess costs most, and what comes next."""
    found = config.guesses.parameters if config.guesses else ()
    many = f"{len(found)} guess{'es' if len(found) > 1 else ''} in it" if found else "no guess in it"
    lines = wrap(f"Written: {file} ({many}), and the mill to scale in {drawing}.")
    if costly := measure_lines(found, costs, MOST_COSTLY):
        lines += ["What costs most among the guesses, alone over its range, and how to measure it:"]
        lines += [line for text in costly for line in wrap(text, "  ")]
    elif any(c.folds for c in costs):
        lines += wrap(LITTLE)
    elif found:
        lines += wrap("As guessed it does not run, so which guess costs most cannot be told yet.")
    return "\n".join([*lines, *wrap(f"Next: `millsim check {file}`, then `millsim predict {file}`.")])


def end_json(file: Path, drawing: Path, config: Config, costs: Sequence[Cost]) -> dict:
    """The same as plain JSON types."""
    told = {"status": "ok", "file": str(file), "drawing": str(drawing), "config_sha256": config.sha256}
    return {**told, "guessed": config_json(config, costs)}
