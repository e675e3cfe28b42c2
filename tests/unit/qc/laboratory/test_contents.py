"""Binder and gradation of a mix with rubber: the balance closes, and without a correction nothing is compared."""

import pytest

from crumbmeter.qc.laboratory.contents import (
    SIEVES_MM,
    BinderContent,
    Compared,
    ContentMethod,
    ContentTest,
    Gradation,
    GradationRefusedError,
    MixCorrection,
    Refused,
    binder_content,
    compare,
    gradation,
    of_the_job,
    without_rubber,
)

BINDER, RUBBER = 5.4, 0.5
OVEN = MixCorrection("surface", ContentMethod.IGNITION, 0.92, 0.15, "specimens of June (invented)")
SOLVENT = MixCorrection("surface", ContentMethod.SOLVENT, 0.08, 0.0, "specimens of June (invented)")
BURNT = ContentTest("surface", ContentMethod.IGNITION, BINDER + 0.15 + 0.92 * RUBBER, RUBBER)
EXTRACTED = ContentTest("surface", ContentMethod.SOLVENT, BINDER + 0.08 * RUBBER, RUBBER)


@pytest.mark.parametrize(("test", "correction"), [(BURNT, OVEN), (EXTRACTED, SOLVENT)])
def test_the_balance_gives_back_the_binder(test: ContentTest, correction: MixCorrection) -> None:
    found = binder_content(test, correction)
    assert isinstance(found, BinderContent)
    assert found.of_mix_percent == pytest.approx(BINDER)
    assert found.of_mix_without_rubber_percent == pytest.approx(100.0 * BINDER / (100.0 - RUBBER))
    assert test.method.value in found.method
    assert "specimens of June" in found.method


@pytest.mark.parametrize(
    ("test", "why"), [(BURNT, "burns the rubber"), (EXTRACTED, "leaves the rubber in the aggregate")]
)
def test_without_a_correction_the_comparison_is_refused_and_says_why(test: ContentTest, why: str) -> None:
    refused = compare(test, None, 5.4, 0.3)
    assert isinstance(refused, Refused)
    assert why in refused.why
    assert "no correction for mix surface" in refused.why


def test_a_correction_of_another_mix_or_method_is_refused() -> None:
    assert isinstance(binder_content(BURNT, SOLVENT), Refused)
    other = MixCorrection("base", ContentMethod.IGNITION, 0.92)
    refused = binder_content(BURNT, other)
    assert isinstance(refused, Refused)
    assert "mix base" in refused.why


def test_a_mix_without_rubber_needs_none() -> None:
    found = compare(ContentTest("plain", ContentMethod.IGNITION, 5.3, 0.0), None, 5.3, 0.3)
    assert isinstance(found, Compared)
    assert found.inside
    assert found.difference_percent == pytest.approx(0.0, abs=1e-12)


def test_the_comparison_is_with_the_mix_without_rubber() -> None:
    found = compare(BURNT, OVEN, 100.0 * BINDER / (100.0 - RUBBER), 0.0001)
    assert isinstance(found, Compared)
    assert found.inside
    off = compare(BURNT, OVEN, 5.8, 0.3)
    assert isinstance(off, Compared)
    assert not off.inside


@pytest.mark.parametrize(
    ("test", "correction", "why"),
    [
        (ContentTest("surface", ContentMethod.IGNITION, 0.2, RUBBER), OVEN, "more than was measured"),
        (ContentTest("surface", ContentMethod.IGNITION, 120.0, RUBBER), OVEN, "measured 120 %"),
        (ContentTest("surface", ContentMethod.IGNITION, 5.0, -1.0), OVEN, "rubber -1 %"),
        (BURNT, MixCorrection("surface", ContentMethod.IGNITION, 1.2), "share of rubber is 1.2"),
    ],
)
def test_what_cannot_be_is_refused(test: ContentTest, correction: MixCorrection, why: str) -> None:
    refused = binder_content(test, correction)
    assert isinstance(refused, Refused)
    assert why in refused.why


STONE = gradation({12.5: 100.0, 4.75: 60.0, 1.18: 30.0, 0.075: 5.0})
CRUMB = gradation({12.5: 100.0, 4.75: 100.0, 1.18: 70.0, 0.075: 0.0})


def test_the_rubber_is_taken_out_of_an_extracted_gradation() -> None:
    aggregate, left = 100.0 - BINDER - RUBBER, 0.92 * RUBBER
    sieved = Gradation(
        tuple(
            (opening, (stone * aggregate + crumb * left) / (aggregate + left))
            for (opening, stone), (_, crumb) in zip(STONE.passing_percent, CRUMB.passing_percent, strict=True)
        )
    )
    found = without_rubber(sieved, EXTRACTED, SOLVENT, CRUMB)
    assert isinstance(found, Gradation)
    for (opening, passing), (_, wanted) in zip(found.passing_percent, STONE.passing_percent, strict=True):
        assert passing == pytest.approx(wanted), opening
    assert "density" in found.note


def test_gradations_that_cannot_be_corrected() -> None:
    assert isinstance(without_rubber(STONE, EXTRACTED, None, CRUMB), Refused)
    assert isinstance(without_rubber(STONE, EXTRACTED, SOLVENT, None), Refused)
    missing = without_rubber(STONE, EXTRACTED, SOLVENT, gradation({12.5: 100.0}))
    assert isinstance(missing, Refused)
    assert "4.75 mm" in missing.why


def test_behind_the_oven_the_gradation_stands_with_a_note() -> None:
    found = without_rubber(STONE, BURNT, OVEN, None)
    assert isinstance(found, Gradation)
    assert found.passing_percent == STONE.passing_percent
    assert "ash" in found.note


@pytest.mark.parametrize(
    ("sieves", "words"),
    [({}, "no sieve"), ({4.75: 101.0}, "4.75 mm: 101"), ({4.75: 50.0, 1.18: 60.0}, "1.18 mm: 60 % passes, more")],
)
def test_what_is_no_gradation_is_refused(sieves: dict[float, float], words: str) -> None:
    with pytest.raises(GradationRefusedError, match=words):
        gradation(sieves)


def test_the_sieves_are_in_order_and_the_newest_correction_counts() -> None:
    assert list(SIEVES_MM) == sorted(SIEVES_MM, reverse=True)
    newer = MixCorrection("surface", ContentMethod.IGNITION, 0.95)
    assert of_the_job([OVEN, SOLVENT, newer], "surface", ContentMethod.IGNITION) is newer
    assert of_the_job([OVEN], "base", ContentMethod.IGNITION) is None
