"""What would help: each change was tried on the mill, and none leads to a mill that the review fails where it did not.

MILLSIM_ADVISED=500 python -m pytest tests/test_changes.py tries as many random mills.
"""

import math
import os
from dataclasses import replace

import mills
import numpy as np
import pytest
import sweeps
from helpers import fake_prediction
from hypothesis import HealthCheck, Phase, assume, given, settings
from test_random_mills import random_mills

from millsim.base.quantities.written import rate_words
from millsim.errors import InputError, NotConverged
from millsim.explore.choose.advise import choose
from millsim.explore.choose.targets import parse
from millsim.explore.sweep import gather
from millsim.explore.sweep.points import config_at
from millsim.forecast.run import predict
from millsim.laws.strength import TIP_CAP
from millsim.mill.config.mill import load_config, parse_config
from millsim.mill.parts import stock_hole
from millsim.record.limits import OK
from millsim.record.prediction import Change, Reviewed
from millsim.show.words.changes import review_words, setting, what_would_help
from millsim.show.words.choice import close_words
from millsim.studies import advised
from millsim.studies.changes import TO_CAPACITY, what_helps
from millsim.studies.prebuild.review import BARRING, NAMES, RULES, bits, failing, named, of_bits, review

BARE = ("run.band_samples=0", "run.trace=false", "run.engine=balance")
RPM = math.pi / 30.0
few = settings(
    max_examples=int(os.environ.get("MILLSIM_ADVISED", "10")), deadline=None, derandomize=True, database=None,
    phases=(Phase.explicit, Phase.generate),
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
)  # fmt: skip


def verdicts(config):
    """(checks that pass or are close, checks that fail) of a config with its prediction."""
    lines = review(config, predict(config))
    return named(lines, "passes") | named(lines, "close"), failing(lines)


def held(load):
    """Apply every change to a config that `load` makes of overrides: no check fails that did not before."""
    base = load(())
    passed, changes = verdicts(base)[0], what_helps(base)
    for c in changes:
        new = verdicts(load(c.sets))[1] & passed
        assert not new, (c.words, new)
    return changes


def gap_line(config):
    """What the review says of the gap."""
    return next(x.words for x in review(config, None) if x.name == "gap against feed pieces")


@pytest.mark.parametrize("name", ["demo", "pla", "swinging", "tight_jam"])
def test_no_change_of_a_shipped_mill_leads_to_one_that_the_review_fails(name):
    changes = held(lambda sets: mills.config(name, *BARE, TO_CAPACITY, *sets))
    assert len(changes) >= 2


def test_a_change_gives_what_it_says():
    config = mills.config("demo", *BARE)
    c = what_helps(config)[0]
    there = predict(mills.config("demo", *BARE, *c.sets)).main.scalars
    assert there["throughput_kg_s"].value == pytest.approx(c.rate_kg_s, rel=1e-9)
    assert there["x50_m"].value == pytest.approx(c.x50_m, rel=1e-9)
    assert c.gain == pytest.approx(c.rate_kg_s / predict(config).main.scalars["throughput_kg_s"].value, rel=1e-9)


@few
@given(random_mills())
def test_no_change_of_a_random_mill_leads_to_one_that_the_review_fails(drawn):
    base, chosen = drawn
    overrides = [text for text in chosen if not text.startswith(("feed.rate", "run."))]
    overrides += [TO_CAPACITY, "run.class_ratio=1.6", *BARE]

    try:
        config = load_config(mills.CONFIGS / f"{base}.toml", overrides)
        predict(config)
    except (InputError, NotConverged):  # of the mill as it was drawn; a change must give a config, and one that settles
        assume(False)
    assert all(c.rate_kg_s > 0.0 for c in held(lambda sets: parse_config(config.text, overrides=sets)))


def test_a_faster_rotor_is_advised_no_further_than_the_review_passes():
    """A radius of 60 mm: 80 m/s at the tips are 12 732 rpm (by hand)."""
    faster = next(c for c in what_helps(mills.config("demo", *BARE)) if c.key == "drive.speed")
    rpm = float(faster.sets[0].split('"')[1].split()[0])
    assert 11000.0 <= rpm <= TIP_CAP / 0.06 / RPM and faster.stopped == "tip speed"
    assert "farther, the review fails it: tip speed" in what_would_help(advised.predict(mills.config("demo", *BARE)))


@pytest.mark.parametrize(
    ("own_C", "then_C", "limit", "told"),
    [
        (63.0, 85.0, "", ", then 85 °C at the outlet (at most 70 °C is advised)"),
        (63.0, 69.0, "", ""),
        (72.0, 85.0, "", ""),  # too warm as it is: said elsewhere
        (50.0, 60.0, '\n[limits]\noutlet_temperature = "55 °C"\n', ", then 60 °C at the outlet (the limit)"),
    ],
)
def test_a_change_that_takes_the_mill_into_its_heat_margin_says_so(own_C, then_C, limit, told):
    p = fake_prediction()
    outlet = replace(p.main.scalars["outlet_temperature_K"], value=own_C + 273.15)
    main = replace(p.main, scalars=p.main.scalars | {"outlet_temperature_K": outlet})
    motor = Change("drive.rated_power", "a motor rated 2200 W", ('drive.rated_power="2200 W"',), 1e-3,
                   p.main.scalars["x50_m"].value, 1e6, then_C + 273.15, "outlet temperature", 1.4, "")  # fmt: skip
    p = replace(p, main=main, temperature_limit_K=85.0 + 273.15, changes=(motor,), config_text=limit, parameters=(),
                reviewed=Reviewed((), (), (), 5))  # fmt: skip
    assert f"a motor rated 2200 W: 3.6 kg/h{told}." in what_would_help(p)


def test_a_gap_that_takes_a_jam_away_is_told_with_its_cost():
    """A light slow rotor on pellets of 5 mm jams first; with a gap that lets them pass it gives a fraction, and so does
    the mill with that gap."""
    light = ("rotor.mass=30 g", "feed.size.size=5 mm", "drive.speed=1400 rpm", "drive.speed_under_load=1330 rpm",
             "drive.rated_power=1500 W", "run.class_ratio=1.4", TO_CAPACITY, *BARE)  # fmt: skip
    p = advised.predict(mills.config("tight_jam", *light))
    opened = p.changes[-1]
    assert p.binding == "jam" and opened.key == "stator.gap" and opened.gain < 0.5 and opened.binding != "jam"
    there = predict(mills.config("tight_jam", *light, *opened.sets))
    assert there.binding != "jam"
    assert there.main.scalars["throughput_kg_s"].value == pytest.approx(opened.rate_kg_s, rel=1e-9)
    was = p.main.scalars["throughput_kg_s"].value
    told = f"{opened.words}: no jam, but {rate_words(opened.rate_kg_s)} instead of {rate_words(was)}"
    assert told in what_would_help(p) and "Opening the gap is a poor cure" in gap_line(
        mills.config("tight_jam", *light)
    )


def test_a_batch_and_a_rate_that_is_taken_are_left_alone():
    p = advised.predict(mills.config("demo", *BARE, "feed.rate=1 kg/h"))
    assert p.status == "ok" and p.changes == () and p.reviewed is not None


# --- the choice ------------------------------------------------------------------------------------------

SPEEDS = sweeps.Axis(
    "drive.speed", tuple(n * RPM for n in (9000.0, 12000.0, 14000.0, 28000.0)), "rad/s", "rpm", "speed"
)
WANT = '[target]\ntitle = "test"\n[x50]\nmost = "400 um"\n'


def swept(*also):
    """A sweep of the demo mill over speed up to that of a router at its fastest; INVENTED powders, real reviews."""
    s = sweeps.made([SPEEDS], sweeps.points(4, x50_m=[500e-6, 390e-6, 300e-6, 150e-6]))
    found = np.array([bits(failing(review(config_at(s, i), None)) | {*also}) for i in range(4)])
    points = replace(s.points, fails=found, unchecked=np.zeros(4, np.uint64))
    return replace(s, points=points)


def test_a_choice_never_offers_what_the_review_bars():
    """14 000 rpm on a radius of 60 mm are 88 m/s, 28 000 rpm 176 m/s (by hand); the cap is 80 m/s."""
    s = swept()
    a = choose(s, parse(WANT))
    assert [b.point for b in a.choice.builds] == [1]
    assert a.aside.startswith("2 more make such powder and are set aside, because the pre-build review fails them: tip")
    assert not a.choice.meets[2:].any() and a.choice.binds[3].startswith("the review fails it: tip speed")


@pytest.mark.parametrize(("name", "radius", "speeds"), [("demo", 60, (9550, 14000)), ("pla", 44, (16000, 28000))])
def test_journey_a_rotor_the_review_fails_is_never_what_to_build(name, radius, speeds, monkeypatch):
    """14 000 rpm at a radius of 60 mm, and a router at 28 000 rpm (129 m/s), really computed: it makes finer powder,
    and is neither offered nor advised."""
    monkeypatch.setattr(gather, "_tornado", lambda *_: None)
    own = ("drive.speed_under_load=13600 rpm",) if name == "demo" else ()
    config, rpm = (mills.CONFIGS / f"{name}.toml").as_posix(), ", ".join(f'"{n} rpm"' for n in speeds)
    head = f'[sweep]\nconfig = "{config}"\nclass_ratio = 1.6\n'
    keys = f'[set]\n"rotor.radius" = "{radius} mm"\n"drive.phase_control" = "false"\n'
    s = sweeps.computed(f'{head}{keys}[[axis]]\nkey = "drive.speed"\nvalues = [{rpm}]\n')
    x50 = s.points.values["x50_m"]
    assert s.points.status[1] == OK and x50[1] < x50[0] and "tip speed" in of_bits(s.points.fails[1])
    a = choose(s, parse(WANT.replace("400 um", f"{0.999 * x50[0] * 1e6:.4f} um")))
    assert a.choice.builds == () and a.choice.nearest.point == 0 and "pre-build review fails it: tip speed" in a.aside
    assert a.choice.binds[1].startswith("the review fails it: ") and not a.choice.meets[1]
    own += ("run.class_ratio=1.6", f"rotor.radius={radius} mm", f"drive.speed={speeds[1]} rpm")
    p = advised.predict(mills.config(name, *BARE, "drive.phase_control=false", *own))
    assert "tip speed" in p.reviewed.fails and "fail" in review_words(p)
    assert not [c for c in p.changes if c.key == "drive.speed" and setting(c, "rad/s") > speeds[1] * RPM]


def test_where_all_that_meet_are_barred_the_nearest_that_passes_is_named():
    s = swept()
    a = choose(s, parse(WANT.replace("400 um", "310 um")))
    assert a.choice.builds == () and a.choice.nearest.point == 1 and "2 more" in a.aside
    assert not any("above" in line and "speed" in line for line in a.help)  # beyond the rim lies no rotor that passes


def test_dust_does_not_bar_and_is_told_with_its_cure():
    s = swept("dust in the air")
    a = choose(s, parse(WANT))
    assert [b.point for b in a.choice.builds] == [1]
    assert "The review fails dust in the air." in a.choice.builds[0].sentence
    assert a.cures and a.cures[0].startswith("Dust in the air: ") and "licensed practice" in a.cures[0]


def test_close_checks_of_a_build_are_told():
    a = choose(swept(), parse(WANT))
    (b,) = a.choice.builds
    lines = {x.name: x for x in review(config_at(swept(), b.point), None) if x.verdict == "close"}
    assert {n for n, _ in b.close} >= set(lines) >= {"tip speed"}
    margin = dict(b.close)["tip speed"]
    assert margin == pytest.approx(80.0 / (12000.0 * RPM * 0.06)) and f"tip speed (margin {margin:.2f})" in close_words(
        b
    )


def test_holes_that_are_advised_are_sold():
    assert [stock_hole(x * 1e-3) * 1e3 for x in (0.513, 0.6, 1.2, 0.7)] == pytest.approx([0.5, 0.63, 1.25, 0.71])
    assert stock_hole(1.2e-3, 1.2e-3) == pytest.approx(1.12e-3) and stock_hole(1e-6) == 1e-6
    holes = [c for c in what_helps(mills.config("demo", *BARE)) if c.key == "sieve.hole"]
    assert holes and all(stock_hole(x := setting(c, "m")) == pytest.approx(x) for c in holes)


def test_every_check_has_a_bit_and_comes_back():
    assert len(NAMES) == len(RULES) <= 64 and set(NAMES) >= BARRING >= {"tip speed", "pins in bending", "phase control"}
    assert set(of_bits(bits(BARRING))) == BARRING and "dust in the air" not in BARRING
    assert {x.name for name in mills.NAMES for x in review(mills.config(name), None)} <= set(NAMES)
