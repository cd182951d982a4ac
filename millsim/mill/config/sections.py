"""The sections of a mill config as frozen dataclasses in SI; `mill.Config` holds one of each."""

from dataclasses import dataclass, replace
from pathlib import Path
from typing import NamedTuple

from . import derived


@dataclass(frozen=True)
class Rotor:
    """The rotor: bars or swinging hammers. What follows `pivot_radius_m` is for the pre-build review."""

    radius_m: float
    bars: int  # in each ring
    bar_height_m: float
    bar_thickness_m: float
    edge: str
    blunt_share: float | None
    bevelled_share: float | None
    toothed_share: float | None
    edge_radius_m: float | None  # measured, of `edge`
    edge_radius_error: float | None
    rings: int | None
    ring_spacing_m: float | None
    ring_offset: str | None
    mount: str
    mass_kg: float | None
    hammer_mass_kg: float | None
    pivot_radius_m: float | None
    pivot_pin_diameter_m: float | None
    hammer_thickness_m: float | None  # at the eye, along the pin
    material: str | None
    yield_strength_Pa: float | None
    run_out_m: float | None
    balance_grade: float | None  # G of ISO 21940-11, mm/s
    edges: tuple[tuple[str, float], ...]  # (kind, share of the edge length) of those that there are

    @property
    def main_edge(self) -> str:
        """The edge that `edge` names, or the one most of the length has where the others take all of it."""
        shares = dict(self.edges)
        return self.edge if self.edge in shares else max(shares, key=lambda kind: shares[kind])

    @property
    def ring_count(self) -> int:
        """Rings of bars along the shaft."""
        return self.rings or 1

    @property
    def bars_in_all(self) -> int:
        """Bars of all rings."""
        return self.bars * self.ring_count

    @property
    def height_m(self) -> float:
        """Height of the rotor [m]: all rings and what is free between them."""
        return derived.rotor_height(self.rings, self.bar_height_m, self.ring_spacing_m)

    @property
    def staggered(self) -> bool:
        """Whether the rings are turned against each other, so that one bar after the other passes a pin."""
        return self.ring_count > 1 and self.ring_offset == "staggered"


@dataclass(frozen=True)
class Shaft:
    """The shaft beside the rotor, where told; for the pre-build review."""

    diameter_m: float | None
    overhang_m: float | None
    bearing_span_m: float | None


@dataclass(frozen=True)
class Stator:
    """The wall: pins (0 when smooth) and the gap to the bar tips. What follows `gap_m` is for the pre-build review."""

    kind: str
    pins: int
    pin_diameter_m: float
    free_length_m: float
    gap_m: float
    held: str | None
    pin_layout: str | None
    threaded: bool | None
    yield_strength_Pa: float | None


@dataclass(frozen=True)
class Sieve:
    """The sieve at the wall; pitch of a plate, wire of a mesh, thread of a cloth, where known."""

    kind: str
    hole_m: float
    pitch_m: float | None
    wire_m: float | None
    thread_m: float | None
    thread_of: str | None
    sag_m: float | None
    thickness_m: float
    open_fraction: float
    area_m2: float
    angle_rad: float | None
    share: float | None
    height_m: float | None

    @property
    def woven(self) -> bool:
        """Whether it is of wires or threads, without a sheet."""
        return self.kind != "plate"


@dataclass(frozen=True)
class Drive:
    """The motor; the curve is shaft power against speed, empty when not given.

    kind: None or "motor", or the hand tool that it is. What follows `phase_control` is for the pre-build review.
    """

    kind: str | None
    rated_power_W: float
    rated_at: str
    efficiency: float
    speed_rad_s: float  # without load
    curve_power_W: tuple[float, ...]
    curve_speed_rad_s: tuple[float, ...]
    regulated: bool | None
    no_load_power_W: float | None  # at the socket, nothing on shaft or collet
    no_load_speed_rad_s: float | None  # where that was read
    overload: float
    phase_control: bool | None
    dial_rad_s: tuple[float, ...]  # speed at each step
    rotor_on: str | None
    rated_diameter_m: float | None
    rated_mass_kg: float | None
    side_load_N: float | None
    rated_for_s: float | None
    duty_share: float | None
    brake: bool | None

    @property
    def is_tool(self) -> bool:
        """Whether it is a hand tool, made to turn cutters and discs."""
        return self.kind not in (None, "motor")

    @property
    def shaft_rated_W(self) -> float:
        """Continuous power at the shaft [W]."""
        return derived.shaft_rated(self.rated_power_W, self.rated_at, self.efficiency)


@dataclass(frozen=True)
class Air:
    """What moves, filters and cools the air."""

    fan: bool
    inlet_area_m2: float
    filter_area_m2: float | None
    blower_pressure_Pa: float
    recirculated: float
    cooler_outlet_K: float | None
    room_K: float


@dataclass(frozen=True)
class Casing:
    """The body that warms up with the charge."""

    mass_kg: float
    material: str


@dataclass(frozen=True)
class Guard:
    """The wall between rotor and people, where told; for the pre-build review."""

    material: str | None
    thickness_m: float | None


@dataclass(frozen=True)
class FeedSize:
    """Size distribution of the feed by mass; a table or another mill's product counts as a sieve sheet."""

    kind: str  # single, rrsb, lognormal, sieve_sheet
    size_m: float | None
    x63_m: float | None
    n: float | None
    x50_m: float | None
    sigma: float | None
    sheet_path: Path | None
    sheet_apertures_m: tuple[float, ...]
    sheet_q3: tuple[float, ...]
    largest_m: float  # the single size, else the size 95 % is finer than: what the feed's coarse end is like
    top_m: float  # the largest piece there may be: what breaks a pin


class Batch(NamedTuple):
    """A charge that is filled in once, and how long it is milled."""

    mass_kg: float
    time_s: float


@dataclass(frozen=True)
class Feed:
    """What goes in; both rate and batch mass None means as much as the mill takes. By hand: the rate is the mean."""

    material: str  # label of the card; the card itself is Config.material
    temperature_K: float
    rate_kg_s: float | None
    batch_mass_kg: float | None
    batch_time_s: float | None
    handful_kg: float | None
    every_s: float | None
    opening_m: float
    size: FeedSize

    def steady(self, size: FeedSize | None = None) -> "Feed":
        """The same feed, or one of another size, as fast as the mill can grind: no batch and nothing by hand."""
        return replace(
            self, size=size or self.size, rate_kg_s=None, batch_mass_kg=None, batch_time_s=None, handful_kg=None,
            every_s=None,
        )  # fmt: skip

    @property
    def batch(self) -> Batch | None:
        """The batch, where one is asked for."""
        mass, time = self.batch_mass_kg, self.batch_time_s
        return Batch(mass, time) if mass is not None and time is not None else None


@dataclass(frozen=True)
class Limits:
    """Limits the user sets."""

    outlet_temperature_K: float | None


@dataclass(frozen=True)
class Day:
    """A day of production, where told; for `millsim day` only, which takes usual values for the rest."""

    hours_s: float | None
    start_s: float | None
    stop_s: float | None
    pause_s: float | None
    pause_after_s: float | None
    hopper_kg: float | None
    bag_m3: float | None
    bag_change_s: float | None
    filter_every_s: float | None
    filter_cleaning_s: float | None
    sieve_every_s: float | None
    sieve_cleaning_s: float | None
    dust_share: float | None


@dataclass(frozen=True)
class Run:
    """How to compute."""

    engine: str
    seed: int | None
    histories: int
    x50_error: float
    class_ratio: float
    tolerance: float
    band_samples: int
    trace: bool
