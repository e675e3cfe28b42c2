"""What is typed at a step: units of the site, other units that are named, and refusals that say what is expected."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crumbmeter.commission.calibrating.quantities import QUANTITIES, Asked, factor_of, parse, shown, unit_of
from crumbmeter.report.form_texts import FormRefusedError

MASS = Asked("tare", "mass", above=0.0)


@pytest.mark.parametrize(
    ("asked", "text", "metric", "value"),
    [
        (MASS, "100", True, 100.0),
        (MASS, "100", False, 45.359237),
        (MASS, "52,340 lb", True, 23741.024645),
        (MASS, "2 short_ton", True, 1814.36948),
        (Asked("speed", "rotation"), "30", False, 0.5),
        (Asked("load", "line load"), "10 lb/ft", True, 14.881639),
        (Asked("tests", "count"), "3", False, 3.0),
        (Asked("how", "choice", ("weights", "chain")), "2", False, "chain"),
        (Asked("how", "choice", ("weights", "chain")), "weights", False, "weights"),
        (Asked("ok", "yes"), "Y", False, True),
        (Asked("ok", "yes"), "no", False, False),
        (Asked("note", "text", required=False), "  ", False, None),
        (Asked("note", "text"), " all well ", False, "all well"),
    ],
)
def test_typed(asked: Asked, text: str, metric: bool, value: object) -> None:
    found = parse(asked, text, metric=metric)
    assert found == (pytest.approx(value, rel=1e-6) if isinstance(value, float) else value)


@pytest.mark.parametrize(
    ("asked", "text", "words"),
    [
        (MASS, "", "found nothing; expected a number above 0 [lb]"),
        (MASS, "0", "above 0 [lb]"),
        (MASS, "12 gal", "found the unit 'gal'; expected lb, kg, g"),
        (MASS, "12 ton", "found the unit 'ton'"),  # a bare ton is three different things
        (MASS, "nan", "expected a number"),
        (MASS, "1e300", "expected a number"),
        (Asked("tests", "count", least=1.0, most=10.0), "2.5", "a whole number of at least 1 and of at most 10"),
        (Asked("tests", "count", least=1.0, most=10.0), "11", "a whole number of at least 1"),
        (Asked("how", "choice", ("weights", "chain")), "3", "one of weights, chain"),
        (Asked("ok", "yes"), "maybe", "yes or no"),
    ],
)
def test_refused(asked: Asked, text: str, words: str) -> None:
    with pytest.raises(FormRefusedError) as refused:
        parse(asked, text, metric=False)
    assert words in str(refused.value)


@given(st.sampled_from(sorted(QUANTITIES)), st.booleans(), st.floats(0.001, 1e6))
def test_what_is_shown_is_read_as_the_same(quantity: str, metric: bool, value: float) -> None:
    if quantity == "count":
        value = float(round(value))
    again = parse(Asked("it", quantity), shown(value, quantity, metric=metric), metric=not metric)
    assert again == pytest.approx(value, rel=1e-5)
    assert factor_of(unit_of(quantity, metric=metric)) > 0.0
