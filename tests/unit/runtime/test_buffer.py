"""The next image and the frozen one: nothing that comes later is seen, nothing of one reply is torn."""

from crumbmeter.model.image import NEVER_READ, NOT_WRITTEN, RawBlock, RawImage, ReadOutcome, WriteStage, WriteStatus
from crumbmeter.runtime.buffer import InputBuffer


def test_starts_with_nothing_read_and_nothing_written() -> None:
    assert InputBuffer(blocks=2, outputs=1).latch(5.0) == RawImage(5.0, (NEVER_READ, NEVER_READ), (NOT_WRITTEN,))


def test_a_latched_image_does_not_change_any_more() -> None:
    buffer = InputBuffer(blocks=1, outputs=1)
    buffer.put_words(0, (1, 2), 1.0)
    image = buffer.latch(1.5)
    buffer.put_words(0, (3, 4), 2.0)
    buffer.put_write(0, WriteStatus(WriteStage.REQUESTED, (9,)))
    assert image == RawImage(1.5, (RawBlock((1, 2), 1.0, ReadOutcome.OK),), (NOT_WRITTEN,))
    assert buffer.latch(2.5).blocks[0].words == (3, 4)
    assert buffer.latch(2.5).writes[0].requested_words == (9,)


def test_a_failure_keeps_the_last_words_and_their_age() -> None:
    buffer = InputBuffer(blocks=1, outputs=0)
    buffer.put_words(0, (1, 2), 1.0)
    buffer.put_failure(0, ReadOutcome.EXCEPTION, 4)
    assert buffer.latch(9.0).blocks[0] == RawBlock((1, 2), 1.0, ReadOutcome.EXCEPTION, 4)
    buffer.put_failure(0, ReadOutcome.TIMEOUT)
    assert buffer.latch(9.0).blocks[0] == RawBlock((1, 2), 1.0, ReadOutcome.TIMEOUT)


def test_a_failure_before_any_reply_has_no_words() -> None:
    buffer = InputBuffer(blocks=1, outputs=0)
    buffer.put_failure(0, ReadOutcome.TIMEOUT)
    assert buffer.latch(9.0).blocks[0] == RawBlock(None, 0.0, ReadOutcome.TIMEOUT)


def test_watchers_see_replies_and_not_failures() -> None:
    buffer = InputBuffer(blocks=2, outputs=0)
    seen: list[tuple[int, RawBlock]] = []
    buffer.watch(lambda index, block: seen.append((index, block)))
    buffer.put_failure(0, ReadOutcome.TIMEOUT)
    buffer.put_words(1, (7,), 3.0)
    assert seen == [(1, RawBlock((7,), 3.0, ReadOutcome.OK))]
