"""The input image: what the field said, frozen for one scan. Core and replay see exactly these raw words."""

from enum import StrEnum

from crumbmeter.model.frozen import dataclass


class ReadOutcome(StrEnum):
    """How the last attempt to read a block ended."""

    OK = "ok"
    NEVER = "never"
    NO_CONNECTION = "no connection"
    TIMEOUT = "timeout"
    EXCEPTION = "exception"
    BAD_REPLY = "bad reply"


@dataclass(frozen=True, slots=True)
class RawBlock:
    """The newest words of one read block, and how the newest attempt ended.

    `words` are 16-bit register words, or 0/1 for coils and discrete inputs. They stay from the last good reply while
    later attempts fail: `received_s` tells how old they are, `outcome` why there are no newer ones.
    """

    words: tuple[int, ...] | None
    received_s: float
    """[s] Process time at which the reply with `words` arrived. 0 when there was none."""
    outcome: ReadOutcome
    exception_code: int = 0
    """Modbus exception code when `outcome` is EXCEPTION."""


NEVER_READ = RawBlock(None, 0.0, ReadOutcome.NEVER)


class WriteStage(StrEnum):
    """How far a written value has come (REQ-3). Each is shown apart from the others."""

    NONE = "none"
    REQUESTED = "requested"
    ACKNOWLEDGED = "acknowledged"
    CONFIRMED = "confirmed"
    FAILED = "failed"
    HELD_BACK = "held back"
    """Wanted, and not sent: the register's writes for this hour or day are spent (REQ-26). It holds an older value."""


@dataclass(frozen=True, slots=True)
class WriteStatus:
    """State of one output register as the writer last knew it."""

    stage: WriteStage
    requested_words: tuple[int, ...] = ()
    """Raw words of the newest value handed to the device."""
    read_back_words: tuple[int, ...] | None = None
    """Raw words the device last reported for the register."""
    requested_s: float = 0.0
    """[s] Process time at which the value now requested was first requested."""
    stamped_s: float = 0.0
    """[s] Process time of the newest stage change or read-back."""
    wear_percent: int = 0
    """Share of the writes that its memory endures, in steps: 0, 50, 80, 100."""
    foreign: bool = False
    """The device last reported words that are not what it should hold, nor held of late: it was restarted, or somebody
    else wrote."""


NOT_WRITTEN = WriteStatus(WriteStage.NONE)


@dataclass(frozen=True, slots=True)
class RawImage:
    """Everything one scan may see. Order of `blocks` is that of the read plan, of `writes` that of the output list."""

    now_s: float
    """[s] Process time at which the image was latched."""
    blocks: tuple[RawBlock, ...]
    writes: tuple[WriteStatus, ...] = ()
