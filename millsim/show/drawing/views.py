"""Front view and section of a mill, drawn into a View. Imports matplotlib (through `drawing_parts`).

Colour tells the part, never alone: the rotor is blue, pins orange with hatching, the sieve red and dashed, feed green;
what the config does not say is grey and dotted.
"""

import math

import numpy as np
from matplotlib.patheffects import withStroke

from ...base.quantities.units import readable
from ...base.quantities.written import digits
from ..plots.style import BLACK, BLUE, GREEN, GREY, ORANGE, RED
from .board import CENTRE_LINE, FIRM, HIDDEN, LINE_MM, THIN, Look, Sheet, View
from .shape import GAP_ANGLE, Shape, bar_outline, nearest, turned

ROTOR, STATOR, SIEVE, FEED = "#a9d0ec", "#f6dca6", "#f0c3a5", "#cfeadf"  # tints of blue, orange, red, green
DOTTED = (0, (1.2, 1.6))
WALL_MM = 2.5  # of paper: walls of the casing, assumed
SMALL_MM = 12.0  # of paper: a rotor below this radius has no room for arrows inside
STUB_MM = 7.0  # of paper: how far shaft and feed tube are shown
LEFT_MM, RIGHT_MM = WALL_MM + STUB_MM + 15.0, WALL_MM + STUB_MM + 9.0  # beside the section
_ASSUMED: Look = {"edgecolor": GREY, "facecolor": "#eeeeee", "lw": 0.8, "ls": DOTTED}


def mm(value: float) -> str:
    """A length in mm as text, to four digits."""
    return readable(value / 1e3, "mm")


def front(view: View, shape: Shape, left: float, right: float) -> None:
    """The mill seen along its shaft with the cover off; its labels stand between x = left and right of the sheet."""
    share = 180.0 * shape.share
    view.arc(shape.sieve, 270 - share, 270 + share, edgecolor=RED, lw=2.2, ls=(0, (2.4, 1.2)), label="sieve")
    if shape.share < 1:
        casing = {"edgecolor": GREY, "ls": DOTTED, "lw": 1.6, "label": "casing"}
        wall = {"edgecolor": ORANGE, "lw": 1.6, "label": "wall"}
        view.arc(shape.sieve, 270 + share, 630 - share, **casing if shape.pins else wall)
        for angle in (270 - share, 270 + share):
            view.sheet.line((view.polar(shape.sieve, angle, -1.5), view.polar(shape.sieve, angle, 1.5)), lw=FIRM)
    for angle in shape.pin_angles():
        _pin(view, shape, on_circle(shape.pin_circle, angle))
    if shape.pins:
        view.circle(shape.wall, lw=THIN, ls=HIDDEN, label="gap circle", zorder=3)
    view.circle(shape.tip, lw=THIN, ls=CENTRE_LINE, label="tip circle", zorder=3)
    _rotor(view, shape)
    view.circle(shape.opening / 2, edgecolor=GREEN, lw=1.4, ls=HIDDEN, label="feed opening", zorder=5)
    for x, y in ((1, 0), (0, 1)):
        reach = shape.widest + 2.0 / view.scale
        view.line((-reach * x, -reach * y), (reach * x, reach * y), ls=CENTRE_LINE, color=BLACK, zorder=2, lw=0.4)
    _turning(view, shape)
    _front_labels(view, shape, left, right)


def on_circle(radius: float, degrees: float) -> np.ndarray:
    """(2,) point of a circle round the origin."""
    return radius * np.array([math.cos(math.radians(degrees)), math.sin(math.radians(degrees))])


def _pin(view: View, shape: Shape, at: np.ndarray) -> None:
    width = min(FIRM, 0.6 * shape.pin * view.scale)
    hatch = "////" if shape.pin * view.scale > 3 else ""
    view.circle(shape.pin / 2, at, facecolor=STATOR, lw=width, hatch=hatch, label="pin", zorder=4)


def _rotor(view: View, shape: Shape) -> None:
    """Hub, bars or hammers with their pivots, shaft."""
    outlines = [bar_outline(shape, shape.bar_edge(i)) for i in range(shape.bars)]
    width = min(FIRM, max(0.25, 0.4 * shape.thickness * view.scale))
    for ring in range(1, shape.rings if shape.staggered else 1):
        for outline, angle in zip(outlines, shape.bar_angles() + shape.turn(ring), strict=True):
            view.polygon(turned(outline, angle), facecolor="white", edgecolor=BLUE, lw=0.5, label="ring", zorder=2.5)
    view.circle(shape.hub, **_ASSUMED, label="hub", zorder=3)
    for outline, angle in zip(outlines, shape.bar_angles(), strict=True):
        at = on_circle(shape.pivot, angle)
        if shape.eye > shape.thickness / 2:
            view.circle(shape.eye, at, **_ASSUMED, label="eye", zorder=3.5)
        view.polygon(turned(outline, angle), facecolor=ROTOR, lw=width, label="bar", zorder=4)
        if shape.pivot:
            look = {"facecolor": "white", "lw": 0.8, "edgecolor": BLACK if shape.pivot_pin_given else GREY}
            view.circle(shape.pivot_pin / 2, at, **look, label="pivot", zorder=4.5)
    if shape.shaft:
        view.circle(shape.shaft / 2, facecolor="white", hatch="\\\\\\\\", label="shaft", zorder=4.5)


def _turning(view: View, shape: Shape) -> None:
    """The arrow of rotation, with the clock; between two bars, or outside where the rotor is too small."""
    radius = (0.72 * shape.pivot if shape.pivot else 0.62 * shape.tip) * view.scale
    middle = nearest(shape.bar_angles() + 180.0 / shape.bars, 135.0)
    if radius < 9.0:
        radius, middle = shape.widest * view.scale + 3.0, 180.0
    half = math.degrees(min(7.0 / radius, 0.9))
    first, last = (math.radians(middle + s * half) for s in (1, -1))
    points = [(view.x + radius * math.cos(a), view.y + radius * math.sin(a)) for a in np.linspace(first, last, 25)]
    white = [withStroke(linewidth=4.5, foreground="white")]
    view.sheet.line(points[:-4], lw=4.5, color="white", zorder=7.4)
    view.sheet.line(points[:-1], lw=1.8, color=BLUE, zorder=7.5)
    view.sheet.arrow(points[-4], points[-1], lw=1.8, color=BLUE, zorder=7.6, mutation_scale=13, path_effects=white)


def _front_labels(view: View, shape: Shape, left: float, right: float) -> None:
    """Four labels in the corners round the circle with their leaders, and a line below."""
    sheet, reach = view.sheet, shape.widest * view.scale
    top, bottom = view.y + reach + 3.5, view.y - reach - 3.5
    _gap_label(view, shape, right, top)
    if shape.pins:
        number = f"{shape.pins} {'screw' if shape.threaded else 'pin'}{'s' * (shape.pins > 1)} Ø {mm(shape.pin)}"
        lines = (number, f"on a circle Ø {mm(2 * shape.pin_circle)}")
        target = view.polar(shape.pin_circle, nearest(shape.pin_angles(), 128.0), 0.5 * shape.pin * view.scale)
    else:
        lines, target = ("smooth wall", f"Ø {mm(2 * shape.wall)}"), view.polar(shape.wall, 128.0)
    sheet.lines(left, top + 2 * LINE_MM, lines)
    sheet.leader((left + 16, top - 0.5), target)
    _bar_label(view, shape, left, bottom)
    lines = (f"sieve {digits(360 * shape.share)}°", f"{digits(100 * shape.share)} % of the periphery")
    sheet.lines(right, bottom, lines, "right")
    sheet.leader((right - 12, bottom + 0.5), view.polar(shape.sieve, 270 + min(48.0, 150.0 * shape.share)))
    words = f"dashed: feed opening Ø {mm(shape.opening)}, place assumed"
    sheet.lines((left + right) / 2, bottom - 3 * LINE_MM - 1.0, [words], "center")


def _gap_label(view: View, shape: Shape, right: float, top: float) -> None:
    """The gap on a ray that meets neither bar nor pin, where few of them leave room."""
    sheet, paper = view.sheet, shape.gap * view.scale
    inner, outer = (view.polar(r, GAP_ANGLE) for r in (shape.tip, shape.wall))
    far = view.polar(shape.widest, GAP_ANGLE, 2.0)
    sheet.lines(right, top + 2 * LINE_MM, gap_words(shape), "right")
    if paper >= 6.0:
        sheet.line(((right - 10, top - 0.5), far, outer))
        sheet.span(inner, outer)
        return
    sheet.leader((right - 10, top - 0.5), far, outer)
    if shape.tip * view.scale >= SMALL_MM:
        sheet.leader(view.polar(shape.tip, GAP_ANGLE, -5.0), inner)


def gap_words(shape: Shape) -> tuple[str, str]:
    """The gap in two lines."""
    return f"gap {mm(shape.gap)}", f"{shape.tool} tip to {'pin' if shape.pins else 'wall'}"


def _bar_label(view: View, shape: Shape, left: float, bottom: float) -> None:
    """Number, thickness and edge of the bars, with two arrows across one of them."""
    bars = f"{shape.bars} {shape.tool}{'s' * (shape.bars > 1)}"
    turned_rings = f"{shape.rings} {'staggered ' * shape.staggered}rings of {bars}"
    lines = [f"{turned_rings if shape.rings > 1 else bars}, {mm(shape.thickness)} thick", *_edge_lines(shape)]
    pin = f" Ø {mm(shape.pivot_pin)}" if shape.pivot_pin_given else ""
    lines += [f"pivots{pin} at radius {mm(shape.pivot)}"] * bool(shape.pivot)
    view.sheet.lines(left, bottom, lines)
    angle = nearest(shape.bar_angles(), 210.0)
    label = np.array([left + 14.0, bottom + 0.5])
    if shape.tip * view.scale < SMALL_MM:
        view.sheet.leader(tuple(label), view.polar(0.9 * shape.tip, angle))
        return
    at = np.array(view.polar(shape.root + 0.6 * (shape.tip - shape.root), angle))
    side = on_circle(1.0, angle + 90.0)
    side = side if side @ (label - at) > 0 else -side
    half = 0.5 * shape.thickness * view.scale
    near, far, tail, other = (tuple(at + k * side) for k in (half, -half, half + 4.0, -half - 4.0))
    view.sheet.leader(tuple(label), tail, near)
    view.sheet.leader(other, far)


def _edge_lines(shape: Shape) -> list[str]:
    """The edges in one line, of several kinds in two."""
    if len(shape.edges) == 1:
        return [f"{shape.edges[0][0]} leading edge"]
    first, *others = (f"{digits(100.0 * share)} % {kind}" for kind, share in reversed(shape.edges))
    return [f"edges {first},", ", ".join(others)]


def section(view: View, shape: Shape) -> None:
    """The mill cut along its shaft, which lies level; the origin is on the axis, at the back wall."""
    W, start = shape.width, (shape.width - shape.height) / 2
    walls = WALL_MM / view.scale
    _casing(view, shape, walls)
    view.box(start, -shape.hub, start + shape.height, shape.hub, **_ASSUMED, label="hub")
    for ring in range(shape.rings):
        _ring(view, shape, start + ring * (shape.ring + shape.spacing), ring)
    for side in (1, -1)[: min(shape.pins, 2)]:
        inner, outer = side * shape.wall, side * (shape.wall + shape.pin)
        ends = (shape.pins_from, shape.pins_from + shape.free_length)
        view.box(-walls, inner, ends[0], outer, **_ASSUMED, label="pin root")
        if shape.both_ends:
            view.box(ends[1], inner, W + walls, outer, **_ASSUMED, label="pin root")
        hatch = "////" if shape.pin * view.scale > 3 else ""
        view.box(ends[0], inner, ends[1], outer, facecolor=STATOR, hatch=hatch, lw=0.8, label="pin side", zorder=4)
    for side in (-1, 1)[: 1 if shape.share < 1 else 2]:
        middle = start + shape.height / 2
        ends = (middle - shape.sieve_width / 2, middle + shape.sieve_width / 2)
        view.box(ends[0], side * shape.sieve, ends[1], side * (shape.sieve + shape.plate), facecolor=SIEVE,
                 edgecolor=RED, lw=1.2, ls=(0, (2.4, 1.2)), label="sieve side", zorder=4)  # fmt: skip
    stub = STUB_MM / view.scale + walls
    if shape.shaft:
        view.box(-stub, -shape.shaft / 2, start + shape.height, shape.shaft / 2, facecolor="white", label="shaft side")
    view.line((-stub - 2 / view.scale, 0), (W + stub + 2 / view.scale, 0), ls=CENTRE_LINE, lw=0.4, zorder=5)
    _section_labels(view, shape, start)


def _ring(view: View, shape: Shape, start: float, ring: int) -> None:
    """One ring of bars in the section; bars of a ring that is turned are seen behind it, as long as they look there."""
    end, pin = start + shape.ring, shape.pivot_pin / 2
    seen = abs(math.cos(math.radians(shape.turn(ring)))) if shape.bars <= 2 else 1.0
    look = {"facecolor": ROTOR} if shape.turn(ring) == 0.0 else {"facecolor": "white", "edgecolor": BLUE, "lw": 0.8}
    for side in (1, -1)[: 1 if shape.bars == 1 else 2]:
        at = side * shape.pivot
        if shape.eye > shape.thickness / 2:
            view.box(start, at - shape.eye, end, at + shape.eye, **_ASSUMED, label="eye side")
        tip = side * max(shape.root + 0.02 * shape.tip, shape.tip * seen)
        view.box(start, side * shape.root, end, tip, **look, label="bar side")
        if shape.pivot:
            view.box(start, at - pin, end, at + pin, facecolor="white", lw=0.6, ls=HIDDEN, label="pivot side")


def _casing(view: View, shape: Shape, walls: float) -> None:
    """Back wall, cover with the feed opening, and what is not sieve of the periphery; all of it assumed."""
    W, high = shape.width, max(shape.sieve + shape.plate, shape.opening / 2 + 0.1 * shape.sieve)
    view.box(-walls, -high, 0, high, **_ASSUMED, label="back wall")
    half, stub = shape.opening / 2, STUB_MM / view.scale
    for side in (1, -1):
        view.box(W, side * half, W + walls, side * high, **_ASSUMED, label="cover")
        view.line((W, side * half), (W + walls + stub, side * half), color=GREEN, lw=1.4, ls=HIDDEN)
        view.line((0, side * shape.sieve), (W, side * shape.sieve), color=GREY, lw=0.8, ls=DOTTED)
    x, y = view.at(W + walls, 0)
    view.sheet.arrow((x + STUB_MM, y), (x + 1, y), color=GREEN, lw=1.6, mutation_scale=12)


def _section_labels(view: View, shape: Shape, start: float) -> None:
    """Dimension lines: bar height and free length above, sieve width below, diameters beside."""
    sheet, reach = view.sheet, shape.widest
    middle = view.at(shape.width / 2, 0)[0]
    words = f"{shape.tool} height {mm(shape.height)}"
    if shape.rings > 1:
        words = f"{shape.rings} rings of {mm(shape.ring)}, {mm(shape.height)} in all"
    rows = [(start, shape.height, shape.tip, words)]
    if shape.pins:
        words = f"pins' free length {mm(shape.free_length)}"
        rows.append((shape.pins_from, shape.free_length, shape.wall + shape.pin, words))
    for k, (x, length, radius, words) in enumerate(rows):
        _row(view, (x, x + length), radius, view.at(0, reach)[1] + 4.0 + 7.0 * k, words, middle)
    x = start + (shape.height - shape.sieve_width) / 2
    words = f"sieve width {digits(shape.sieve_width, 4)} mm"
    below = -shape.sieve - shape.plate
    _row(view, (x, x + shape.sieve_width), below, view.at(0, -reach)[1] - 4.0, words, middle)
    stub = view.at(0, 0)[0] - WALL_MM - STUB_MM
    if shape.shaft:
        _column(view, stub - 1.5, shape.shaft, "shaft")
    for end in (-shape.tip, shape.tip):
        at = view.at(start, end)
        sheet.line(((stub - 10.0, at[1]), at), lw=0.35)
    _column(view, stub - 8.5, 2 * shape.tip, "rotor")
    _column(view, view.at(shape.width, 0)[0] + WALL_MM + STUB_MM + 2.0, shape.opening, "feed opening", -1)


def _column(view: View, x: float, diameter: float, name: str, side: float = 1.0) -> None:
    """An upright dimension line of a diameter at the place x of the sheet."""
    low, high = (view.at(0, s * diameter / 2)[1] for s in (-1, 1))
    view.sheet.dimension((x, low), (x, high), f"{name} Ø {mm(diameter)}", side=side)


def _row(view: View, ends: tuple, radius: float, y: float, words: str, middle: float) -> None:
    """A level dimension line at the height y of the sheet, with extension lines from a radius of the section."""
    sheet: Sheet = view.sheet
    left, right = (view.at(x, 0)[0] for x in ends)
    for x in (left, right):
        sheet.line(((x, view.at(0, radius)[1]), (x, y + math.copysign(1.5, radius))), lw=0.35)
    sheet.dimension((left, y), (right, y), words, side=math.copysign(1.0, radius), at=middle)
