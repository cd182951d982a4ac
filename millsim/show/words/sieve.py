"""A sieve sheet as a report in plain words."""

import math
from collections.abc import Sequence
from itertools import zip_longest

from ...base.quantities.written import digits, join_words, percent, sentence, table, wrap
from ...base.reading.cells import is_number, number
from ...base.reading.fits import (
    Finer,
    Fit,
    MeanSize,
    Percentile,
    best,
    fits,
    fitted,
    mean_sizes,
    percentile,
    scatter,
    share_between,
    span_of,
)
from ...base.reading.laser import repeats
from ...base.reading.sheet import SieveSheet
from .short import Short, said, table_part, whole

Window = tuple[float, float]  # m; 0 and inf where open
LAWS = {"rrsb": "RRSB", "lognormal": "log-normal", "ggs": "Gates-Gaudin-Schuhmann"}
_SIZE = {"rrsb": "x'", "lognormal": "x50", "ggs": "x_max"}
_SHAPE = {"rrsb": "n", "lognormal": "sigma", "ggs": "m"}
_MEANS = {"D[4,3]": "D[4,3], mean by mass", "D[3,2]": "D[3,2], Sauter"}
LOSS_SHOWN = 0.005  # from this loss on, sizes are given for both fates of what was lost
SHOWN_SHARE = 5e-5  # of the mass at an end: less is not worth a word
SETTLED, LIKELY = 0.95, 0.8  # probabilities from which B counts as finer, and as probably finer


def size_text(size_m: float) -> str:
    """A size to the micrometre."""
    if size_m < 1e-4:
        return f"{digits(size_m * 1e6)} µm"
    return f"{size_m * 1e3:.3f} mm" if size_m < 10e-3 else f"{size_m * 1e3:.1f} mm"


def percentile_text(x: Percentile) -> str:
    """A percentile, or the bound that the sieves give."""
    if x.low_m == x.high_m:
        return size_text(x.low_m)
    return f"< {size_text(x.high_m)}" if math.isfinite(x.high_m) else f"> {size_text(x.low_m)}"


def sheet_name(sheet: SieveSheet) -> str:
    """The file's name, or what stands for one."""
    return sheet.path.name if sheet.path else "sheet"


def report(sheet: SieveSheet, window: Window | None = None) -> str:
    """The report on one sheet: a sentence, the sheet as it was read, sizes, fits, cautions."""
    lines = wrap(f"{sheet_name(sheet)}: {_first_sentence(sheet)}")
    lines += ["", *wrap(f"Read as: {'. '.join(map(_capital, sheet.said))}."), "", *_table(sheet)]
    lines += ["", *closure] if (closure := _closure(sheet)) else []
    lines += ["", *_sizes(sheet), "", *_fits(sheet)]
    if window:
        lines += ["", *wrap(window_text(sheet, window))]
    if sheet.notes:
        lines += ["", *wrap(f"Noted on the sheet: {'; '.join(sheet.notes)}.")]
    for warning in sheet.warnings:
        lines += ["", *wrap(f"Caution: {warning}.")]
    return "\n".join(lines) + "\n"


def sieve_short(sheets: Sequence[SieveSheet], window: Window | None, finer: str) -> Short:
    """How it was read, what was lost, sizes, share in the window, doubts; finer: the answer to --against, or ""."""
    if len(sheets) > 1:
        parts = whole(replicates_report(sheets, window)).parts
        return Short((*parts, said(finer, 1)), "the rest", told_whole=True)
    s = sheets[0]
    told = [
        said(f"{sheet_name(s)}: {_first_sentence(s)}"),
        table_part(wrap(f"Read as: {'. '.join(map(_capital, s.said))}."), 2),
    ]
    told += [
        table_part(_closure(s), 2),
        table_part(_size_table(s), 1),
        said(window_text(s, window) if window else "", 1),
    ]
    told += [said(f"Caution: {w}.", 3) for w in s.warnings] + [said(finer, 1)]
    return Short(tuple(told), "the sheet as read, how mean sizes were taken, and fits of three laws")


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _first_sentence(sheet: SieveSheet) -> str:
    finest, coarsest = size_text(sheet.apertures_m[0]), size_text(sheet.apertures_m[-1])
    if sheet.q3[0] >= 1.0:
        return f"all of it is finer than the finest sieve: x10, x50 and x90 < {finest}. Use finer sieves."
    if sheet.q3[-1] <= 0.0:
        return f"none of it passes the coarsest sieve: x10, x50 and x90 > {coarsest}. Use coarser sieves."
    half, most = (percentile(sheet.apertures_m, sheet.q3, p) for p in (0.5, 0.9))
    middle = f"half of it by mass is finer than {size_text(half.x_m)}" if half.low_m == half.high_m else ""
    middle = middle or f"x50 {percentile_text(half)}"
    if most.low_m == most.high_m:
        return f"{middle}, 90 % is finer than {size_text(most.x_m)}."
    return f"{middle}, x90 {percentile_text(most)}."


def _table(sheet: SieveSheet) -> list[str]:
    """The sheet as read, coarsest first, with pan, sum and charge; of laser diffraction its classes."""
    if sheet.by_laser:
        return _classes(sheet)
    places = 1 if sheet.resolution_share > 4e-4 else 2
    grams = max(0, min(4, -math.floor(math.log10(sheet.step) + 1e-9))) if sheet.retained_g and sheet.step > 0 else 2
    shown = [*sheet.q3, 1.0]
    rows = []
    for i in reversed(range(len(sheet.apertures_m))):
        mass = f"{sheet.retained_g[i]:.{grams}f}" if sheet.retained_g else ""
        share = f"{(shown[i + 1] - shown[i]) * 100:.{places}f}"
        passing = f"{shown[i] * 100:.{places}f}"
        rows.append((f"{sheet.apertures_m[i] * 1e6:.6g}", _as_given(sheet, i), mass, share, passing))
    in_g = bool(sheet.retained_g)
    rows.append(("pan", "", f"{sheet.pan_g:.{grams}f}" if in_g else "", f"{shown[0] * 100:.{places}f}", ""))
    rows.append(("sum", "", f"{sheet.sum_g:.{grams}f}" if in_g else "", f"{100:.{places}f}", ""))
    if sheet.charge_g is not None:
        exact = abs(round(sheet.charge_g, grams) - sheet.charge_g) < 1e-9
        rows.append(("charge", "", f"{sheet.charge_g:.{grams}f}" if exact else f"{sheet.charge_g:.6g}", "", ""))
    return table(("aperture µm", "as given", "retained g", "retained %", "Q3 %"), rows)


def _classes(sheet: SieveSheet) -> list[str]:
    """Class limits, coarsest first, with the share from each to the next coarser one, and Q3."""
    limits = list(zip(sheet.apertures_m, sheet.q3, strict=True))
    rows = [
        (f"{x * 1e6:.5g}", f"{100 * (above - q):.2f}", f"{100 * q:.2f}")
        for (x, q), above in zip(reversed(limits), reversed([*sheet.q3[1:], 1.0]), strict=True)
    ]
    rows += [("finer", f"{100 * sheet.q3[0]:.2f}", "")] * (sheet.q3[0] > 0)
    return table(("limit µm", "up to the next %", "Q3 %"), rows)


def _as_given(sheet: SieveSheet, i: int) -> str:
    """The aperture as written, unless it was a plain number of mm or um."""
    text = sheet.given[i] if sheet.given else ""
    if is_number(text) and any(abs(number(text) * f / sheet.apertures_m[i] - 1) < 1e-6 for f in (1e-3, 1e-6)):
        return ""
    return text


def _closure(sheet: SieveSheet) -> list[str]:
    """What became of the charge; nothing of laser diffraction, which weighs none."""
    if sheet.by_laser:
        return []
    loss = sheet.loss_share
    if sheet.pan_is == "passed":
        return wrap("The pan was not weighed, so the loss is not known; see both columns below.")
    if loss is None:
        if sheet.pan_is == "rest":
            return wrap("The sheet does not tell the loss: what passed was not weighed apart.")
        return wrap("No charge is given, so the loss is not known; add a row charge,<mass>.")
    whole = sheet.charge_g if sheet.percent_sum is None else None
    mass = f"{digits(loss * whole)} g, " if whole and abs(loss) > 5e-5 else ""
    verdict = "good" if abs(loss) <= 0.03 else "usable with care" if loss <= 0.05 else "not good enough"
    lost = digits(round(loss * 100, 2) + 0.0, 2)  # no -0
    return wrap(f"Loss: {mass}{lost} % of the charge ({digits((1 - loss) * 100, 4)} % found again: {verdict}).")


def _sizes(sheet: SieveSheet) -> list[str]:
    """x10, x50, x90, span and mean sizes, and what the means rest on."""
    return [*_size_table(sheet), "", *wrap(_means_text(sheet))]


def _size_table(sheet: SieveSheet) -> list[str]:
    """x10, x50, x90, span, D[4,3] and D[3,2]; twice where the loss matters."""
    both = sheet.q3_loss_fine and max(f - s for f, s in zip(sheet.q3_loss_fine, sheet.q3_loss_shared, strict=True)) > 0
    both = both and (sheet.pan_is != "weighed" or (sheet.loss_share or 0.0) > LOSS_SHOWN)
    curves = [sheet.q3_loss_shared, sheet.q3_loss_fine] if both else [sheet.q3]
    rows = []
    for p in (0.1, 0.5, 0.9):
        rows.append((f"x{p * 100:.0f}", *(percentile_text(percentile(sheet.apertures_m, q, p)) for q in curves)))
    rows.append(("span (x90 - x10) / x50", *(_span_text(sheet, q) for q in curves)))
    means = zip(*(mean_sizes(sheet.apertures_m, q) for q in curves), strict=True)
    rows += [(_MEANS[same[0].name], *map(_mean_text, same)) for same in means]
    heads = (
        "",
        f"loss of all sizes alike{' (used)' * (sheet.pan_is != 'passed')}",
        f"loss all finer than {size_text(sheet.apertures_m[0])}{' (used)' * (sheet.pan_is == 'passed')}",
    )
    between = "class limits" if sheet.by_laser else "sieves"
    means_by = "means after ISO 9276-2, classes uniform in x"
    lines = wrap(f"Sizes by mass, log-linear between {between}, never extrapolated; {means_by}:")
    if sheet.by_laser:
        rows = [(*row, said) for row, said in zip_longest(rows, _repeats(sheet), fillvalue="")]
        return [*lines, *table(("", "size", "repeats within (ISO 13320, from memory)"), rows)]
    return [*lines, *table(heads if both else ("", "size"), rows)]


def _repeats(sheet: SieveSheet) -> list[str]:
    """What repeated measurements of x10, x50 and x90 by laser may differ."""
    sizes = ((p, percentile(sheet.apertures_m, sheet.q3, p).x_m) for p in (0.1, 0.5, 0.9))
    return ["" if math.isnan(x) else f"± {100 * repeats(p, x):.0f} %" for p, x in sizes]


def _mean_text(x: MeanSize) -> str:
    """A mean size, or what the ends leave of it."""
    if not math.isnan(x.x_m):
        return size_text(x.x_m)
    if not math.isfinite(x.high_m):
        return f"at least {size_text(x.low_m)}" if x.low_m > 0 else "unknown"
    return f"{size_text(x.low_m)} to {size_text(x.high_m)}" if x.low_m > 0 else f"at most {size_text(x.high_m)}"


def _means_text(sheet: SieveSheet) -> str:
    """What mean sizes are, how classes are filled, and what the two ends do to them."""
    means, logs = (mean_sizes(sheet.apertures_m, sheet.q3, within) for within in ("linear", "log"))
    moved = (_moved(a, b) for a, b in zip(means, logs, strict=True))
    text = (
        "D[p,q] in the moment-ratio notation of ISO 9276-2, from the mass: D[4,3] is the mean of x over the mass "
        "(x1,3 in moment notation), D[3,2] the mean over the surface, Sauter's (x1,2). Each class is uniform in x, as "
        f"there; uniform in ln x the two would be {join_words(list(moved))}."
    )
    pan, held = sheet.q3[0], 1.0 - sheet.q3[-1]
    if pan > SHOWN_SHARE:
        text += (
            f" The pan ({percent(pan)}) counts as anything from 0 to {size_text(sheet.apertures_m[0])}: "
            f"it has {percent(means[1].finest)} of the surface or more, so D[3,2] has an upper bound only."
        )
    if held > SHOWN_SHARE:
        coarsest = size_text(sheet.apertures_m[-1])
        text += f" What the coarsest sieve held ({percent(held)}) counts as anything above {coarsest}."
    return text


def _moved(x: MeanSize, other: MeanSize) -> str:
    """How far another mean lies from one, by the bound that is known."""
    a, b = (m.high_m if math.isfinite(m.high_m) else m.low_m for m in (x, other))
    return "0 %" if a == 0 else f"{(b / a - 1) * 100 + 0.0:+.1f} %"


def _span_text(sheet: SieveSheet, q3: Sequence[float]) -> str:
    value = span_of(sheet.apertures_m, q3)
    return "unknown" if math.isnan(value) else f"{value:.2f}"


def _fits(sheet: SieveSheet) -> list[str]:
    """The three distributions, how they were fitted, and which fits best."""
    found = fits(*fitted(sheet))
    points = "class limits with 1 % < Q3 < 99 %" if sheet.by_laser else "sieves with 0 < Q3 < 100 %"
    if not found:
        return wrap("Too few sieves part the powder to fit a distribution: two at least need 0 < Q3 < 100 %.")
    rows = [(LAWS[f.law], f"{_SIZE[f.law]} {size_text(f.size_m)}", f"{_SHAPE[f.law]} {digits(f.shape)}",
             f"{f.largest * 100:+.1f} at {size_text(f.largest_at_m)}", f"{f.rms * 100:.1f}")
            for f in found]  # fmt: skip
    lines = wrap(
        f"Fits: straight lines in their nets by unweighted least squares over the {found[0].points} {points}, "
        "so the tails count as much as the middle. RRSB: ln(-ln(1 - Q3)) against ln x (DIN 66145)."
    )
    lines += table(("law", "size", "shape", "largest difference in Q3, % points", "rms"), rows)
    return [*lines, *wrap(f"  {best_text(found)}")]


def best_text(found: Sequence[Fit]) -> str:
    """Which distribution fits best, in words."""
    first, clear = best(found)
    if first.points < 3:
        return "A line through two sieves always fits: this tells nothing about the law."
    if clear:
        text = f"{LAWS[first.law]} fits best"
        verdict = "well" if first.rms < 0.01 else "fairly" if first.rms < 0.03 else "only roughly"
        return sentence(f"{text}, and {verdict}: {first.rms * 100:.1f} percentage points rms")
    alike = [LAWS[f.law] for f in found if f.rms - first.rms <= 0.005]
    return f"{_capital(join_words(alike))} fit alike: this sheet does not tell them apart."


def window_text(sheet: SieveSheet, window: Window) -> str:
    """The mass share between two sizes, and on either side of them."""
    low, high = window
    shares = [share_between(sheet, *ends) for ends in ((low, high), (0.0, low), (high, math.inf))]
    inside, finer, coarser = map(_share_text, shares)
    where = f"Between {size_text(low)} and {size_text(high)}" if low > 0 and math.isfinite(high) else ""
    where = where or (f"Finer than {size_text(high)}" if low <= 0 else f"Coarser than {size_text(low)}")
    sides = f"; finer {finer}" * (low > 0) + f"; coarser {coarser}" * math.isfinite(high)
    open_end = " A range stands where a limit lies beyond the sieves." if any(a != b for a, b in shares) else ""
    return f"{where}: {inside} of the mass{sides}.{open_end}"


def _share_text(ends: tuple[float, float]) -> str:
    low, high = (f"{v * 100:.1f}" for v in ends)
    return f"{low} %" if low == high else f"{low} to {high} %"


# --- several sheets ------------------------------------------------------------------------------------------


def replicates_report(sheets: Sequence[SieveSheet], window: Window | None = None) -> str:
    """Each sheet in one line, then mean and scatter of x50, and the share in the window by sheet."""
    rows = []
    for s in sheets:
        sizes = (percentile_text(percentile(s.apertures_m, s.q3, p)) for p in (0.1, 0.5, 0.9))
        loss = s.loss_share
        rows.append((sheet_name(s), *sizes, _span_text(s, s.q3), "" if loss is None else f"{digits(loss * 100, 2)} %"))
    lines = table(("sheet", "x10", "x50", "x90", "span", "loss"), rows)
    lines += ["", *wrap(scatter_text(sheets))]
    if window:
        lines += ["", *(line for s in sheets for line in wrap(f"{sheet_name(s)}: {window_text(s, window)}"))]
    for s in sheets:
        lines += [line for w in s.warnings for line in ("", *wrap(f"Caution, {sheet_name(s)}: {w}."))]
    return "\n".join(lines) + "\n"


def medians(sheets: Sequence[SieveSheet]) -> list[float]:
    """x50 (m) of the sheets that determine it."""
    found = [percentile(s.apertures_m, s.q3, 0.5).x_m for s in sheets]
    return [x for x in found if not math.isnan(x)]


def scatter_text(sheets: Sequence[SieveSheet]) -> str:
    """Mean and scatter of x50 in words."""
    found = medians(sheets)
    if len(found) < 2:
        return "Fewer than two sheets determine x50, so there is no scatter to tell."
    s = scatter(found)
    left = f" ({len(sheets) - len(found)} left out: x50 not determined)" if len(found) < len(sheets) else ""
    return (
        f"x50 of {s.count} sheets{left}: mean {size_text(s.mean)}, one sheet scatters by {size_text(s.sd)} "
        f"({digits(s.sd / s.mean * 100, 2)} %, standard deviation); the mean is known to ± {size_text(s.half_width)} "
        f"(95 %, Student's t)."
    )


def finer_text(f: Finer, count_a: int, count_b: int) -> str:
    """Whether the sheets after --against are finer, verdict first."""
    chance, turned = f.probability, f.probability < 0.5
    likely = max(chance, 1 - chance)
    word = "coarser" if turned else "finer"
    verdict = f"The sheets after --against are {word}" if likely >= SETTLED else "Not settled"
    if LIKELY <= likely < SETTLED:
        verdict = f"The sheets after --against are probably {word}, but it is not settled"
    elif likely < LIKELY:
        verdict = "A tie: the scatter is too large to tell which is finer"
    more = max(f.with_one_more, 1 - f.with_one_more)
    settle = "" if likely >= SETTLED else (
        f" One more sheet of each would {'' if more >= SETTLED else 'not '}settle it ({more * 100:.0f} % if it repeats "
        "these means and this scatter)."
    )  # fmt: skip
    return (
        f"{verdict}: the chance of being {word} is {likely * 100:.0f} %. Mean x50 {size_text(f.mean_b)} "
        f"({_sheets(count_b)}) against {size_text(f.mean_a)} ({_sheets(count_a)}); one sheet scatters by "
        f"{size_text(f.pooled_sd)} (pooled; Student's t, {f.freedom} degree{'s' * (f.freedom != 1)} of freedom, flat "
        f"prior).{settle}"
    )


def wrapped(text: str) -> str:
    """A paragraph in lines."""
    return "\n".join(wrap(text)) + "\n"


def _sheets(count: int) -> str:
    return f"{count} sheet{'s' * (count != 1)}"
