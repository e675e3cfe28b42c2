"""Mean and spread of the stages, against the closed form."""

import pytest

from crumbmeter.process.stages import cascade, share_leaving


@pytest.mark.parametrize("dt_s", [0.05, 0.2, 1.0])
@pytest.mark.parametrize(("residence_s", "stages"), [(45.0, 12), (18.0, 8), (60.0, 6)])
def test_mean_and_variance_of_a_pulse(residence_s: float, stages: int, dt_s: float) -> None:
    # Levenspiel, Chemical Reaction Engineering (tanks in series): mean t, variance t^2/N. The discrete form keeps the
    # mean exactly and adds t*dt to the variance.
    share = share_leaving(residence_s, stages, dt_s, 1.0)
    content, out = cascade((0.0,) * stages, 1.0, share)
    times, leaving = [0.0], [out]
    while sum(leaving) < 1.0 - 1e-12:
        content, out = cascade(content, 0.0, share)
        times.append(times[-1] + dt_s)
        leaving.append(out)
    mean_s = sum(t * m for t, m in zip(times, leaving, strict=True))
    variance = sum((t - mean_s) ** 2 * m for t, m in zip(times, leaving, strict=True))
    assert mean_s == pytest.approx(residence_s, rel=1e-6)
    assert variance == pytest.approx(residence_s**2 / stages + residence_s * dt_s, rel=1e-4)


def test_a_drum_that_stands_holds_everything() -> None:
    assert share_leaving(45.0, 12, 0.2, 0.0) == 0.0


def test_half_the_speed_is_twice_the_time() -> None:
    assert share_leaving(45.0, 12, 0.2, 0.5) == pytest.approx(share_leaving(90.0, 12, 0.2, 1.0))
