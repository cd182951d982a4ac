"""The shape of a mill in mm as its config says it, and what a drawing must assume beyond that. No matplotlib.

Assumed: the hub, where bars, pins and sieve stand along the shaft, where feed comes in, the form of bevel and teeth.
"""

import math
from dataclasses import dataclass

import numpy as np

from ...base.numerics import psd
from ...mill.config.mill import Config
from ...mill.config.sections import FeedSize

MM = 1e3  # mm per m
_ROUND = math.pi / (2.0 * math.sqrt(3.0))  # open share of round holes in a 60 degree stagger at hole = pitch


@dataclass(frozen=True)
class Shape:
    """Lengths in mm, angles in degrees against the clock from the right; 0 where the mill has no such part."""

    tip: float  # radius of the bar tips
    bars: int
    height: float  # of the rotor, along the shaft
    rings: int
    ring: float  # height of one ring of bars
    spacing: float  # between rings
    staggered: bool  # each ring is turned against the last
    thickness: float  # of the bars, along the circle
    edges: tuple[tuple[str, float], ...]  # (kind, share of the length)
    pivot: float  # radius of the hammer pivots
    pivot_pin: float  # diameter
    pivot_pin_given: bool  # else assumed
    hub: float  # radius, assumed
    shaft: float  # diameter
    gap: float
    pins: int
    pin: float  # diameter
    free_length: float
    both_ends: bool  # pins held at both ends
    threaded: bool  # the pins are screws
    sieve: float  # radius of the sieve's inner face
    share: float  # of the periphery that is sieve, 0..1
    sieve_width: float  # along the shaft
    hole: float
    pitch: float  # hole centre to hole centre
    plate: float  # thickness of plate, mesh or thread
    mesh: bool  # woven, of wires or threads
    cloth: bool
    opening: float  # diameter of the feed opening
    largest: float
    median: float
    clearance: float  # from the bars to back wall and cover, assumed

    @property
    def wall(self) -> float:
        """Radius of the smooth wall or of the circle that the pins touch from outside."""
        return self.tip + self.gap

    @property
    def tool(self) -> str:
        """What the rotor hits with."""
        return "hammer" if self.pivot else "bar"

    @property
    def pin_circle(self) -> float:
        """Radius of the circle of the pin centres."""
        return self.wall + self.pin / 2

    @property
    def widest(self) -> float:
        """Radius of the circle that holds all that is drawn in the front view."""
        rotor = max(math.hypot(self.tip, self.thickness / 2), self.hub, self.pivot + self.eye)
        return max(self.sieve + self.plate, self.opening / 2, rotor)

    @property
    def width(self) -> float:
        """Inner width of the chamber from back wall to cover, assumed."""
        pins = self.free_length + (0.0 if self.both_ends else self.clearance)
        return max(self.height + 2 * self.clearance, pins * bool(self.pins), self.sieve_width)

    @property
    def pins_from(self) -> float:
        """Where along the shaft the free length of the pins begins, from the back wall."""
        return (self.width - self.free_length) / 2 if self.both_ends else 0.0

    @property
    def eye(self) -> float:
        """Radius of the eye of a hammer round its pin, assumed; seen where the hammer is thinner than that."""
        return 0.85 * self.pivot_pin

    @property
    def root(self) -> float:
        """Radius at which the bars begin: the hub, or inside the pivots."""
        return max(self.pivot - self.thickness / 2, 0.0) if self.pivot else self.hub

    def pin_angles(self) -> np.ndarray:
        """(pins,) [degrees]; the gap is dimensioned at GAP_ANGLE, midway between two of them."""
        return GAP_ANGLE + (np.arange(self.pins) + 0.5) * 360.0 / max(self.pins, 1)

    def bar_edge(self, bar: int) -> str:
        """Kind of edge a bar is drawn with: each on about its share of the bars, the most frequent kind first."""
        kinds = sorted(self.edges, key=lambda e: -e[1])
        upto = np.cumsum([share for _, share in kinds])
        return kinds[min(int(np.searchsorted(upto, (bar + 0.5) / self.bars)), len(kinds) - 1)][0]

    def turn(self, ring: int) -> float:
        """By how much a ring is turned against the first [degrees]."""
        return ring * 360.0 / (self.bars * self.rings) if self.staggered else 0.0

    def bar_angles(self) -> np.ndarray:
        """(bars,) [degrees]; the first stands across a pin where there are pins, half a bar step below GAP_ANGLE."""
        first = GAP_ANGLE - 180.0 / self.bars
        if self.pins:
            first = nearest(self.pin_angles(), first)
        return first + np.arange(self.bars) * 360.0 / self.bars


GAP_ANGLE = 45.0


def apart(degrees: np.ndarray, other: float) -> np.ndarray:
    """How far angles lie from another, 0 to 180 degrees."""
    return np.abs((np.asarray(degrees) - other + 180.0) % 360.0 - 180.0)


def nearest(degrees: np.ndarray, other: float) -> float:
    """The one of some angles that lies nearest to another; of two alike the first."""
    return float(degrees[np.argmin(np.round(apart(degrees, other), 6))])


def shape_of(config: Config) -> Shape:
    """The shape of a mill; derived are the sieve's share of the periphery, and a pitch that is not given."""
    r, s, v, f = config.rotor, config.stator, config.sieve, config.feed
    shaft = config.shaft.diameter_m or 0.0
    pins = s.pins if s.kind == "pins" else 0
    pin = s.pin_diameter_m if pins else 0.0
    sieve = r.radius_m + s.gap_m + pin
    told = v.angle_rad / (2.0 * math.pi) if v.angle_rad is not None else v.share
    share = told or v.area_m2 / (2 * math.pi * sieve * r.height_m)
    wide = v.area_m2 / (2 * math.pi * sieve * told) if told else max(1.0, share) * r.height_m
    pivot = (r.pivot_radius_m or 0.0) if r.mount == "swinging" else 0.0
    pivot_pin = r.pivot_pin_diameter_m or min(0.4 * r.bar_thickness_m, 0.8 * (r.radius_m - pivot))
    disc = min(pivot + 0.6 * max(r.bar_thickness_m, pivot_pin), 0.5 * (pivot + r.radius_m)) if pivot else 0.0
    boss = min(0.7 * shaft, 0.5 * (shaft / 2 + r.radius_m))
    return Shape(
        tip=r.radius_m * MM, bars=r.bars, height=r.height_m * MM, rings=r.ring_count, ring=r.bar_height_m * MM,
        spacing=(r.ring_spacing_m or 0.0) * MM, staggered=r.staggered, thickness=r.bar_thickness_m * MM, edges=r.edges,
        pivot=pivot * MM, pivot_pin=pivot_pin * MM * bool(pivot), pivot_pin_given=r.pivot_pin_diameter_m is not None,
        hub=max(config.model.value("hub_share") * r.radius_m, disc, boss) * MM, shaft=shaft * MM,
        gap=s.gap_m * MM, pins=pins, pin=pin * MM, free_length=s.free_length_m * MM * bool(pins),
        both_ends=s.held == "both ends", threaded=bool(s.threaded),
        sieve=sieve * MM, share=min(1.0, share), sieve_width=wide * MM,
        hole=v.hole_m * MM, pitch=_pitch(config) * MM, plate=(v.thickness_m or 0.0) * MM, mesh=v.woven,
        cloth=v.kind == "cloth",
        opening=f.opening_m * MM, largest=f.size.top_m * MM, median=median_feed(f.size) * MM,
        clearance=0.02 * max(2 * r.radius_m, r.height_m) * MM,
    )  # fmt: skip


def _pitch(config: Config) -> float:
    """Hole centre to hole centre [m]: as given, else from the open share."""
    v = config.sieve
    if v.woven:
        wire = v.wire_m or v.thread_m
        return v.hole_m + wire if wire else v.hole_m / math.sqrt(v.open_fraction)
    return v.pitch_m or v.hole_m * math.sqrt(_ROUND / v.open_fraction)


def median_feed(size: FeedSize) -> float:
    """Size [m] that half of the feed mass is finer than; of a table the finest sieve where more passes it."""
    known = size.size_m if size.kind == "single" else size.x50_m  # the latter of a log-normal law
    if known is not None:
        return known
    if size.x63_m is not None and size.n is not None:
        return psd.rrsb_x(0.5, size.x63_m, size.n)
    return float(np.exp(np.interp(0.5, size.sheet_q3, np.log(size.sheet_apertures_m))))


def bar_outline(shape: Shape, edge: str = "") -> np.ndarray:
    """(k, 2) outline of one bar that points up, its leading side to the right; the tip is turned to the tip circle.

    edge: its kind, that of the first bar unless told. Bevelled: the tip falls back behind the leading edge. Toothed:
    notches in the leading side. Both are drawn freely.
    """
    R, t, root = shape.tip, shape.thickness, min(shape.root, 0.9 * shape.tip)
    half = t / 2
    across = np.linspace(-half, half, 17)
    tip = np.sqrt(R * R - across**2) if t < 2 * R else np.full(17, R)
    edge = edge or shape.bar_edge(0)
    if edge == "bevelled":
        drop = min(0.45 * t, 0.4 * (R - root))
        tip = tip - drop * (half - across) / t
    points = [(-half, root), *zip(across, tip, strict=True)]
    if edge == "toothed":
        depth = min(0.25 * t, 0.1 * (R - root))
        step = min(0.45 * t, 0.2 * (R - root))
        points.append((half, tip[-1] - 0.3 * step))
        for _ in range(3):
            y = points[-1][1]
            points += [(half - depth, y - step / 2), (half, y - step)]
    return np.array([*points, (half, root)])


def turned(points: np.ndarray, degrees: float) -> np.ndarray:
    """(k, 2) points that stood upright, turned to stand at an angle from the right."""
    a = math.radians(degrees - 90.0)
    return points @ np.array([[math.cos(a), math.sin(a)], [-math.sin(a), math.cos(a)]])
