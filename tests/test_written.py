"""The digit rule of written numbers: literal cases, and that every number in the rule is held by one of them."""

import ast
import inspect
import math
import textwrap

import pytest

from millsim.base.quantities import written
from millsim.base.quantities.scalar import Scalar

NAN = math.nan
DECIMALS = {  # (value, spread): decimal places
    (272.0, NAN): 0, (2.72, NAN): 2, (0.0272, NAN): 4, (27200.0, NAN): -2,  # no spread: three digits
    (100.0, 0.0009): 0, (100.0, 0.0011): 1,  # a spread below 1e-5 of the value is rounding and counts as none
    (100.0, 29.0): 0, (100.0, 31.0): -1,  # from 3 on the first digit of the spread is the last of the value
    (5000.0, 29.0): 0, (5000.0, 31.0): -1, (5000.0, 290.0): -1, (5000.0, 310.0): -2,
    (0.5, 0.029): 3, (0.5, 0.031): 2,
    (100.0, 500.0): -1, (0.27, 5.0): 2, (7.0, 900.0): 1,  # two digits at least
    (100.0, 0.01): 1, (0.27, 0.0001): 4, (7.0, 0.001): 3,  # four at most
    (0.0, 0.02): 3, (0.0, 0.04): 2, (0.0, NAN): 2,  # nothing has no first digit
    (NAN, 1.0): 0, (math.inf, 1.0): 0, (-100.0, 29.0): 0,
}  # fmt: skip


@pytest.mark.parametrize(("given", "places"), DECIMALS.items())
def test_places_follow_the_spread(given, places):
    assert written.decimals(*given) == places


SOURCE = textwrap.dedent(inspect.getsource(written.decimals))


def numbers():
    """Where numbers stand in the rule."""
    found = [n for n in ast.walk(ast.parse(SOURCE)) if isinstance(n, ast.Constant) and not isinstance(n.value, str)]
    return [(n.lineno, n.col_offset, n.value) for n in found]


def changed(line, column, value):
    """The rule with one of its numbers changed."""
    tree = ast.parse(SOURCE)
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and (node.lineno, node.col_offset) == (line, column):
            node.value = value
    names = dict(vars(written))
    exec(compile(ast.fix_missing_locations(tree), "changed", "exec"), names)
    return names["decimals"]


def holds(rule):
    """Whether a rule gives every literal case."""
    try:
        return all(rule(*given) == places for given, places in DECIMALS.items())
    except (ValueError, OverflowError, TypeError):
        return False


@pytest.mark.parametrize(("line", "column", "value"), numbers())
def test_no_number_of_the_rule_can_change_unseen(line, column, value):
    assert holds(changed(line, column, value)), "the rule as it stands"
    for other in (value + 1, value - 1) if isinstance(value, int) else (value * 1.2, value / 1.2):
        assert not holds(changed(line, column, other)), f"{value} may be {other} in line {line}"


def test_a_figure_in_its_unit_and_others_like_it():
    found = written.Shown(Scalar(318.4, "K", "", low=309.0, high=336.0))
    assert (found.text, found.band, found.like(320.05)) == ("45 °C", "36 to 63", "47 °C")
    fine = written.Shown(Scalar(0.000272, "m", "", se=0.0000016))
    assert (fine.text, fine.like(0.0003)) == ("0.2720 mm", "0.3000 mm")


@pytest.mark.parametrize(
    ("text", "small"),
    [("Above it", "above it"), ("RRSB", "RRSB"), ("x50 is", "x50 is"), ("", ""), ("A bite", "a bite"), ("Q3", "Q3")],
)
def test_a_text_reads_on_with_a_small_letter_unless_it_is_a_symbol(text, small):
    assert written.uncapital(text) == small
