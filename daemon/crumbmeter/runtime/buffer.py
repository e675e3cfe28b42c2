"""The next input image, filled whenever replies arrive; the scan latches one frozen copy of it (R2).

All on one event loop: nothing can come between the two lines of a latch, and a block is replaced whole, so that words
of one reply stay together.
"""

from collections.abc import Callable

from crumbmeter.model.image import NEVER_READ, NOT_WRITTEN, RawBlock, RawImage, ReadOutcome, WriteStatus

Watcher = Callable[[int, RawBlock], None]
"""Gets the index and the block of every reply, in the moment in which it arrives."""


class InputBuffer:
    """Newest block of each read request and newest status of each output."""

    def __init__(self, *, blocks: int, outputs: int) -> None:
        self._blocks = [NEVER_READ] * blocks
        self._writes = [NOT_WRITTEN] * outputs
        self._watchers: list[Watcher] = []

    def watch(self, watcher: Watcher) -> None:
        """Have every arriving block shown, for comparing read-backs."""
        self._watchers.append(watcher)

    def put_words(self, index: int, words: tuple[int, ...], received_s: float) -> None:
        """Take the words of a good reply.

        Args:
            index: Position of the block in the read plan.
            words: All of its words, checked.
            received_s: [s] Process time at which the reply arrived.
        """
        block = RawBlock(words, received_s, ReadOutcome.OK)
        self._blocks[index] = block
        for watcher in self._watchers:
            watcher(index, block)

    def put_failure(self, index: int, outcome: ReadOutcome, exception_code: int = 0) -> None:
        """Note that an attempt failed: the last words stay, with their age."""
        last = self._blocks[index]
        self._blocks[index] = RawBlock(last.words, last.received_s, outcome, exception_code)

    def put_write(self, index: int, status: WriteStatus) -> None:
        """Take the new status of an output."""
        self._writes[index] = status

    def latch(self, now_s: float) -> RawImage:
        """Freeze everything as it is at process time `now_s` [s]."""
        return RawImage(now_s, tuple(self._blocks), tuple(self._writes))
