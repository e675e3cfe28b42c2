"""Words that a register should not hold: told from those that it only holds still, from a write before."""

from dataclasses import replace

from crumbmeter.model.image import WriteStage
from crumbmeter.runtime.track import OutputTrack
from tests.cores import make_params

SPEC = replace(make_params().outputs[0], confirm_within_s=1.5, min_interval_s=0.0, deadband_counts=0)


def written(*words: int) -> OutputTrack:
    """Make a track to which these were written, one every 0.2 s from 0.2 s on."""
    track = OutputTrack(SPEC)
    for place, word in enumerate(words, start=1):
        now_s = 0.2 * place
        assert track.want((word,), urgent=False, generation=1, now_s=now_s)
        track.sending((word,), now_s)
        track.acknowledged((word,), 1, now_s)
    return track


def foreign(track: OutputTrack, word: int, now_s: float) -> bool:
    track.observe((word,), now_s)
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
