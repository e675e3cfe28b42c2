"""What the plant's controller reads: every name has a place, an old scan says nothing, nothing missing is a number."""

import math
import struct
from collections.abc import Sequence

import pytest

from crumbmeter.alarms.catalogue import CATALOGUE
from crumbmeter.control import permissives
from crumbmeter.control.sequence import RunState
from crumbmeter.model.frozen import replace
from crumbmeter.model.outputs import OutputImage, OutputRole
from crumbmeter.model.quality import Quality, Reason
from crumbmeter.model.reading import Reading, bad, good
from crumbmeter.model.units import POUND_KG
from crumbmeter.model.view import AlarmView, PermissiveView, ScanView, Totals
from crumbmeter.outward.offered import Offered, OfferedSite, offered
from crumbmeter.outward.offered_map import (
    ALARMS,
    BITS,
    FIGURES,
    FIRST_TOTAL,
    FIRST_VALUE,
    PERMISSIVES,
    RUN_STATES,
    TOTALS,
    VALUE_WORDS,
    WORD_COUNT,
)
from tests.unit.outward.samples import view

SITE = OfferedSite("us", ("a", "surface_10", "c"), simulated=False, low_word_first=False, fresh_for_s=1.0)
METRIC = OfferedSite("metric", (), simulated=True, low_word_first=True, fresh_for_s=1.0)
HEALTHY = OutputImage(write_enabled=True, stop_now=False, values=((OutputRole.PLANT_HEALTHY, 1.0),))


def laid_out(shown: ScanView, *, age_s: float = 0.2, site: OfferedSite = SITE, number: int = 7) -> Offered:
    return offered(shown, number, shown.now_s + age_s, 1_700_000_000_500_000, site)


def bit(image: Offered, name: str) -> int:
    return image.bits[[one for one, _ in BITS].index(name)]


def real(words: Sequence[int], at: int) -> float:
    value: float = struct.unpack(">f", struct.pack(">HH", *words[at : at + 2]))[0]
    return value


def figure(image: Offered, name: str) -> tuple[float, int]:
    at = FIRST_VALUE + VALUE_WORDS * [one.name for one in FIGURES].index(name)
    return real(image.words, at), image.words[at + 2]


@pytest.mark.parametrize(
    ("run_state", "healthy"), [("monitor only", 1), ("idle", 1), ("local", 1), ("feeding", 0), ("stopped", 0)]
)
def test_claiming_the_owner_register_asks_no_plant_to_stop(run_state: str, healthy: int) -> None:
    """For the scans until the claim is read back: somebody enables control while the plant makes mix without rubber."""
    claim = OutputImage(write_enabled=True, stop_now=False, values=((OutputRole.OWNER, 77.0),))
    image = laid_out(replace(view(), outputs=claim, run_state=run_state))
    assert (bit(image, "healthy"), bit(image, "stop_requested")) == (healthy, 1 - healthy)


def test_every_alarm_state_and_permissive_of_the_core_has_its_place() -> None:
    assert set(ALARMS) == {spec.alarm_id for spec in CATALOGUE}
    assert len(ALARMS) == len(set(ALARMS)) <= 64
    assert RUN_STATES[1:] == tuple(state.value for state in RunState)
    contacts = permissives.Contacts(*([True] * 7))
    for mixer in ("drum", "pugmill"):
        views = permissives.views(
            contacts, control_enabled=True, weight_known=True, in_service=True, in_doubt="", dosed=True, material=True,
            mixer=mixer,
        )  # fmt: skip
        assert tuple(one.name.replace(mixer, "drum") for one in views) == PERMISSIVES


def test_nothing_of_the_map_lies_upon_another_part() -> None:
    end_of_figures = FIRST_VALUE + VALUE_WORDS * len(FIGURES)
    assert end_of_figures <= FIRST_TOTAL
    assert FIRST_TOTAL + 2 * len(TOTALS) <= WORD_COUNT
    assert len(BITS) <= 16


def test_healthy_needs_the_output_and_a_fresh_scan() -> None:
    shown = view(outputs=HEALTHY)
    assert bit(laid_out(shown), "healthy") == 1
    assert bit(laid_out(shown), "stop_requested") == 0
    for image in (laid_out(shown, age_s=1.1), laid_out(view(outputs=OutputImage(False, False, ())))):
        assert bit(image, "healthy") == 0
        assert bit(image, "stop_requested") == 1
    assert bit(laid_out(shown, age_s=1.1), "scanning") == 0


def test_before_the_first_scan_everything_is_bad_and_a_stop_is_requested() -> None:
    image = offered(None, 0, 5.0, 0, METRIC)
    assert [name for (name, _), value in zip(BITS, image.bits, strict=True) if value] == ["stop_requested", "simulated"]
    assert image.words[16] == 65535
    for place in range(len(FIGURES)):
        at = FIRST_VALUE + VALUE_WORDS * place
        assert image.words[at + 2] == 0


def test_a_figure_comes_in_the_sites_unit_with_its_quality() -> None:
    shown = view(
        fed=Reading(10.0 * POUND_KG / 60.0, Quality.UNCERTAIN, Reason.LAST_USABLE_VALUE, 0.1), setpoint_kg_s=0.5
    )
    value, quality = figure(laid_out(shown), "rubber fed")
    assert value == pytest.approx(10.0)
    assert quality == 1
    assert figure(laid_out(shown), "setpoint")[0] == pytest.approx(0.5 * 60.0 / POUND_KG)
    assert figure(laid_out(view(fed=good(0.0))), "rubber fed") == (0.0, 2)


def test_a_missing_figure_is_bad_and_not_a_number() -> None:
    for image in (laid_out(view(line_pressure=bad(Reason.STALE))), laid_out(view(), age_s=2.0)):
        value, quality = figure(image, "line pressure")
        assert math.isnan(value)
        assert quality == 0


def test_low_word_first_turns_the_words_round_and_nothing_else() -> None:
    shown = view(setpoint_kg_s=1.0)
    words = laid_out(shown, site=METRIC).words
    at = FIRST_VALUE + VALUE_WORDS
    assert real((words[at + 1], words[at]), 0) == pytest.approx(60.0)
    assert (words[19] << 16) + words[18] == 1_700_000_000


def test_alarms_permissives_mix_and_run_state() -> None:
    shown = view(
        mix_id="surface_10", run_state="feeding",
        permissives=(PermissiveView("in service", True, ""), PermissiveView("drum turning", None, "reading is Bad")),
        alarms=(
            AlarmView("dose_out", "unacknowledged", 1.0, "", "", priority="high"),
            AlarmView("writes_worn", "acknowledged", 1.0, "", ""),
            AlarmView("input_lost", "returned, unacknowledged", 1.0, "", ""),
            AlarmView("supply_low", "shelved", 1.0, "", ""),
        ),
    )  # fmt: skip
    words = laid_out(shown).words
    assert words[5] == 2
    assert RUN_STATES[words[3]] == "feeding"
    assert words[6:8] == (1 << 1, 1 << 1)
    active = sum(word << 16 * place for place, word in enumerate(words[8:12]))
    assert active == (1 << ALARMS.index("dose_out")) + (1 << ALARMS.index("writes_worn"))
    unseen = sum(word << 16 * place for place, word in enumerate(words[12:16]))
    assert unseen == (1 << ALARMS.index("dose_out")) + (1 << ALARMS.index("input_lost"))
    assert bit(laid_out(shown), "high_alarm_active") == 1
    assert words[2] == sum(value << place for place, value in enumerate(laid_out(shown).bits))


def test_totals_are_whole_numbers_that_outlive_a_stale_scan_and_go_round() -> None:
    grams = round(12_345.0 * POUND_KG * 1000.0) + 5
    shown = view(totals=Totals(rubber_g=grams, mix_g=round(98.76 * 2000.0 * POUND_KG * 1000.0)))
    for age_s in (0.1, 100.0):
        words = laid_out(shown, age_s=age_s).words
        assert (words[FIRST_TOTAL] << 16) + words[FIRST_TOTAL + 1] == 12_345
        assert (words[FIRST_TOTAL + 4] << 16) + words[FIRST_TOTAL + 5] == 987
    far = view(totals=Totals(rubber_g=(2**32 + 3) * 1000))
    words = laid_out(far, site=METRIC).words
    assert (words[FIRST_TOTAL + 1] << 16) + words[FIRST_TOTAL] == 3
