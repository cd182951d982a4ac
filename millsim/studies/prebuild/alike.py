"""What a config may give that no law tells apart from something else: said once, so that nobody tunes it."""

import math

from ...mill.config.mill import Config


def not_told_apart(config: Config) -> list[str]:
    """What is given and makes no difference to a prediction, each as "this from that"."""
    return [*_of_rotor(config), *_of_wall(config)]


def _of_rotor(config: Config) -> list[str]:
    r, found = config.rotor, []
    if r.ring_count > 1 and r.ring_offset is not None:
        if r.mount == "swinging":
            found.append("rings of hammers in line from staggered ones (each swings by itself)")
        elif config.stator.kind == "smooth":
            found.append("rings in line from staggered ones (nothing is sheared at a smooth wall; only dust feels it)")
    if r.ring_count > 1:
        found.append("the ring where the feed falls in from the others (pieces mix along the shaft within a second)")
    if len(r.edges) > 1:
        found.append("which bars, or which part of a bar, have which edge")
    return found


def _of_wall(config: Config) -> list[str]:
    s, found = config.sieve, []
    if config.stator.pin_layout is not None and config.stator.kind == "pins":
        found.append("pins in a spiral from pins in a ring")
    share = s.angle_rad / (2.0 * math.pi) if s.angle_rad is not None else s.share
    if share is not None and share < 1.0:
        found.append("a sieve below from one above or beside the rotor")
    if s.kind == "cloth":
        found.append("a slack cloth from a taut one, and threads that shift from threads that do not")
    return found
