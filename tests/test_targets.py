"""Targets: the ready ones, reading, printing, and what is refused with which words."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from millsim.errors import InputError
from millsim.explore.choose import targets
from millsim.explore.choose.words import limit_words

ASKED_FOR = ("rotational-moulding", "electrostatic-coating", "fluidised-bed-coating", "laser-sintering",
             "granulate-extruder")  # fmt: skip
HEAD = '[target]\ntitle = "test"\n'


def said(content, where="my.toml"):
    """The problems of a target text, as one text."""
    with pytest.raises(InputError) as caught:
        targets.parse(HEAD + content, where)
    return "\n".join(str(p) for p in caught.value.problems)


def wish(target, name):
    return next(w for w in target.wishes if w.name == name)


def test_the_end_uses_asked_for_are_there():
    assert set(ASKED_FOR) <= set(targets.names())


@pytest.mark.parametrize("name", targets.names())
def test_every_limit_says_what_it_rests_on(name):
    target = targets.ready(name)
    assert targets.judged(target), "something a prediction can answer"
    for w in target.wishes:
        assert w.basis in ("published", "handbook", "common practice", "from memory", "assumed")
        assert len(w.source) > 10
        if w.basis == "from memory":
            assert "memory" in w.source or "check with your buyer" in w.source or "proposal" in w.source, w.source


@pytest.mark.parametrize("name", targets.names())
def test_a_printed_target_reads_back_as_the_same(name):
    target = targets.ready(name)
    assert targets.parse(targets.to_toml(target)) == target


def test_rotational_moulding_is_what_the_trade_buys():
    target = targets.ready("rotational moulding")
    assert target.window == (0.0, 500e-6)
    assert wish(target, "yield").low == 0.95
    assert wish(target, "finer_150um").high == 0.20
    assert ("share finer than 150 µm", "at most 20 %") in [(w.about, limit_words(w)) for w in targets.judged(target)]
    assert any("35 s per 100 g" in w.about for w in targets.to_measure(target))


shares = st.floats(0.0, 1.0).map(lambda x: round(100 * x, 3))
sizes = st.floats(6.0, 30000.0).map(lambda x: float(f"{x:.4g}"))


@given(least=shares, than=sizes, x90=sizes, rate=st.floats(0.2, 9e5).map(lambda x: float(f"{x:.5g}")))
def test_any_target_reads_back_as_the_same(least, than, x90, rate):
    content = (
        f'{HEAD}[[coarser]]\nthan = "{than!r} um"\nmost = "{least!r} %"\n[x90]\nmost = "{x90!r} um"\n'
        f'[rate]\nleast = "{rate!r} g/h"\nsource = "a \\"quoted\\" buyer"\n'
    )
    try:
        target = targets.parse(content)
    except InputError as error:  # at most so much coarser than a size, and x90 far above it: no powder is both
        assert "asks for" in str(error)
        return
    again = targets.parse(targets.to_toml(target))
    assert [w.name for w in again.wishes] == [w.name for w in target.wishes]
    for a, b in zip(again.wishes, target.wishes, strict=True):
        assert (a.low, a.high) == pytest.approx((b.low, b.high), rel=1e-12)
        assert (a.output, a.unit, a.shown, a.source) == (b.output, b.unit, b.shown, b.source)


def test_units_become_si():
    target = targets.parse(f'{HEAD}[outlet]\nmost = "50 °C"\n[energy]\nmost = "2 kWh/kg"\n[jam]\nmost = "50 %"\n')
    assert wish(target, "outlet_temperature").high == pytest.approx(323.15)
    assert wish(target, "energy").high == pytest.approx(7.2e6)
    jam = wish(target, "jam_load")
    assert (jam.output, jam.high) == ("jam", 0.5)
    assert (jam.basis, jam.source) == ("yours", "as written in this file")


def test_a_sieve_fits_the_upper_size():
    assert targets.upper_size(targets.ready("rotational-moulding")) == pytest.approx(500e-6)
    assert targets.upper_size(targets.parse(f'{HEAD}[x90]\nmost = "0.4 mm"\n')) == pytest.approx(400e-6)
    assert math.isnan(targets.upper_size(targets.parse(f'{HEAD}[rate]\nleast = "200 g/h"\n')))


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ('[yield]\nleast = "95 %"\n', ["yield: needs a window of sizes", 'to = "500 um"']),
        ("[x90]\nmost = 500\n", ["x90.most", "has no unit"]),
        ('[[finer]]\nthan = "150 um"\nmost = 0.2\n', ["finer.most", "has no unit", 'write "20 %"']),
        ('[d90]\nmost = "500 um"\n', ["no section of a target is called [d90]", "the name here is [x90]"]),
        ('[fines]\nmost = "20 %"\n', ["no section of a target is called [fines]", "[[finer]]"]),
        ('[x90]\nmax = "500 um"\n', ["x90.max", 'did you mean "most"?']),
        ('[x90]\nleast = "500 um"\nmost = "300 um"\n', ["x90.least", "is more than most", "swap them"]),
        ("[x90]\n", ["x90: has no limit", "least or most", 'most = "500 um"']),
        ('[dry_flow]\nmost = "35 s"\n', ["[dry_flow]", "[[measure]]"]),
        ('[[measure]]\nwhat = "dry flow"\nlimit = "35 s"\n', ["asks for nothing that can be predicted"]),
        (
            '[x50]\nleast = "400 um"\n[[finer]]\nthan = "300 um"\nleast = "80 %"\n',
            ["asks for at least 80 % finer than 300 µm", "at most 50 % finer than 400 µm"],
        ),
        ('[window]\nfrom = "500 um"\nto = "150 um"\n[yield]\nleast = "9 %"\n', ["window.from: is not below its end"]),
    ],
)
def test_refusals_say_what_to_do(content, words):
    text = said(content)
    for word in words:
        assert word in text, (word, text)


def test_all_problems_come_in_one_pass():
    text = said('[x90]\nmost = 500\n[d50]\nmost = "1 mm"\n[jam]\nmost = "150 %"\n')
    assert text.count("my.toml") == 3
    for word in ("x90.most", "[x50]", "jam.most"):
        assert word in text


def test_files_of_another_kind_and_missing_ones(tmp_path):
    with pytest.raises(InputError, match="is a mill config, not a target"):
        targets.parse("[rotor]\nbars = 4\n", "mill.toml")
    with pytest.raises(InputError, match="none.toml: no such file"):
        targets.load(tmp_path / "none.toml")
    with pytest.raises(InputError, match='no ready target named "rotomolding".*did you mean "rotational-moulding"'):
        targets.load("rotomolding")
    with pytest.raises(InputError, match="the ready target is called laser-sintering, without .toml"):
        targets.load("laser-sintering.toml")
    assert targets.load("Rotational molding") == targets.ready("rotational-moulding")


def test_a_file_is_read(tmp_path):
    file = tmp_path / "ours.toml"
    file.write_text(targets.to_toml(targets.ready("laser-sintering")), encoding="utf-8")
    assert targets.load(file) == targets.ready("laser-sintering")
