"""The file of calibration limits: the stored one loads, mistakes are told with file and line."""

from pathlib import Path

import pytest

from crumbmeter.qc.calibrations import CalibrationKind
from crumbmeter.site import SiteRefused
from crumbmeter.site.calibration_limits import find_calibration_limits, load_calibration_limits

ROOT = Path(__file__).parents[3]
GOOD = '[[limits]]\nregime = "agency"\nkind = "feeder catch test"\nwhat = "error_percent"\nvalue = 1.0\nsection = "1"\n'
GOOD += 'status = "confirmed"\n'


def test_every_kind_has_a_due_date_and_only_the_zero_test_no_error() -> None:
    path = find_calibration_limits(ROOT / "config/sites/demo_drum.toml")
    assert path is not None
    limits = load_calibration_limits(path)
    for kind in CalibrationKind:
        if kind is not CalibrationKind.MOVED:
            found = limits.of(kind, "agency")
            assert found["due_days"].value == 183.0
            assert ("error_percent" in found) is (kind is not CalibrationKind.BELT_ZERO)


def test_a_site_may_bring_its_own_or_none(tmp_path: Path) -> None:
    site = tmp_path / "sites/site.toml"
    assert find_calibration_limits(site) is None
    site.parent.mkdir()
    for folder in (tmp_path, site.parent):
        own = folder / "calibration-limits.toml"
        own.write_text(GOOD, "utf-8")
        assert find_calibration_limits(site) == own
        assert len(load_calibration_limits(own).limits) == 1


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (GOOD.replace("value = 1.0\n", ""), ["limits[0].value", "is missing"]),
        (GOOD.replace("confirmed", "not specified"), ["has a value and is not specified"]),
        (GOOD.replace("1.0", "-1.0"), ["must be greater than 0", "line 5"]),
        (GOOD.replace("feeder catch test", "feeder test"), ["Did you mean feeder catch test?"]),
        (GOOD + GOOD, ["limits[1]", "stands twice"]),
        (GOOD + "[other]\n", ["other", "unknown table"]),
        ("limits = 3\n", ["must be a list of tables"]),
        ("[[limits]\n", ["not valid TOML"]),
    ],
)
def test_mistakes_are_told_with_their_place(tmp_path: Path, text: str, told: list[str]) -> None:
    path = tmp_path / "limits.toml"
    path.write_text(text, "utf-8")
    with pytest.raises(SiteRefused) as refused:
        load_calibration_limits(path)
    for word in told:
        assert word in str(refused.value)
