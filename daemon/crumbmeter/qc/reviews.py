"""What QC says of a deviation: class, comment, disposition, signature. Each is an entry; none is overwritten.

A signature names the figures that were seen. Where the deviation has other figures later (another rule), the signature
stands over the old ones, and the review is open again.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from crumbmeter.qc.deviations import Deviation
from crumbmeter.qc.said import Said


class Cause(StrEnum):
    """Why it happened, as QC judges. The list is ours."""

    START = "start of feed"
    STOP = "stop of feed"
    RATE = "change of rate"
    REFILL = "refill"
    BAG = "bag change"
    FEEDER = "feeder"
    LINE = "conveying line"
    INSTRUMENT = "instrument"
    PLANT = "plant"
    PERSON = "operating error"
    OTHER = "other"


class Disposition(StrEnum):
    """What becomes of the mix."""

    ACCEPT = "accept"
    PRICE = "accept with price adjustment"
    TEST = "sample and test"
    DIVERT = "divert or waste"
    REPLACE = "remove and replace"
    RECYCLE = "recycle as RAP"


class Standing(StrEnum):
    """How far the review of a deviation is."""

    OPEN = "open"
    CLASSIFIED = "classified"
    DISPOSED = "disposed"
    SIGNED = "signed"


class ReviewRefusedError(ValueError):
    """What was said of a deviation cannot be taken; the text says why and what would do."""


@dataclass(frozen=True, slots=True)
class Review:
    """All that holds of one deviation, and every entry it rests on."""

    standing: Standing
    cause: Cause | None
    disposition: Disposition | None
    comments: tuple[Said, ...]
    signed: Said | None
    """The newest signature over these figures; None where there is none."""
    outdated: tuple[Said, ...]
    """Signatures over other figures than those of now, or from before the newest class or disposition."""
    entries: tuple[Said, ...]


def figures(deviation: Deviation) -> dict[str, Any]:
    """Return what a signature is given over."""
    return {
        "kind": deviation.kind.value, "first_parcel": deviation.first_number, "last_parcel": deviation.last_number,
        "mix_g": deviation.mix_g, "rubber_g": deviation.rubber_g, "target_rubber_g": deviation.target_rubber_g,
    }  # fmt: skip


def review(deviation: Deviation, entries: Sequence[Said]) -> Review:
    """Put together what people said of a deviation.

    Args:
        deviation: As it is found now.
        entries: What holds of it in the quality record, in order.
    """
    cause = _last(entries, "cause")
    disposition = _last(entries, "disposition")
    judged_seq = max((one.seq for one in entries if "cause" in one.what or "disposition" in one.what), default=0)
    signatures = [one for one in entries if "signed_over" in one.what]
    valid = [one for one in signatures if one.what["signed_over"] == figures(deviation) and one.seq > judged_seq]
    signed = valid[-1] if valid else None
    standing = Standing.OPEN
    if cause is not None:
        standing = Standing.CLASSIFIED
    if disposition is not None:
        standing = Standing.SIGNED if signed is not None else Standing.DISPOSED
    return Review(
        standing=standing,
        cause=None if cause is None else Cause(cause),
        disposition=None if disposition is None else Disposition(disposition),
        comments=tuple(one for one in entries if one.what.get("comment")),
        signed=signed,
        outdated=tuple(one for one in signatures if one is not signed and one not in valid),
        entries=tuple(entries),
    )


def _last(entries: Sequence[Said], key: str) -> str | None:
    found = [str(one.what[key]) for one in entries if key in one.what]
    return found[-1] if found else None


def judgement(cause: str, disposition: str, comment: str) -> dict[str, str]:
    """Make what QC says of a deviation; each part may be left empty, but not all.

    Raises:
        ReviewRefusedError: nothing is said, or a cause or disposition is not in the list.
    """
    said: dict[str, str] = {}
    if cause:
        said["cause"] = _one_of(Cause, "cause", cause)
    if disposition:
        said["disposition"] = _one_of(Disposition, "disposition", disposition)
    if comment.strip():
        said["comment"] = comment.strip()
    if not said:
        raise ReviewRefusedError("nothing was said: give a cause, a disposition or a comment")
    return said


def _one_of(words: type[StrEnum], name: str, value: str) -> str:
    if value not in [word.value for word in words]:
        raise ReviewRefusedError(f"{name}: found {value!r}, expected one of {', '.join(word.value for word in words)}")
    return value


def signature(deviation: Deviation, held: Review, meaning: str) -> Mapping[str, Any]:
    """Make the content of a signature.

    Raises:
        ReviewRefusedError: there is nothing to sign yet.
    """
    if held.disposition is None:
        raise ReviewRefusedError("it has no disposition: say first what becomes of the mix, then sign")
    return {"signed_over": figures(deviation), "disposition_signed": held.disposition.value, "meaning": meaning}
