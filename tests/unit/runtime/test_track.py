"""Words that a register should not hold: told from those that it only holds still, from a write before."""

from dataclasses import replace

from crumbmeter.model.image import WriteStage
from crumbmeter.model.outputs import OutputRole
from crumbmeter.runtime.track import OutputTrack
from tests.cores import make_params

SPEC = replace(
    make_params().outputs[0],
    role=OutputRole.AUGER_SPEED.value,
    confirm_within_s=1.5,
    min_interval_s=0.0,
    deadband_counts=0,
)


def written(*words: int) -> OutputTrack:
    """Make a track to which these were written, one every 0.2 s from 0.2 s on."""
    track = OutputTrack(SPEC)
    track.observe((0,), 0.1, 1)
    for place, word in enumerate(words, start=1):
        now_s = 0.2 * place
        assert track.want((word,), urgent=False, generation=1, now_s=now_s)
        track.sending((word,), now_s)
        track.acknowledged((word,), 1, now_s)
    return track


def foreign(track: OutputTrack, word: int, now_s: float) -> bool:
    track.observe((word,), now_s, 1)
    return track.status.foreign


def test_what_it_should_hold_or_held_of_late_is_not_foreign() -> None:
    track = written(10, 20, 30)
    assert [foreign(track, word, 0.8) for word in (30, 20, 10)] == [False, False, False]
    assert foreign(track, 20, 0.6 + 1.5) is False
    assert foreign(track, 20, 0.6 + 1.51) is True


def test_words_that_nobody_here_wrote_are_foreign_until_others_are_read() -> None:
    track = written(10, 20)
    assert foreign(track, 0, 0.6) is True
    assert foreign(track, 20, 0.8) is False
    assert track.status.stage is WriteStage.CONFIRMED


def test_before_the_first_write_and_after_release_nothing_is_foreign() -> None:
    track = OutputTrack(SPEC)
    assert foreign(track, 7, 0.1) is False
    track = written(10)
    assert foreign(track, 7, 0.4) is True
    track.release(0.6)
    assert track.status.foreign is False
    assert foreign(track, 7, 0.8) is False


def test_while_a_write_is_under_way_nothing_is_told() -> None:
    track = written(10)
    assert track.want((20,), urgent=False, generation=1, now_s=0.4)
    track.sending((20,), 0.4)
    assert foreign(track, 7, 0.5) is False


def test_after_a_doubt_the_setpoint_is_looked_at_before_it_is_written_and_a_stop_is_not() -> None:
    track = written(10, 20)
    track.observe((20,), 0.6, 1)
    assert not track.want((30,), urgent=False, generation=2, now_s=0.8), "a new connection"
    assert track.want((0,), urgent=True, generation=2, now_s=0.8)
    assert foreign(track, 0, 0.9) is True, "it was restarted"
    assert track.want((3,), urgent=False, generation=1, now_s=1.0)
    track.sending((3,), 1.0)
    track.unanswered()
    assert not track.want((6,), urgent=False, generation=1, now_s=1.2), "a write without an answer"
    assert foreign(track, 3, 1.3) is False, "it may have taken that"
    assert track.want((6,), urgent=False, generation=1, now_s=1.4)


def test_a_stop_that_somebody_overwrote_is_written_again_at_once() -> None:
    track = written(10, 0)
    assert not track.want((0,), urgent=True, generation=1, now_s=0.6)
    assert foreign(track, 77, 0.7) is True
    assert track.want((0,), urgent=True, generation=1, now_s=0.8)


def test_a_pause_stops_the_clock_and_forgets_nothing() -> None:
    track = written(10, 20)
    foreign(track, 77, 0.6)  # it does not follow
    track.pause(0.7)
    track.pause(5.0)
    assert not track.judge(6.0)
    stages = []
    for place in range(10):
        track.want((20,), urgent=False, generation=1, now_s=6.0 + 0.2 * place)
        stages.append(track.status.stage)
    assert (stages[0], stages[-1]) == (WriteStage.ACKNOWLEDGED, WriteStage.FAILED)


def waiting(track: OutputTrack, generation: int, from_s: float, scans: int) -> list[WriteStage]:
    """Want other words in every scan of 0.2 s, without any read-back."""
    stages = []
    for place in range(scans):
        due = track.want((21,), urgent=False, generation=generation, now_s=from_s + 0.2 * place)
        assert not due, "first it has to be read what it holds"
        stages.append(track.status.stage)
    return stages


def test_after_a_break_the_device_gets_its_time_anew_once_although_nothing_may_be_written() -> None:
    track = written(10, 20)
    track.observe((20,), 0.6, 1)
    # The connection is lost, and found again just before the time is over; the read-back is withheld for a while.
    assert waiting(track, 2, 2.0, 7) == [WriteStage.REQUESTED] * 7
    assert track.status.requested_words == (21,), "the newest wish is shown"
    assert waiting(track, 3, 3.4, 3)[-1] is WriteStage.FAILED, "a break after a break is no excuse"


def test_a_read_back_after_a_break_ends_the_waiting() -> None:
    track = written(10, 20)
    track.observe((20,), 0.6, 1)
    waiting(track, 2, 2.0, 7)
    track.observe((20,), 3.4, 2)
    assert track.want((21,), urgent=False, generation=2, now_s=3.5)
    assert track.status.stage is WriteStage.REQUESTED


def test_pauses_do_not_add_up_to_an_excuse() -> None:
    """Here a device ignores what it is told, and is now and then not heard."""
    track = written(10, 20)
    now_s = 0.6
    for _ in range(10):
        for _ in range(7):
            now_s += 0.2
            track.want((20,), urgent=False, generation=1, now_s=now_s)
            foreign(track, 77, now_s)
        now_s += 0.2
        track.pause(now_s)
    assert track.status.stage is WriteStage.FAILED
