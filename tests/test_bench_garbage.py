"""Whatever stands in a bench sheet: an answer or an InputError, never anything else."""

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from millsim.errors import InputError
from millsim.learn.measured.cuttest import read_cuts
from millsim.learn.measured.dropsheet import read_drops
from millsim.learn.measured.droptest import analyse
from millsim.learn.measured.idlerun import read_idle
from millsim.mill.cards import load_material
from millsim.show.words import bench, bench_json, idle

PMMA = load_material("pmma")
HEADERS = st.sampled_from(
    "hammer_mass_g height_mm piece_mass_mg piece_size_mm temperature_C broken tested drop drops piece note "
    "power_W power_loaded_W power_idle_W time_s removed_g kerf_mm speed_rpm height hammer_mass_ heigth_mm".split()
)
CELLS = st.one_of(
    st.sampled_from(["", "yes", "no", "1", "0", "2", "41", "100", "1,5", "0.2 kg", "nan", "1e999", "-3", "1.000,5"]),
    st.text(max_size=6),
    st.integers(1, 200).map(str),
)


def few(count):
    return settings(max_examples=count, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@st.composite
def sheets(draw):
    """Text that is nearly a table."""
    mark = draw(st.sampled_from(",;\t"))
    header = draw(st.lists(HEADERS, min_size=1, max_size=7))
    rows = draw(st.lists(st.lists(CELLS, max_size=8), max_size=5))
    return "\n".join(mark.join(row) for row in [header, *rows])


def outcome(read, path):
    try:
        read(path)
    except InputError as error:
        assert error.problems
        return "refused"
    return "read"


def drop(path):
    test = analyse(read_drops(path, PMMA))
    assert bench.drop_text(test)
    assert bench_json.drop_json(test)["groups"]


@few(120)
@given(text=sheets())
def test_only_input_errors(tmp_path, text):
    path = tmp_path / "sheet.csv"
    path.write_text(text, encoding="utf-8", errors="surrogatepass")
    readers = (drop, lambda p: bench.cut_text(read_cuts(p, PMMA), 300.0), lambda p: idle.idle_text(read_idle(p), None))
    assert {outcome(read, path) for read in readers} <= {"read", "refused"}


@few(60)
@given(data=st.binary(max_size=200))
def test_bytes_too(tmp_path, data):
    path = tmp_path / "sheet.csv"
    path.write_bytes(data)
    assert outcome(drop, path) in {"read", "refused"}


@few(25)
@given(
    rows=st.lists(
        st.tuples(st.integers(10, 400), st.integers(20, 60), st.booleans(), st.sampled_from([-18, 21])),
        min_size=1,
        max_size=12,
    )
)
def test_any_drop_test_has_a_report_a_card_or_a_reason(tmp_path, rows):
    from millsim.learn.measured.dropcard import drop_card

    path = tmp_path / "sheet.csv"
    head = "hammer_mass_g,height_mm,piece_mass_mg,broken,temperature_C\n"
    path.write_text(head + "".join(f"100,{h},{m},{int(b)},{t}\n" for h, m, b, t in rows))
    drop(path)
    try:
        card = drop_card(analyse(read_drops(path, PMMA)), PMMA)
    except InputError as error:
        assert "gives no range for a card" in str(error) or "no card from these" in str(error)
    else:
        assert all(p.low <= p.value <= p.high for p in card.values())
