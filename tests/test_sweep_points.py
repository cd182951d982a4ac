"""A point of a sweep is the mill that `predict --set` reads, with the same answer; and it knows what it rests on."""

import itertools
import random
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sweeps import J8_AXES
from test_architecture import NAMES as MODULES
from test_architecture import imports

from millsim.base.quantities.units import split_quantity
from millsim.errors import InputError
from millsim.explore.sweep import axes, compute, identity, points
from millsim.explore.sweep.plan import read_plan
from millsim.forecast import run
from millsim.forecast.assemble import TOLD_AT_ONCE, told, told_of_what_comes
from millsim.mill.config import derived
from millsim.mill.config.again import known
from millsim.mill.config.mill import load_config
from millsim.mill.config.schema import SECTIONS
from millsim.mill.problem import build
from millsim.record.limits import LIMITS
from millsim.studies.prebuild.review import bits, named, review

CONFIGS = Path(__file__).resolve().parent.parent / "configs"
J8 = (
    """
[sweep]
config = "demo.toml"
"""
    + J8_AXES
)
WORDS = """
[sweep]
config = "demo.toml"
[set]
"feed.rate" = "300 g/h"
[[axis]]
key = "rotor.edge"
values = ["blunt", "bevelled", "toothed"]
[[axis]]
key = "feed.material"
values = ["pmma", "ps"]
[[axis]]
key = "rotor.bars"
values = [2, 4]
[[axis]]
key = "model.layer_speed_ratio"
values = [0.3, 0.4]
[[axis]]
key = "air.fan"
values = [true, false]
"""


def plan(tmp_path, text, name="s.toml", base=None, changes=()):
    """A plan from text, beside a copy of the configs it may name."""
    for source in CONFIGS.iterdir():
        (tmp_path / source.name).write_bytes(source.read_bytes())
    if base:
        (tmp_path / "demo.toml").write_text(base((CONFIGS / "demo.toml").read_text()), encoding="utf-8")
    (tmp_path / name).write_text(text, encoding="utf-8")
    return read_plan(tmp_path / name, changes)


def job_of(p, which, draws=0):
    """The job of some points that share a template."""
    which = np.asarray(which)
    (template,) = set(p.template_of(p.picks(which)).tolist())
    return compute.Job(
        p.templates[template], identity.identities(p)[which], tuple(p.settings(which)),
        tuple(int(i) for i in p.replicate(which)), p.engine, p.class_ratio, draws, p.seed,
    )  # fmt: skip


def as_overrides(p, point):
    """Settings of a point as somebody would type them after --set."""
    where = p.picks(np.array([point]))[:, 0]
    settings = {}
    for axis, k in zip(p.axes, where, strict=True):
        settings[axis.key] = axis.values[k]
        settings.update({key: v[k] for key, v in axis.along.items()})
    return points.overrides(settings)


@pytest.mark.parametrize("text", [J8, WORDS], ids=["numbers", "words"])
def test_every_point_is_the_config_that_overrides_would_make(tmp_path, text):
    p = plan(tmp_path, text)
    fixed = ['feed.rate="300 g/h"'] if text is WORDS else []
    for i in range(p.count):
        job = job_of(p, [i])
        ours = job.template.config(job.settings[0], named=True)
        theirs = load_config(tmp_path / "demo.toml", [*fixed, *as_overrides(p, i)])
        assert ours.sha256 == theirs.sha256
        assert ours.text == theirs.text
        assert build(ours).mill.tobytes() == build(theirs).mill.tobytes()
        assert job.template.config(job.settings[0]) == replace(ours, text="", sha256="")


OTHERS = {  # settings of which the first go together, and some contradict each other
    "stator.gap": (1e-3, 1e-4, 45e-3), "drive.speed": (1200.0, 400.0), "sieve.hole": (9e-4, 3e-4, 2e-3),
    "sieve.pitch": (3e-3, 5e-4), "rotor.radius": (0.05, 0.02, 0.09), "rotor.bars": (2, 12),
    "rotor.bar_height": (0.02, 0.04), "rotor.edge_radius": (2e-5, 1e-4), "feed.rate": (1e-4, 1e-3),
    "feed.temperature": (290.0, 310.0), "air.room": (275.0, 310.0), "model.wall_friction": (1e-3, 1e-2),
    "limits.outlet_temperature": (320.0, 300.0), "run.tolerance": (1e-7, 1e-6), "shaft.diameter": (0.01, 0.08),
    "stator.pins": (4, 60), "feed.opening": (5e-2, 5e-3),
}  # fmt: skip


@pytest.mark.parametrize("config", ["demo", "pla", "tight_jam"])
def test_other_numbers_make_the_config_and_the_complaints_that_reading_all_anew_makes(config):
    text, rng = (CONFIGS / f"{config}.toml").read_text(encoding="utf-8"), random.Random(7)
    first = {k: values[0] for k, values in OTHERS.items()}
    every, wrong = points.template(text, config, CONFIGS, points.overrides(first))
    assert not wrong and known(every.reading)  # so that not all is read anew
    values = dict(every.reading.values)
    derived.derive(values)
    assert {k for k in values if k not in every.reading.values or values[k] != every.reading.values[k]} <= {
        *derived.FOLLOWS
    }
    found = set()
    for _ in range(300):
        keys = rng.sample(sorted(OTHERS), rng.randint(1, 5))
        picked = first | {k: rng.choice(OTHERS[k]) for k in keys}
        told = []
        for anew in (False, True):
            try:
                told.append(replace(every.config(picked, named=anew), text="", sha256=""))
            except InputError as error:
                told.append(error.problems)
        assert told[0] == told[1]
        found.add(type(told[0]))
    assert len(found) == 2  # configs and complaints


def test_a_point_gives_exactly_the_numbers_of_predict(tmp_path):
    p = plan(tmp_path, J8)
    quick = ["run.band_samples=0", "run.trace=false"]
    for i in (0, 37, 74):
        rows, reasons = compute.compute(job_of(p, [i]))
        config = load_config(tmp_path / "demo.toml", [*as_overrides(p, i), *quick])
        prediction = run.predict(config, engine="balance")
        assert not reasons
        for name, value in zip(compute.NAMES, rows[0]["values"], strict=True):
            assert value == prediction.main.scalars[name].value, name
        edges, q3 = prediction.main.table.edges_m, prediction.main.table.product_q3
        inside = (edges[0] < compute.SIZES_M) & (compute.SIZES_M < edges[-1])
        expected = np.interp(np.log(compute.SIZES_M), np.log(edges), q3)[inside]
        assert rows[0]["q3"][inside] == pytest.approx(expected, abs=1e-7)
        lines = review(config, prediction)
        assert rows[0]["fails"] == bits(named(lines, "fails")) > 0
        assert rows[0]["unchecked"] == bits(named(lines, "not checked"))


@pytest.mark.parametrize("name", ["demo", "tight_jam", "swinging", "batch", "rotor_close"])
def test_a_settled_mill_at_a_glance_tells_the_review_what_its_prediction_tells(name):
    quick = ["run.band_samples=0", "run.trace=false", "run.class_ratio=1.4"]
    asked = (
        []
        if name == "batch"
        else ['feed.rate="as fast as it can grind"']
        if name == "demo"
        else ['feed.rate="20 kg/h"']
    )
    config = load_config(CONFIGS / f"{name}.toml", [*asked, *quick])
    whole = review(config, run.predict(config, engine="balance"))
    glance = compute.review_of(*compute.solve_point(config, 1.4))
    told = [
        [(x.name, x.verdict, x.value, x.words) for x in lines if x.name != "feed rate asked for"]
        for lines in (whole, glance)
    ]
    assert told[0] == told[1]
    rate, here = (next(x for x in lines if x.name == "feed rate asked for") for lines in (whole, glance))
    assert (rate.verdict == "fails") == (here.verdict == "fails") and rate.value == here.value


def test_what_leaves_a_point_as_lumps_has_no_sizes():
    """As in a prediction: whatever outlet temperature is allowed, above where it sticks it is no powder."""
    settings = ["limits.outlet_temperature=150 °C", "run.class_ratio=1.4", "run.band_samples=0", "run.trace=false"]
    for room, powder in (("20 °C", True), ("50 °C", False)):
        config = load_config(CONFIGS / "demo.toml", [*settings, f"air.room={room}"])
        problem, outcome = compute.solve_point(config, 1.4)
        found = told_of_what_comes(problem, outcome, told(problem, outcome, float("nan")))
        x50 = run.predict(config, engine="balance").main.scalars["x50_m"].value
        assert np.isfinite([found.values["x50_m"], found.q3[-1], x50]).all() == powder
        assert np.isnan([found.values["x50_m"], found.q3[-1], x50]).all() != powder
        assert found.values["throughput_kg_s"] > 0.0


def test_a_point_that_runs_at_its_rate_does_not_fail_it():
    # What more it takes is not looked for; so it passes, with the limit that comes nearest.
    config = load_config(CONFIGS / "pla.toml", ["feed.rate=300 g/h", "run.class_ratio=1.4"])
    line = next(x for x in compute.review_of(*compute.solve_point(config, 1.4)) if x.name == "feed rate asked for")
    assert line.verdict == "passes" and "At that rate it stays within all limits" in line.words


def test_a_point_is_the_same_alone_in_any_order_and_beside_any_other(tmp_path):
    """To the bit, draws and reasons too; the third point contradicts itself."""
    p = plan(tmp_path, J8.replace("[[axis]]", "class_ratio = 1.4\n[[axis]]", 1))
    which = [74, 0, 37, 5]
    job = job_of(p, which, draws=2)
    job.settings[2]["sieve.pitch"] = job.settings[2]["sieve.hole"]
    rows, reasons = compute.compute(job)
    assert list(reasons) == [2] and "pitch" in reasons[2].text

    def again(order):
        pick = {f: tuple(getattr(job, f)[i] for i in order) for f in ("settings", "replicate")}
        return compute.compute(replace(job, identity=job.identity[order], **pick))

    for order in ([3, 2, 1, 0], [1, 3], *([i] for i in range(4))):
        found, why = again(order)
        assert found.tobytes() == rows[order].tobytes()
        assert why == {order.index(i): reasons[i] for i in order if i in reasons}


def test_a_monte_carlo_replicate_is_predict_with_its_seed(tmp_path):
    head = 'config = "demo.toml"\nengine = "montecarlo"\nreplicates = 2\nseed = 7'
    fixed = '[set]\n"run.histories" = 300\n"run.x50_error" = 0.0'
    p = plan(tmp_path, J8.replace('config = "demo.toml"', head) + fixed)
    assert p.shape == (5, 5, 3, 2)
    rows, _ = compute.compute(job_of(p, [1]))
    config = load_config(tmp_path / "demo.toml", [*as_overrides(p, 1), "run.histories=300", "run.x50_error=0",
                                                  "run.band_samples=0", "run.trace=false"])  # fmt: skip
    prediction = run.predict(config, engine="montecarlo", seed=8)
    assert rows[0]["values"][1] == prediction.main.scalars["x50_m"].value
    assert rows[0]["se"][1] == prediction.main.scalars["x50_m"].se


def test_draws_are_those_of_the_band(tmp_path):
    from millsim.forecast import band
    from millsim.forecast.error import errors

    p = plan(tmp_path, J8.replace("[[axis]]", "class_ratio = 1.4\n[[axis]]", 1))
    rows, _ = compute.compute(job_of(p, [40], draws=4))
    assert rows[0]["draws"].shape == (4, len(compute.NAMES))
    problem = build(job_of(p, [40]).template.config(p.settings(np.array([40]))[0]), 1.4)
    off = errors(problem, 4, p.seed)
    result, _ = band.solve_draw(problem, band.draws(problem, 4, p.seed)[2:3], None, off, 2)
    assert rows[0]["draws"][2][1] == result.values["x50_m"]


# --- identity ----------------------------------------------------------------------------------------------


def same(a, b):
    return np.array_equal(identity.identities(a), identity.identities(b))


def test_names_notes_order_and_spelling_do_not_count(tmp_path):
    (tmp_path / "a").mkdir()
    first = plan(tmp_path / "a", J8)
    text = J8.replace('"1 mm"', '"1000 um"') + "# a remark\n"

    def base(demo):
        named = demo.replace('name = "workshop acrylic mill"', 'name = "another"')
        return named.replace("60 mm", "6 cm") + "\n# more\n"

    (tmp_path / "b").mkdir()
    assert same(first, plan(tmp_path / "b", text, "other.toml", base))


def test_what_only_the_review_reads_counts_for_a_point_keeps_its_review(tmp_path):
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    first = plan(tmp_path / "a", J8)
    second = plan(tmp_path / "b", J8, base=lambda t: t.replace("balance_grade = 6.3", "balance_grade = 2.5"))
    assert not same(first, second)


@pytest.mark.parametrize(
    "section, key",
    [pytest.param(s, k, id=f"{s}.{k.name}") for s, keys in SECTIONS.items() for k in keys if not k.predicts],
)
def test_keys_that_do_not_count_change_nothing_the_engine_sees(section, key):
    base = "swinging" if key.only == ("mount", "swinging") else "demo"
    tool = ["drive.kind=router"] if key.name == "rotor_on" else []  # what carries the rotor is asked of a hand tool
    cloth = ["sieve.kind=cloth", "sieve.thread=0.3 mm"] if key.only == ("kind", "cloth") else []
    made = [
        build(load_config(CONFIGS / f"{base}.toml", [*tool, *cloth, *more]))
        for more in ([], *settings_of(section, key))
    ]
    assert len(made) > 2
    assert {m.mill.tobytes() for m in made} == {made[0].mill.tobytes()}
    assert {m.edges.tobytes() for m in made} == {made[0].edges.tobytes()}


def settings_of(section, key):
    """A key set in two ways or more, so that one at least is not what the config has."""
    values = list(key.choices) or (["true", "false"] if key.kind == "flag" else [key.example.strip('"')])
    if key.kind in ("quantity", "number"):
        number, unit = split_quantity(values[0])
        values.append(f"{1.5 * float(number):g} {unit.text if unit else ''}".strip())
    elif key.kind in ("text", "speeds"):
        values.append(values[0].replace("my", "our").replace("8000", "9000"))
    return [[f"{section}.{key.name}={v}"] for v in values]


def changed(tmp_path, text, base=None, changes=()):
    """What differs from the plain sweep, in words."""
    for name in "ab":
        (tmp_path / name).mkdir()
    before, after = plan(tmp_path / "a", J8), plan(tmp_path / "b", text, "s.toml", base, changes)
    assert not np.any(np.all(identity.identities(before)[: after.count] == identity.identities(after)[:75], axis=1))
    return identity.changes(identity.common_pairs(before), identity.common_pairs(after))


def test_a_changed_key_is_named(tmp_path):
    assert changed(tmp_path, J8, lambda t: t.replace("bars = 4 ", "bars = 6 ")) == ["rotor.bars: 4 -> 6"]


def test_a_changed_class_ratio_is_named(tmp_path):
    assert changed(tmp_path, J8.replace("[[axis]]", "class_ratio = 1.2\n[[axis]]", 1)) == ["class_ratio: 1.15 -> 1.2"]


def test_a_changed_density_on_a_card_is_named(tmp_path):
    import millsim.mill.cards as cards

    card = cards.card_toml(cards.load_material("pmma"))
    text = J8.replace("[[axis]]", '[set]\n"feed.material" = "mine.toml"\n[[axis]]', 1)
    for name, density in (("a", "1180"), ("b", "1190")):
        (tmp_path / name).mkdir()
        assert "[density]\nvalue = 1180" in card
        mine = card.replace("[density]\nvalue = 1180", f"[density]\nvalue = {density}")
        (tmp_path / name / "mine.toml").write_text(mine, encoding="utf-8")
    before, after = (plan(tmp_path / n, text) for n in "ab")
    rows = identity.changes(identity.common_pairs(before), identity.common_pairs(after))
    assert rows == ["material.density: 1180 -> 1190"]
    shipped = plan(tmp_path / "a", J8)  # the same content under another name is the same material
    assert same(shipped, before)


@pytest.mark.parametrize(("draws", "counts"), [(4, True), (0, False)])
def test_ranges_on_a_card_count_where_there_are_draws(tmp_path, draws, counts):
    import millsim.mill.cards as cards

    card = cards.card_toml(cards.load_material("pmma"))
    text = J8.replace("[[axis]]", f'draws = {draws}\n[set]\n"feed.material" = "mine.toml"\n[[axis]]', 1)
    start = card.index("[f_mat_warm]")
    line = next(x for x in card[start:].splitlines() if x.startswith("high = "))
    for name in "ab":
        (tmp_path / name).mkdir()
        wider = f"high = {2 * float(line.split(' = ')[1])}" if name == "b" else line
        mine = card[:start] + card[start:].replace(line, wider, 1)
        (tmp_path / name / "mine.toml").write_text(mine, encoding="utf-8")
    assert same(*(plan(tmp_path / n, text) for n in "ab")) != counts


def test_a_feed_sheet_and_its_numbers_as_a_table_are_one_feed(tmp_path):
    size = load_config(CONFIGS / "demo.toml").feed.size
    apertures = ", ".join(f'"{1e3 * x:.12g} mm"' for x in size.sheet_apertures_m)
    table = f'kind = "table"\napertures = [{apertures}]\nq3 = {list(size.sheet_q3)}\n'

    def by_table(text):
        start = text.index("[feed.size]") + len("[feed.size]\n")
        return text[:start] + table + "\n" + text[text.index("\n[", start) + 1 :]

    for name in "ab":
        (tmp_path / name).mkdir()
    first, second = plan(tmp_path / "a", J8), plan(tmp_path / "b", J8, base=by_table)
    assert second.base.feed.size.sheet_path is None
    assert same(first, second)


def test_whole_numbers_of_a_sampled_design_come_equally_often(tmp_path):
    axes = '[[axis]]\nkey = "rotor.bars"\nfrom = 2\nto = 4\n[[axis]]\nkey = "stator.gap"\nfrom = "2 mm"\nto = "4 mm"\n'
    head = f'[sweep]\nconfig = "{CONFIGS / "demo.toml"}"\ndesign = "latin hypercube"\npoints = 300\n'
    values, counts = np.unique(plan(tmp_path, head + axes).axes[0].values, return_counts=True)
    np.testing.assert_array_equal(values, [2, 3, 4])
    np.testing.assert_array_equal(counts, [100, 100, 100])  # one value in each of 300 equal strips


def test_no_number_of_points_is_too_large_to_count(tmp_path):
    ends = {"stator.gap": "1 mm 4 mm", "sieve.area": "40 cm2 60 cm2", "drive.efficiency": "0.5 0.6",
            "rotor.mass": "1 kg 2 kg"}  # fmt: skip
    axes = ""
    for key, text in ends.items():
        words = text.split()
        a, b = words if len(words) == 2 else (f'"{words[0]} {words[1]}"', f'"{words[2]} {words[3]}"')
        axes += f'[[axis]]\nkey = "{key}"\nfrom = {a}\nto = {b}\ncount = 65536\n'
    with pytest.raises(InputError, match="the axes make 18446744073709551616 points"):
        plan(tmp_path, f'[sweep]\nconfig = "{CONFIGS / "demo.toml"}"\n{axes}')


def test_a_new_model_version_is_named(tmp_path, monkeypatch):
    p = plan(tmp_path, J8)
    before, ids = identity.common_pairs(p), identity.identities(p)
    version = identity.MODEL_VERSION
    monkeypatch.setattr(identity, "MODEL_VERSION", "next")
    assert identity.changes(before, identity.common_pairs(p)) == [f"model version: {version} -> next"]
    assert not np.any(identity.identities(p) == ids)


def test_an_edited_law_is_seen(tmp_path, monkeypatch):
    p = plan(tmp_path, J8)
    ids = identity.identities(p)
    monkeypatch.setattr(identity, "engine_sources", lambda: "an edited law")
    assert not np.any(identity.identities(p) == ids)


# What a point's computation imports that cannot change its numbers: errors, records, names, the words of a sweep file.
# The model version counts by itself; what a product file holds counts by the feed's numbers.
NO_NUMBERS = {
    "errors", "version", "record.bounds", "record.date", "record.outputs", "record.prediction", "record.read",
    "record.seal", "explore.sweep.spec",
}  # fmt: skip


def test_every_source_that_computes_a_point_counts():
    listed = {path for pattern in identity._ENGINE for path in identity._PACKAGE.glob(pattern)}
    assert all(list(identity._PACKAGE.glob(pattern)) for pattern in identity._ENGINE)
    reached, todo = set(), {"explore.sweep.compute"}
    while todo:
        reached |= todo
        todo = set().union(*(imports(MODULES[name])[0] for name in todo)) - reached
    assert {"laws.breakage", "engines.balance", "mill.config.checks", "base.numerics.rng"} <= reached
    assert {name for name in reached if MODULES[name] not in listed} == NO_NUMBERS


def test_other_libraries_are_other_points(tmp_path, monkeypatch):
    # The last bits of everything from numpy and numba.
    before = identity.identities(plan(tmp_path, J8))
    monkeypatch.setattr(identity, "libraries", lambda: "numpy 1.0, numba 1.0, scipy 1.0")
    after = plan(tmp_path, J8)
    assert not np.any(np.all(identity.identities(after) == before, axis=1))
    assert identity.common_pairs(after)["libraries"].startswith("numpy 1.0")


@pytest.mark.parametrize("key", ["drive.tip_speed", "drive.speed"])
def test_the_point_of_the_mill_as_built_is_the_mill_as_built(tmp_path, key):
    # The motor slows under load as it does in the mill as built, in proportion at every speed of the axis.
    base = load_config(CONFIGS / "demo.toml")
    values = '["60 m/s", "70 m/s"]'
    if key == "drive.speed":
        values = f'["{base.drive.speed_rad_s * 30 / np.pi:.15g} rpm", "11000 rpm"]'
    text = f'[sweep]\nconfig = "{CONFIGS / "demo.toml"}"\n[[axis]]\nkey = "{key}"\nvalues = {values}\n'
    made = plan(tmp_path, text)
    same, other = (made.templates[0].config(s) for s in made.settings(np.arange(2)))
    assert same.drive.curve_speed_rad_s == pytest.approx(base.drive.curve_speed_rad_s, rel=1e-12)
    slip = np.array(other.drive.curve_speed_rad_s) / other.drive.speed_rad_s
    np.testing.assert_allclose(slip, np.array(base.drive.curve_speed_rad_s) / base.drive.speed_rad_s, rtol=1e-12)
    if key == "drive.tip_speed":  # the key of the base config: so it is one point, computed once
        assert (identity.identities(made)[0] == identity.base_identity(made)[0]).all()


def test_a_larger_sweep_holds_the_points_of_a_smaller_one(tmp_path):
    small = plan(tmp_path, J8)
    more = plan(tmp_path, J8 + '\n[[axis]]\nkey = "rotor.bars"\nvalues = [2, 4, 6]\n')
    known = {tuple(row) for row in identity.identities(more).tolist()}
    assert all(tuple(row) in known for row in identity.identities(small).tolist())  # the base has 4 bars


def test_a_base_with_the_axis_key_of_its_own_is_the_same_point(tmp_path):
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    first = plan(tmp_path / "a", J8)
    second = plan(tmp_path / "b", J8, base=lambda t: t.replace('gap = "3 mm"', 'gap = "5 mm"'))
    assert same(first, second)


def test_all_points_of_a_plan_differ(tmp_path):
    for text in (J8, WORDS):
        p = plan(tmp_path, text)
        assert len(np.unique(identity.identities(p), axis=0)) == p.count


# --- axes --------------------------------------------------------------------------------------------------


def test_ranges_are_numbers_that_people_write(tmp_path):
    p = plan(tmp_path, J8)
    listed = J8.replace('from = "6000 rpm"\nto = "18000 rpm"\ncount = 5',
                        'values = ["6000 rpm", "9000 rpm", "12000 rpm", "15000 rpm", "18000 rpm"]')  # fmt: skip
    assert p.axes[1].values == plan(tmp_path, listed).axes[1].values


def test_geometric_steps_have_one_factor(tmp_path):
    p = plan(tmp_path, J8.replace("count = 5", 'count = 5\nspacing = "geometric"'))
    factors = np.diff(np.log(p.axes[1].values))
    assert factors == pytest.approx(np.log(3) / 4, rel=1e-11)


@settings(max_examples=200, deadline=None)
@given(st.sampled_from([k for keys in SECTIONS.values() for k in keys if k.kind == "quantity" and k.low > -1e9]),
       st.floats(0.0, 1.0))  # fmt: skip
def test_a_snapped_number_reads_back_from_its_override(row, share):
    from millsim.base.reading.values import convert

    x = axes.snap(row.low + share * (row.high - row.low), row)
    text = axes.text_of("a.b", x, row).partition("=")[2].strip('"')
    assert axes.snap(x, row) == x
    if row.low <= x <= row.high:
        assert convert(text, row) == x


def test_sobol_points_cover_evenly_and_go_on(tmp_path):
    head = 'config = "demo.toml"\ndesign = "sobol"\npoints = {}'
    text = J8.replace("count = 5\n", "")
    few = plan(tmp_path, text.replace('config = "demo.toml"', head.format(64)))
    many = plan(tmp_path, text.replace('config = "demo.toml"', head.format(128)))
    assert few.shape == (64,)
    assert few.axes[1].values == many.axes[1].values[:64]
    low, high = 6000 * np.pi / 30, 18000 * np.pi / 30
    shares = (np.array(few.axes[1].values) - low) / (high - low)
    assert np.all(np.histogram(shares, 8, (0, 1))[0] == 8)  # of a (0, m, s) net in base 2: Sobol 1967
    counts = np.unique(few.axes[0].values, return_counts=True)[1]
    assert counts.size == 5
    assert np.ptp(counts) <= 2


def test_a_latin_hypercube_has_one_point_in_every_slice(tmp_path):
    head = 'config = "demo.toml"\ndesign = "latin hypercube"\npoints = 40'
    p = plan(tmp_path, J8.replace("count = 5\n", "").replace('config = "demo.toml"', head))
    low, high = 6000 * np.pi / 30, 18000 * np.pi / 30
    shares = (np.array(p.axes[1].values) - low) / (high - low)
    assert sorted((shares * 40).astype(int)) == list(range(40))  # McKay, Beckman & Conover 1979


def test_a_grid_is_every_combination_once_last_axis_fastest(tmp_path):
    p = plan(tmp_path, J8)
    rows = [tuple(s[a.key] for a in p.axes) for s in p.settings(np.arange(p.count))]
    assert rows == list(itertools.product(*(a.values for a in p.axes)))


def test_a_contradiction_is_found_at_its_point_only(tmp_path):
    text = J8.replace('along = { "sieve.pitch" = ["1.6 mm", "2 mm", "3 mm"] }', "")  # the demo's pitch is 1.2 mm
    p = plan(tmp_path, text)
    config = p.templates[0].config(p.settings(np.array([0]))[0])
    assert config.sieve.hole_m == 0.8e-3
    with pytest.raises(InputError, match="pitch"):
        p.templates[0].config(p.settings(np.array([2]))[0])
    rows, reasons = compute.compute(job_of(p, [1, 2]))
    assert rows["status"].tolist() == [0, 3]
    assert set(reasons) == {1}
    assert reasons[1].text.startswith("contradiction: sieve.pitch")


def test_a_batch_that_jams_at_once_has_no_figures_at_its_point(tmp_path):
    text = '[sweep]\nconfig = "batch.toml"\nclass_ratio = 1.6\n'
    p = plan(tmp_path, text + '[[axis]]\nkey = "feed.batch_mass"\nvalues = ["12 g", "100 g"]\n')
    rows, reasons = compute.compute(job_of(p, [0, 1]))
    assert rows["status"].tolist() == [0, 1] and not reasons
    known = {n for n, x in zip(compute.NAMES, rows["values"][1], strict=True) if np.isfinite(x)}
    assert known == {*TOLD_AT_ONCE} < {n for n, x in zip(compute.NAMES, rows["values"][0], strict=True) if x == x}
    assert np.isnan(rows["q3"][1]).all() and np.isfinite(rows["q3"][0]).all()
    assert (
        np.isnan(rows["loads"][1][[0, 6]]).all() and rows["loads"][1][4] > 1.0 and LIMITS[rows["binding"][1]] == "jam"
    )
    with_replicates = replace(job_of(p, [0, 1]), engine="montecarlo")
    rows, reasons = compute.compute(with_replicates)
    assert rows["status"].tolist() == [0, 1] and not reasons
    assert np.isnan(rows["se"][1]).all() and np.isnan(rows["q3"][1]).all()


@pytest.mark.parametrize("head", ['design = "latin hypercube"\npoints = 8\n', ""])
def test_what_moves_along_a_range_needs_its_values(tmp_path, head):
    count = "" if head else "count = 2\n"
    along = 'along = { "sieve.pitch" = ["1 mm", "2 mm"] }\n'
    axis = f'[[axis]]\nkey = "sieve.hole"\nfrom = "0.4 mm"\nto = "0.8 mm"\n{count}{along}'
    with pytest.raises(InputError, match="sieve.pitch needs the axis to list its values"):
        plan(tmp_path, f'[sweep]\nconfig = "demo.toml"\n{head}{axis}')
