"""Choosing from a sweep: the judgement against closed forms, the front against brute force, what is recommended."""

import functools
import math
import tracemalloc
from dataclasses import replace

import mills
import numpy as np
import pytest
import sweeps
from hypothesis import given, settings
from hypothesis import strategies as st
from lazily import later
from mills import CONFIGS
from sweeps import GAP, HOLE, axis, curve, made, points

from millsim.explore.choose import extsieve, noise, reviewed, targets
from millsim.explore.choose.advise import WORTH, choose
from millsim.explore.choose.changes import changes, costs, efforts
from millsim.explore.choose.front import pareto
from millsim.explore.choose.judge import judge, miss, share_between, share_finer
from millsim.explore.choose.neighbours import SweepPlaces
from millsim.explore.choose.picks import ALIKE_GAIN, LIKELY, MOST
from millsim.explore.sweep import write
from millsim.explore.sweep.points import config_at
from millsim.explore.sweep.read import read
from millsim.explore.sweep.record import SIZES_M
from millsim.forecast import band
from millsim.forecast.error import errors
from millsim.mill.problem import build
from millsim.record.limits import CANNOT, FAILED, LIMITS, OK, OVER
from millsim.record.outputs import OUTPUTS
from millsim.show.words import choice
from millsim.studies.circuit import loop
from millsim.studies.prebuild.review import BARRING, NAMES, bits

stats = later("scipy.stats")

HEAD = '[target]\ntitle = "test"\n'
FINE = targets.parse(f'{HEAD}[window]\nto = "500 um"\n[yield]\nleast = "90 %"\n')
X90 = targets.parse(f'{HEAD}[x90]\nmost = "500 um"\n')
FAR = targets.parse(f'{HEAD}[x50]\nmost = "40 um"\n')


def told(sweep, advice):
    """The words of a choice on one line."""
    return " ".join(choice.text(sweep, advice).split())


# --- judging ---------------------------------------------------------------------------------------------------------


def test_shares_are_those_of_the_curve():
    q3 = curve(np.array([200e-6, 300e-6]))
    for i in (20, 40):  # at a kept size the kept number
        assert share_finer(q3, float(SIZES_M[i])) == pytest.approx(q3[:, i], abs=1e-9)
    between = math.sqrt(SIZES_M[40] * SIZES_M[41])  # half-way in the logarithm: the mean of the two
    assert share_finer(q3, between) == pytest.approx(q3[:, 40:42].mean(axis=1))
    x = 350e-6  # against the closed form of the log-normal law; the steps of R 20 are narrow
    exact = stats.norm.cdf(np.log(x / np.array([200e-6, 300e-6])) / 0.6)
    assert share_finer(q3, x) == pytest.approx(exact, abs=2e-3)
    assert share_between(q3, 0.0, 350e-6) == pytest.approx(share_finer(q3, 350e-6))
    assert share_finer(q3, 40e-3) == pytest.approx([1.0, 1.0])


@pytest.mark.parametrize(
    ("content", "values", "expected"),
    [
        ('[[finer]]\nthan = "150 um"\nmost = "20 %"\n', [0.25, 0.2, 0.1], [0.05, 0.0, -0.1]),  # percentage points
        ('[x90]\nmost = "500 um"\n', [505e-6, 500e-6], [math.log(1.01), 0.0]),  # per cent
        ('[outlet]\nmost = "50 °C"\n', [325.15, 322.15], [0.02, -0.01]),  # kelvins
        ('[rate]\nleast = "3600 g/h"\n', [0.5e-3, 0.0], [math.log(2.0), math.inf]),
        ('[jam]\nmost = "50 %"\n', [0.6, math.nan], [0.1, math.nan]),
        ('[x50]\nleast = "100 um"\nmost = "200 um"\n', [50e-6, 400e-6], [math.log(2.0)] * 2),
    ],
)
def test_misses_by_hand(content, values, expected):
    wish = targets.parse(HEAD + content).wishes[0]
    assert miss(wish, np.array(values)) == pytest.approx(expected, nan_ok=True)


def test_statuses_are_told_apart():
    found = points(5, status=[OK, OVER, CANNOT, FAILED, 4], x90_m=[400e-6, 600e-6, 1.0, 1.0, 1.0], binding=4)
    j = judge(made([axis("stator.gap", 1e-3, 2e-3, 3e-3, 4e-3, 5e-3)], found), X90)
    assert j.binds == ("", "x90 too coarse", "cannot run: jam", "no answer", "not computed")
    assert j.meets.tolist() == [True, False, False, False, False]
    assert j.distance == pytest.approx([0.0, math.log(1.2), math.inf, math.inf, math.inf])


def test_the_worst_miss_names_what_binds():
    both = targets.parse(f'{HEAD}[x90]\nmost = "500 um"\n[energy]\nmost = "1 kWh/kg"\n')
    found = points(2, x90_m=[505e-6, 600e-6], gross_J_kg=[2 * 3.6e6, 1.01 * 3.6e6])
    j = judge(made([axis("stator.gap", 1e-3, 2e-3)], found), both)
    assert j.binds == ("too much energy per kg", "x90 too coarse")
    assert j.distance == pytest.approx([math.log(2.0), math.log(1.2)])


def with_draws(x90, rate=1.0):
    """A sweep over one axis with these x90 [m] in the draws (P, D)."""
    x90 = np.asarray(x90, dtype=float)
    found = points(len(x90), draws=x90.shape[1], x90_m=450e-6)
    draws = {**found.draws, "x90_m": x90, "throughput_kg_s": np.broadcast_to(rate, x90.shape)}
    return made([axis("stator.gap", *np.arange(1, len(x90) + 1) * 1e-3)], replace(found, draws=draws))


def test_probability_is_counted_in_draws():
    sweep = with_draws([[400e-6] * 3 + [600e-6], [600e-6] * 4])
    assert judge(sweep, X90).probability == pytest.approx([0.75, 0.0])
    stopped = with_draws([[400e-6] * 4], rate=[1.0, 0.0, 1.0, 1.0])  # cannot run in one draw: not met there
    assert judge(stopped, X90).probability == pytest.approx([0.75])
    unknown = with_draws([[400e-6] * 4])
    unknown.points.draws["x50_m"][0, 0] = np.nan  # no answer in one draw: left out
    unknown.points.draws["x90_m"][0, 1] = 600e-6
    assert judge(unknown, X90).probability == pytest.approx([2 / 3])
    assert np.isnan(judge(made([GAP], points(3)), X90).probability).all()


ROOMS = """
[sweep]
config = "{config}"
draws = 8
class_ratio = 1.4
[[axis]]
key = "air.room"
values = ["10 °C", "30 °C"]
"""


@functools.cache
def true_loads(kind):
    """(sweep, loads (P, D, limits), whether it runs (P, D)): every draw of every point solved again by itself."""
    sweep = sweeps.real() if kind == "gap and hole" else sweeps.computed(ROOMS.format(config=CONFIGS / "demo.toml"))
    found = []
    for i in range(sweep.count):
        config = config_at(sweep, i)
        assert config.feed.rate_kg_s is None
        problem = build(config, sweep.class_ratio)
        mills, off = (of(problem, sweep.draw_count, sweep.seed) for of in (band.draws, errors))
        found.append([band.solve_draw(problem, mills[k : k + 1], None, off, k)[1] for k in range(mills.size)])
    loads, runs = ([[of(o) for o in row] for row in found] for of in (lambda o: o.loads, lambda o: o.code != CANNOT))
    return sweep, np.array(loads), np.array(runs)


@pytest.mark.parametrize("kind", ["gap and hole", "room"])
@pytest.mark.parametrize("section", ["heat", "motor", "sieve", "chamber", "jam", "opening"])
def test_loads_over_the_draws_are_those_of_the_draws(kind, section):
    sweep, true, runs = true_loads(kind)
    target = targets.parse(f'{HEAD}[{section}]\nmost = "50 %"\n')
    load = true[..., LIMITS.index(target.wishes[0].output)]
    some = np.sort(load[(load > 0.01) & (load < 0.9999) & runs])  # what a target may ask
    apart = np.flatnonzero(np.diff(some) > 1e-5)  # two draws that differ by more than what counts as even
    between = np.append(some[apart] + 0.5 * (some[apart + 1] - some[apart]), some[-1] + 1e-5)
    for limit in np.quantile(between, [0.2, 0.5, 0.8], method="nearest").tolist():
        target = targets.parse(f'{HEAD}[{section}]\nmost = "{100 * limit!r} %"\n')
        assert judge(sweep, target).probability == pytest.approx(((load <= limit) & runs).mean(axis=1)), limit


def test_a_file_without_loads_of_the_draws_gives_no_chance_of_a_load(tmp_path):
    sweep = sweeps.real()
    old = replace(sweep, points=replace(sweep.points, draw_loads=np.empty((0, 0, 0))),
                  as_built=replace(sweep.as_built, draw_loads=np.empty((0, 0, 0))))  # fmt: skip
    write.write(old, tmp_path / "old.h5")  # as an older version wrote it
    old = read(tmp_path / "old.h5")
    target = targets.parse(f'{HEAD}[jam]\nmost = "95 %"\n')
    assert np.isfinite(judge(sweep, target).probability).all()
    a = choose(old, target)
    assert np.isnan(a.judged.probability).all() and a.choice.builds
    text = told(old, a)
    assert "How likely it is to meet the target is not known: this sweep file does not keep the loads" in text
    assert "parameter draws (" not in text and "in none of" not in text and "chance" not in text
    assert judge(old, X90).probability == pytest.approx(judge(sweep, X90).probability), "no load is asked about"


# --- the front -------------------------------------------------------------------------------------------------------


@given(st.lists(st.tuples(*[st.sampled_from([0.0, 1.0, 2.0, 3.0, math.inf, math.nan])] * 3), max_size=40))
@settings(max_examples=300, deadline=None)
def test_the_front_against_brute_force(rows):
    a = np.array(rows, dtype=float).reshape(-1, 3)
    brute = [
        i for i, x in enumerate(a)
        if not np.isnan(x).any() and not any((y <= x).all() and (y < x).any() for y in a)
    ]  # fmt: skip
    assert pareto(a).tolist() == brute


def test_the_front_of_mills_that_meet_is_of_powder_energy_and_coolness():
    loads = np.full((4, 6), 0.5)
    loads[:, 1] = [0.3, 0.9, 0.6, 0.2]
    found = points(4, x90_m=400e-6, throughput_kg_s=[1e-3, 1e-3, 2e-3, 1e-3], gross_J_kg=[2e6, 2e6, 2e6, 3e6])
    sweep = made([axis("stator.gap", 1e-3, 2e-3, 3e-3, 4e-3)], replace(found, loads=loads))
    # the second makes no more and takes no less than the first, and is hotter; the others are each best at something
    assert choose(sweep, X90).choice.front == (0, 2, 3)


def test_a_front_of_everything():
    n = 100_000  # whatever is gained in one is lost in another
    up = np.arange(n, dtype=float)
    assert pareto(np.column_stack([up, -up, np.zeros(n)])).size == n


# --- neighbours, replicates ------------------------------------------------------------------------------------------


def test_in_a_sampled_design_each_axis_counts_in_shares_of_its_range():
    r = np.random.default_rng(5)
    gap, speed = r.uniform(1e-3, 5e-3, 40), r.uniform(500, 1500, 40)
    axes = [axis("stator.gap", *gap), axis("drive.speed", *speed, unit="rad/s", shown="rpm")]
    places = SweepPlaces(made(axes, points(40), design="latin hypercube"))
    unit = np.column_stack([gap / np.ptp(gap), speed / np.ptp(speed)])  # by hand, both axes from 0 to 1
    for s in range(40):
        away = np.linalg.norm(unit - unit[s], axis=1)
        assert {n.setting for n in places.neighbours(s)} == set(np.argsort(away)[1:5].tolist())


def test_replicates_that_failed_do_not_count():
    x90 = [400e-6, 420e-6, 5.0, 300e-6, 7.0, 9.0]
    found = points(6, x90_m=x90, status=[OK, OVER, FAILED, OK, FAILED, FAILED], reason={2: "a", 4: "b", 5: "c"})
    q3 = found.q3.copy()
    q3[[2, 4, 5]] = 0.0
    j = judge(made([axis("stator.gap", 1e-3, 2e-3)], replace(found, q3=q3), replicates=3), X90)
    assert j.achieved["x90"] == pytest.approx([410e-6, 300e-6])
    assert j.points.q3 == pytest.approx(curve(np.full(2, sweeps.PLAIN["x50_m"])), abs=1e-6)
    assert j.points.status.tolist() == [OK, OK]


def test_the_draws_of_all_replicates_count_together():
    found = points(4, draws=2, loads=0.4)
    found.draw_loads[..., LIMITS.index("jam")] = [[0.4, 0.6], [0.4, 0.4], [0.6, 0.6], [0.6, 0.4]]
    sweep = made([axis("stator.gap", 1e-3, 2e-3)], found, replicates=2)
    half = targets.parse(f'{HEAD}[jam]\nmost = "50 %"\n')
    assert judge(sweep, half).probability == pytest.approx([3 / 4, 1 / 4])


# --- what is recommended ---------------------------------------------------------------------------------------------

NUMBERS = st.integers(0, 2**31)


def random_sweep(seed, draws=0, gaps=6, holes=4):
    """An invented sweep with everything that matters at random."""
    r = np.random.default_rng(seed)
    n = gaps * holes
    found = points(
        n, draws=draws, status=r.choice([OK, OVER, CANNOT, FAILED], n, p=[0.7, 0.1, 0.1, 0.1]), loads=0.4,
        x50_m=r.uniform(100e-6, 500e-6, n), throughput_kg_s=r.uniform(0.2e-3, 2e-3, n),
        gross_J_kg=r.uniform(1e6, 9e6, n), outlet_temperature_K=r.uniform(300, 350, n),
    )  # fmt: skip
    if draws:
        found.draw_q3[...] = curve(found.values["x50_m"][:, None] * r.lognormal(0, 0.3, (n, draws)))
    a = axis("stator.gap", *(np.arange(1, gaps + 1) * 1e-3))
    b = axis("sieve.hole", *(np.arange(1, holes + 1) * 0.2e-3))
    return made([a, b], replace(found, loads=r.uniform(0.1, 1.0, (n, 6))))


@given(seed=NUMBERS, draws=st.sampled_from([0, 16]))
@settings(max_examples=60, deadline=None)
def test_recommendations_meet_the_target_and_differ(seed, draws):
    sweep = random_sweep(seed, draws)
    a = choose(sweep, FINE)
    c, j, places = a.choice, a.judged, SweepPlaces(sweep)
    own = [b.point for b in c.builds]
    assert len(own) <= MOST
    assert len(set(own)) == len(own)
    assert all(c.meets[p] for p in own)
    assert (c.nearest is None) == bool(c.meets.any()) and bool(own) == bool(c.meets.any())
    if draws and own and (j.probability[j.meets] >= LIKELY).any():
        assert all(j.probability[p] >= LIKELY for p in own)
        assert j.probability[own[0]] == j.probability[j.meets].max()
        left_out = (j.probability[j.meets] < LIKELY).any()
        assert left_out == ("What to build, of the" in choice.text(sweep, a))
    for i, p in enumerate(own):  # of two that lie side by side, each is clearly better at something
        for q in own[:i]:
            merits = [-j.accepted_kg_s, j.points.values["gross_J_kg"], costs(sweep), j.points.loads[:, 1]]
            gains = [(m[q] - m[p]) / abs(m[q]) for m in merits if m[q]]
            assert not places.alike(p, q) or max(gains) >= ALIKE_GAIN - 1e-9
    text = choice.text(sweep, a)
    for wrong in ("nan", " inf", " safe", "None", "unknown", "  -0 "):
        assert wrong not in text, (wrong, text)
    assert max(map(len, text.splitlines())) <= 108
    assert set(c.front) <= set(np.flatnonzero(j.meets if c.meets.any() else j.runs).tolist())


@given(seed=NUMBERS)
@settings(max_examples=60, deadline=None)
def test_no_setting_that_the_review_bars_is_offered(seed):
    """Random sweeps with random reviews: what is offered or nearest fails no check that bars; the rest is counted."""
    sweep, r = random_sweep(seed, 16), np.random.default_rng(seed)
    failed = [{n for n in NAMES if r.random() < 0.03} for _ in range(sweep.points.status.size)]
    fails = np.array([bits(names) for names in failed])
    sweep = replace(sweep, points=replace(sweep.points, fails=fails, unchecked=np.zeros(fails.size, np.uint64)))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(reviewed, "lines_at", lambda *_: [])  # cures and close lines of real mills: tests of their own
        a = choose(sweep, FINE)
    told = [b.point for b in (*a.choice.builds, *filter(None, [a.choice.nearest]))]
    assert not any(failed[p] & BARRING for p in told)
    makes_it = np.isin(sweep.points.status, (OK, OVER)) & (share_finer(sweep.points.q3, 500e-6) >= 0.9 - 1e-6)
    aside = int((makes_it & [bool(x & BARRING) for x in failed]).sum())
    assert a.aside.startswith(f"{aside} more ") if aside else a.aside == ""


def test_changes_are_those_from_the_mill_as_built():
    sweep = sweeps.real()
    assert changes(sweep, 0) == (("gap", "3 mm", "2 mm"), ("hole", "0.6 mm", "0.4 mm"), ("pitch", "1.2 mm", "0.8 mm"))
    assert changes(sweep, 4) == ()
    e = efforts(sweep).reshape(3, 3)
    assert e[1, 1] == 0.0
    assert e[1, 0] == pytest.approx(1 + 0.1 * math.log(1.5))  # hole and pitch are one change
    assert e[0, 1] == pytest.approx(1 + 0.1 * math.log(1.5))
    assert e[0, 0] == pytest.approx(e[1, 0] + e[0, 1])
    for p in range(9):
        assert (efforts(sweep)[p] == 0.0) == (changes(sweep, p) == ())


def test_costs_rank_by_the_dearest_thing_that_is_lost():
    """By hand: a sieve is cheaper than work on the stator, and that than a rotor, whatever comes with it."""
    radius = axis("rotor.radius", 60e-3, 61e-3)
    gap, hole = axis("stator.gap", 3e-3, 2e-3), axis("sieve.hole", 0.6e-3, 0.3e-3)
    cost = costs(made([radius, gap, hole], points(8)))
    as_built, sieve, stator, both, rotor = cost[[0, 1, 2, 3, 4]]
    assert as_built == 0.0 and 0.0 < sieve < stator < both < rotor
    order = np.argsort(cost)
    assert list(order) == [0, 1, 2, 3, 4, 5, 6, 7]


def test_of_builds_alike_in_chance_the_cheapest_comes_first_and_is_named():
    """A new sieve alone does it, and so does a new gap, at no other chance."""
    gap, hole = axis("stator.gap", 3e-3, 2e-3), axis("sieve.hole", 0.6e-3, 0.4e-3)
    found = points(4, draws=8, x90_m=[600e-6, 400e-6, 400e-6, 400e-6], throughput_kg_s=[1e-3, 1e-3, 2e-3, 3e-3])
    for i in range(4):
        found.draws["x90_m"][i] = found.values["x90_m"][i]
    sweep = made([gap, hole], found, as_built=points(1, x90_m=600e-6))
    a = choose(sweep, X90)
    assert a.choice.builds[0].point == 1 and "cheapest to change to" in a.choice.builds[0].role
    assert "The cheapest change that does it is build 1: hole 0.6 mm -> 0.4 mm." in told(sweep, a)
    found.draws["x90_m"][1] = [400e-6] * 2 + [600e-6] * 6  # now the sieve does it by the plausible mill alone
    text = told(sweep, choose(sweep, X90))
    assert "The cheapest change that does it in at least half of its draws is build 1: gap 3 mm -> 2 mm." in text


def test_the_dial_of_a_router_is_as_built_where_it_stands():
    dial = 'drive.dial=["8000 rpm", "10000 rpm", "14000 rpm"]'
    base = mills.config("pla", dial, "drive.dial_step=2.5", "rotor.radius=40 mm")
    steps = axis("drive.dial_step", 2.0, 2.5, 3.0, unit="1", shown="-")
    sweep = made([steps], points(3), base=base)
    assert changes(sweep, 1) == () and changes(sweep, 0) == (("dial step", "2.5", "2"),)


def test_the_mill_as_built_is_told_when_it_meets():
    sweep = made([GAP], points(3, x90_m=[400e-6, 400e-6, 450e-6]), as_built=points(1, x90_m=450e-6))
    a = choose(sweep, X90)
    assert a.choice.as_built_meets
    text = told(sweep, a)
    assert "The mill as built meets it." in text
    assert "Cheapest to change to. Nothing: it is the mill as built." in text
    assert "No parameter draws were computed, so how likely it is to meet the target is not known" in text
    assert "intervals" not in text
    assert all(math.isnan(b.probability) for b in a.choice.builds)


def test_a_step_from_jamming_is_said():
    status = [CANNOT, OK, OK]
    found = points(3, status=status, x90_m=[1.0, 400e-6, 450e-6], binding=4, throughput_kg_s=[0, 2e-3, 1e-3])
    sweep = made([GAP], replace(found, loads=np.full((3, 6), 0.85)))
    text = told(sweep, choose(sweep, X90))
    assert "Of the 2 steps to the points next to it, 1 leads out of it: cannot run: jam with gap 1 mm." in text
    assert "The rotor is at 85 % of what jams it." in text


def test_the_surer_point_comes_first_and_counts_are_told():
    sweep = with_draws([[400e-6] * 13 + [600e-6] * 3, [400e-6] * 9 + [600e-6] * 7, [600e-6] * 16])
    a = choose(sweep, X90)
    assert a.choice.builds[0].point == 0
    assert a.choice.builds[0].probability == pytest.approx(13 / 16)
    text = told(sweep, a)
    assert "Most likely to meet it" in text
    assert "It meets the target in 13 of 16 parameter draws (chance 66 to 91 %, an 80 % interval)." in text
    assert text.count("Chances in brackets are 80 % intervals") == 1


def test_a_point_that_meets_in_few_draws_is_no_bargain():
    sweep = with_draws([[600e-6] * 15 + [400e-6]] * 2)
    assert "No point without a sieve meets the target in half of its parameter draws: measure first." in told(
        sweep, choose(sweep, X90)
    )


def test_points_alike_are_not_told_twice():
    n = 41  # a fine axis: rate rises a little from point to point, so that the neighbours of the best are near the best
    rate = 1e-3 * (1 + 0.3 * np.linspace(0, 1, n) ** 2)
    found = points(n, x90_m=400e-6 + 50e-6 * np.linspace(0, 1, n), throughput_kg_s=rate, gross_J_kg=1e3 / rate)
    sweep = made([axis("stator.gap", *np.linspace(1e-3, 5e-3, n))], found)
    a = choose(sweep, X90)
    own, places = [b.point for b in a.choice.builds], SweepPlaces(sweep)
    assert 0 in own and n - 1 in own
    assert not any(places.alike(p, q) for i, p in enumerate(own) for q in own[:i])


# --- none meets it ---------------------------------------------------------------------------------------------------


def test_the_nearest_says_what_misses_and_to_extend_the_axis():
    x50 = np.array([[100e-6, 150e-6, 200e-6], [110e-6, 160e-6, 210e-6], [120e-6, 170e-6, 220e-6]]).reshape(-1)
    sweep = made([GAP, HOLE], points(9, x50_m=x50))
    a = choose(sweep, FAR)
    assert a.choice.builds == ()
    assert a.choice.nearest.point == 0
    text = told(sweep, a)
    assert "none of the 9 points meets the target" in text
    assert "Missed: x50 100 µm (at most 40 µm asked)." in text
    assert "It stands on the edge of the sweep, and what it misses still shrinks towards that edge: extend the axes, " \
           "gap below 1 mm and hole below 0.4 mm, as far as the review passes them." in text  # fmt: skip
    assert "usually ground deep-cold" in text


def test_of_two_that_miss_alike_the_one_that_makes_more_is_nearest():
    found = points(3, x50_m=150e-6, throughput_kg_s=[1e-3, 3e-3, 2e-3])
    assert choose(made([GAP], found), FAR).choice.nearest.point == 1


def test_wishes_that_pull_against_each_other_are_said():
    both = targets.parse(f'{HEAD}[x50]\nmost = "200 um"\n[energy]\nmost = "1 kWh/kg"\n')
    found = points(3, x50_m=[150e-6, 210e-6, 300e-6], gross_J_kg=np.array([2.0, 1.0, 0.8]) * 3.6e6)
    sweep = made([GAP], found)
    a = choose(sweep, both)
    assert a.choice.nearest.point == 1
    text = told(sweep, a)
    assert (
        "With gap 1 mm: x50 150 µm, but energy from the socket 2.00 kWh/kg (at most 1 kWh/kg asked): the two pull"
        in text
    )


def test_an_axis_that_does_nothing_is_named():
    found = points(9, x50_m=np.tile([100e-6, 150e-6, 200e-6], 3))
    sweep = made([GAP, HOLE], found)
    text = told(sweep, choose(sweep, FAR))
    assert 'Against "x50 too coarse", gap hardly helps here.' in text
    assert "hole below 0.4 mm" in text


def test_a_sampled_design_says_which_way():
    r = np.random.default_rng(2)
    hole, speed = r.uniform(0.3e-3, 1e-3, 64), r.uniform(500, 1500, 64)
    order = np.argsort(hole)
    hole = hole[order]
    found = points(64, x50_m=0.5 * hole)
    axes = [axis("sieve.hole", *hole), axis("drive.speed", *speed, unit="rad/s", shown="rpm")]
    sweep = made(axes, found, design="latin hypercube")
    a = choose(sweep, FAR)
    assert a.choice.nearest.point == 0
    text = told(sweep, a)
    assert "extend the axes, hole below 0.3" in text


# --- scatter of Monte Carlo runs --------------------------------------------------------------------------------------


A_X50, B_X50 = (610e-6, 655e-6, 590e-6), (560e-6, 620e-6, 545e-6)  # journey J10


OTHER_ORDER = (620e-6, 545e-6, 560e-6)


def test_journey_10_two_designs_is_b_really_better():
    c = noise.compare(A_X50, B_X50)
    assert c.mean_a == pytest.approx(618e-6, abs=0.5e-6)
    assert c.mean_b == pytest.approx(575e-6, abs=0.5e-6)
    assert c.pooled_sd == pytest.approx(37e-6, abs=1e-6)
    assert c.lower == pytest.approx(0.89, abs=0.005)
    # the one-sided p of Student's test is the same number: flat prior on means and ln of the scatter
    assert 1.0 - c.lower == pytest.approx(stats.ttest_ind(A_X50, B_X50, alternative="greater").pvalue)
    assert not c.settled
    error = c.pooled_sd * math.sqrt(2 / 4)
    assert c.next_lower == pytest.approx(stats.t.cdf((c.mean_a - c.mean_b) / error, 6))
    text = noise.verdict(c, "A", "B", "finer", ["618 µm", "575 µm", "37 µm"])
    assert text.startswith("B is probably finer than A, chance 0.89, but that is not settled: mean 618 µm of A")
    assert text.endswith("one more pair of runs would not settle it (about 2 more would).")


def test_a_difference_that_is_settled_and_none():
    c = noise.compare([600, 601, 602], [500, 501, 502])
    assert c.settled and noise.verdict(c, "A", "B", "finer", ["a", "b", "s"]).startswith("B is finer than A")
    c = noise.compare([600, 620, 640], [601, 620, 639])
    assert "No difference to be seen" in noise.verdict(c, "A", "B", "finer", ["a", "b", "s"])
    with pytest.raises(ValueError, match="two of one at least"):
        noise.compare([1.0], [2.0])


def test_runs_of_the_same_seeds_are_compared_in_pairs():
    c = noise.compare(A_X50, B_X50, paired=True)
    assert c.freedom == 2 and c.pooled_sd == pytest.approx(np.std([50e-6, 35e-6, 45e-6], ddof=1))
    assert 1.0 - c.lower == pytest.approx(stats.ttest_rel(A_X50, B_X50, alternative="greater").pvalue)
    assert c.settled
    error = c.pooled_sd / math.sqrt(4)
    assert c.next_lower == pytest.approx(stats.t.cdf((c.mean_a - c.mean_b) / error, 3))


MONTE_CARLO = """
[sweep]
config = "{config}"
class_ratio = 1.4
engine = "montecarlo"
replicates = 12
[set]
"run.histories" = 300
"run.x50_error" = 0.0
"feed.rate" = "1 kg/h"
[[axis]]
key = "stator.gap"
values = ["3 mm", "3.05 mm"]
"""


def test_seeds_are_shared_and_pairing_takes_their_scatter_out():
    sweep = sweeps.computed(MONTE_CARLO.format(config=(CONFIGS / "demo.toml").as_posix()))
    a, b = sweep.points.values["x50_m"].reshape(2, 12)
    c = choice.compared(sweep, 0, 12)
    assert c.paired and c.lower == pytest.approx(1 - stats.ttest_rel(a, b, alternative="greater").pvalue)
    assert stats.pearsonr(a, b).statistic > 0.3, "the same random numbers in mills that differ little"
    status = sweep.points.status.copy()
    status[[1, 14]] = FAILED  # only runs that both have go into pairs
    fewer = choice.compared(replace(sweep, points=replace(sweep.points, status=status)), 0, 12)
    kept = np.delete(np.arange(12), [1, 2])
    assert fewer.mean_a == pytest.approx(a[kept].mean())
    assert 1 - fewer.lower == pytest.approx(stats.ttest_rel(a[kept], b[kept], alternative="greater").pvalue)
    status[:11] = FAILED  # one run in common is no pair to know a scatter from
    alone = choice.compared(replace(sweep, points=replace(sweep.points, status=status)), 0, 12)
    assert not alone.paired and alone.freedom == 10


def replicated(x90=(400e-6, 440e-6, 520e-6, 300e-6, 310e-6, 320e-6)):
    """Two gaps of three Monte Carlo runs each, with the x50 of journey J10, B's in another order: A makes more, B is
    finer.
    """
    x90 = np.array(x90)
    found = points(6, x50_m=np.array([*A_X50, *OTHER_ORDER]), x90_m=x90, throughput_kg_s=[2e-3] * 3 + [1e-3] * 3)
    return made([axis("stator.gap", 2e-3, 3e-3)], found, replicates=3)


def test_replicates_count_as_their_mean_and_their_scatter_is_told():
    sweep = replicated()
    a = choose(sweep, X90)
    assert a.judged.meets.tolist() == [True, True]  # 453 µm on average
    assert a.choice.meets.shape == (6,)
    assert [b.point for b in a.choice.builds] == [3, 0]
    text = told(sweep, a)
    assert "2 of 2 settings meet the target" in text
    assert "Only 2 of its 3 runs meet it; their mean does." in text
    assert "All of its 3 runs meet it." in text
    chance = 1 - stats.ttest_rel(A_X50, OTHER_ORDER, alternative="greater").pvalue
    scatter = np.std(np.subtract(A_X50, OTHER_ORDER), ddof=1) * 1e6
    assert f"Build 1 is probably finer than build 2, chance {chance:.2f}, but that is not settled: mean x50 0.57 mm " \
           "of build 1 and 0.62 mm of build 2, run by run with the same random numbers, scatter of the differences " \
           f"{scatter:.0f} µm" in text  # fmt: skip
    assert "one more pair of runs would not settle it" in text


def test_one_monte_carlo_run_close_to_a_limit_is_told():
    found = replace(points(2, x90_m=[498e-6, 300e-6]), se={"x90_m": np.array([5e-6, 5e-6])})
    sweep = made([axis("stator.gap", 2e-3, 3e-3)], replace(found, values={**found.values}))
    a = choose(sweep, X90)
    j = a.judged
    from millsim.explore.choose.sentences import scatter_words

    assert scatter_words(sweep, X90, j, 0) == "Within the Monte Carlo error of the limit: x90."
    assert scatter_words(sweep, X90, j, 1) == ""


# --- a sieve after the mill ------------------------------------------------------------------------------------------


def test_a_size_of_the_cut_off_curve():
    q3 = curve(np.array([200e-6, 300e-6]), 0.5)
    for share in (0.1, 0.5, 0.9):
        exact = np.array([200e-6, 300e-6]) * np.exp(0.5 * stats.norm.ppf(share))
        assert extsieve.size_at(q3, np.full(2, share)) == pytest.approx(exact, rel=1e-2)  # steps of 12 %


def test_the_estimate_of_one_pass_is_that_of_the_circuit_without_return():
    sweep = sweeps.real()
    j = judge(sweep, FINE)
    e = extsieve.estimated(sweep, j, FINE, 300e-6)
    for s in (0, 4, 8):
        c = loop.once(config_at(sweep, s), 300e-6, class_ratio=sweep.class_ratio)
        assert e.passed[s] == pytest.approx(c.accepted_kg_s / c.total_kg_s, rel=0.06) and e.passed[s] < 0.8
        # the circuit has the aperture as a class bound: on so coarse classes that is worth some per cent
        assert e.gross_J_kg[s] == pytest.approx(c.gross_J_kg, rel=0.06)
        assert e.accepted_kg_s[s] == pytest.approx(c.accepted_kg_s, rel=0.06)  # all of it finer than 500 µm


def test_journey_9_none_reaches_it_and_the_sieve_is_told():
    ready = targets.to_toml(targets.ready("rotational-moulding"))
    assert ready.count('most = "20 %"') == 1
    sweep, target = sweeps.real(), targets.parse(ready.replace('most = "20 %"', 'most = "10 %"'))  # limit edited
    aperture = extsieve.aperture_for(target)
    assert aperture == pytest.approx(0.5e-3)
    a = choose(sweep, target, aperture)
    assert not a.judged.meets.any()
    assert a.choice.nearest is not None and a.sieved is not None
    c = a.sieved.circuit
    again = loop.closed(config_at(sweep, a.sieved.setting), 0.5e-3, class_ratio=sweep.class_ratio)
    assert (again.accepted_kg_s, again.gross_J_kg) == (c.accepted_kg_s, c.gross_J_kg)
    assert c.accepted_kg_s + c.returned_kg_s == pytest.approx(c.total_kg_s, rel=1e-6)
    judged = a.sieved.judged.achieved
    assert judged["yield"][0] == pytest.approx(1.0, abs=1e-9)  # all that passes a 0.5 mm sieve is finer
    at = np.interp(math.log(150e-6), np.log(c.edges_m), c.accepted_q3)
    assert judged["finer_150um"][0] == pytest.approx(at, abs=1e-12)
    text = told(sweep, a)
    assert "none of the 9 points meets the target" in text
    assert f"With a 500 µm sieve after the mill and its oversize returned: {3600 * c.accepted_kg_s:.2f} kg/h" in text
    assert f"{c.gross_J_kg / 3.6e6:.3f} kWh/kg from the socket per kilogram accepted" in text
    assert "Not predicted, measure it: dry flow: at most 35 s per 100 g" in text
    assert "A second sieve of 150 µm that takes out the fines would leave" in text


MOULDED = f'{HEAD}[window]\nto = "500 um"\n[yield]\nleast = "95 %"\n[[finer]]\nthan = "150 um"\nmost = "10 %"\n'


@pytest.mark.parametrize(
    ("more", "missed"),
    [
        ("", ""),
        ('[energy]\nmost = "0.30 kWh/kg"\n', "energy from the socket {energy} (at most 0.3 kWh/kg asked)"),
        ('[rate]\nleast = "4.5 kg/h"\n', f"{OUTPUTS['throughput_kg_s'].short} {{rate}} (at least 4.5 kg/h asked)"),
        ('[x50]\nmost = "360 um"\n', "x50 {x50} µm (at most 360 µm asked)"),
        ('[x50]\nleast = "360 um"\n', ""),  # too fine before, coarse enough without the fines
    ],
)
def test_a_second_sieve_is_judged_by_what_it_leaves(more, missed):
    sweep, target = sweeps.real(), targets.parse(MOULDED + more)
    a = choose(sweep, target, extsieve.aperture_for(target))
    c = a.sieved.circuit
    from scipy.interpolate import PchipInterpolator

    at = np.linspace(math.log(150e-6), math.log(500e-6), 20001)  # cut by hand, on a fine line
    q3 = PchipInterpolator(np.log(c.edges_m), c.accepted_q3)(at)
    fines = np.interp(at[0], np.log(c.edges_m), c.accepted_q3)
    sizes = {f"x{n}": np.exp(np.interp(fines + n / 100 * (1 - fines), q3, at)) * 1e6 for n in (50, 90)}
    rate, energy = c.accepted_kg_s * (1 - fines) * 3600, c.gross_J_kg / (1 - fines) / 3.6e6
    size, j = extsieve.without_fines(sweep, target, a.sieved)
    v = {k: float(x[0]) for k, x in j.points.values.items()}
    assert size == 150e-6 and j.yields[0] == pytest.approx(1.0)
    assert v["throughput_kg_s"] * 3600 == pytest.approx(rate) and v["gross_J_kg"] / 3.6e6 == pytest.approx(energy)
    assert [v["x50_m"] * 1e6, v["x90_m"] * 1e6] == pytest.approx([sizes["x50"], sizes["x90"]], rel=1e-4)
    assert v["span"] == pytest.approx((v["x90_m"] - v["x10_m"]) / v["x50_m"])
    assert share_finer(j.points.q3, 150e-6)[0] < 0.05  # on the kept sizes, of which none is 150 µm
    figures = {k: f"{x:.3g}" for k, x in sizes.items()}
    figures |= {"rate": f"{rate:.2f} kg/h", "energy": f"{energy:.3f} kWh/kg"}
    text = told(sweep, a)
    head = f"A second sieve of 150 µm that takes out the fines would leave {figures['rate']} at {figures['energy']}"
    assert head in text
    ends = f"; the fines are left over, and still missed would be: {missed.format(**figures)}."
    assert head + (ends if missed else " and meet the target; the fines are left over.") in text


def test_a_second_sieve_that_mends_nothing_is_not_told():
    sweep, target = sweeps.real(), targets.parse(f'{HEAD}[[finer]]\nthan = "500 um"\nleast = "90 %"\n[[finer]]\n'
                                                 'than = "20 um"\nmost = "40 %"\n[x50]\nmost = "40 um"\n')  # fmt: skip
    a = choose(sweep, target, 300e-6)
    assert a.sieved is not None and not a.sieved.meets
    assert told(sweep, a).count("Chances in brackets are 80 % intervals") == 1
    assert "still missed: x50" in told(sweep, a).lower() and "A second sieve" not in told(sweep, a)


def test_a_sieve_can_be_what_to_build_and_its_chance_is_by_no_more_draws_than_tell_it(monkeypatch):
    sweep = sweeps.real()
    target = targets.parse(f'{HEAD}[window]\nto = "400 um"\n[yield]\nleast = "99.9 %"\n')
    plain, a = choose(sweep, target), choose(sweep, target, extsieve.aperture_for(target))
    assert plain.choice.builds == () and plain.sieved is None
    b = a.choice.builds[-1]
    assert b.circuit is not None and a.choice.nearest is not None
    assert a.sieved.meets
    met, known = a.drawn
    assert known == sweep.draw_count and b.probability == met / known
    text = told(sweep, a)
    assert "What to build: 1. With a sieve after the mill." in text
    assert f"It meets the target in {met} of {known} parameter draws" in text
    monkeypatch.setattr(extsieve, "MOST_DRAWS", 4)
    few, told_of = extsieve.probability_with_sieve(sweep, a.judged, target, a.sieved)
    assert told_of == 4 < known and met - (known - 4) <= few <= met


def test_a_sieve_is_told_only_where_it_gives_more():
    sweep, target = sweeps.real(), targets.parse(f'{HEAD}[window]\nto = "400 um"\n[yield]\nleast = "60 %"\n')
    a = choose(sweep, target, extsieve.aperture_for(target))
    best = max(a.choice.accepted_kg_s[b.point] for b in a.choice.builds if b.circuit is None)
    for b in a.choice.builds:
        assert b.circuit is None or a.sieved.accepted_kg_s > WORTH * best


# --- size ------------------------------------------------------------------------------------------------------------


def test_a_large_sweep_needs_less_than_two_kilobytes_a_point():
    side = 40  # 64 000 points; a million would have to stay below 2 GB, the sweep itself included
    n = side**3
    r = np.random.default_rng(3)
    x50 = r.uniform(100e-6, 900e-6, n)
    found = points(n, q3=np.zeros(sweeps.COUNT, np.float32), x50_m=x50, gross_J_kg=r.uniform(1e6, 9e6, n))
    q3 = np.empty((n, sweeps.COUNT), np.float32)
    for k in range(0, n, 8000):
        q3[k : k + 8000] = curve(x50[k : k + 8000])
    axes = [axis(k, *np.linspace(1e-3, 5e-3, side)) for k in ("stator.gap", "sieve.hole", "rotor.bar_height")]
    sweep = made(axes, replace(found, q3=q3))
    own = q3.nbytes + found.loads.nbytes + sum(v.nbytes for v in found.values.values())
    tracemalloc.start()
    a = choose(sweep, FINE)
    extsieve.estimated(sweep, a.judged, FINE, 500e-6)
    choice.text(sweep, a)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert own + peak < 2000 * n
    assert len({id(b) for b in a.choice.binds}) <= 12, "the words are shared, not made point by point"
