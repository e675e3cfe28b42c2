"""Raw image -> one sample per signal. Pure: the scan and the replay of a scan run exactly this."""

from collections.abc import Sequence

from crumbmeter.field.opcua import make_node_decoder
from crumbmeter.field.spec import ReadPlan, SignalSource, Table
from crumbmeter.field.words import Decoder, make_decoder
from crumbmeter.model.image import RawBlock, RawImage, ReadOutcome
from crumbmeter.model.quality import Reason
from crumbmeter.model.sample import Sample

Sampler = tuple[tuple[int, int, Decoder], ...]
"""For each signal: block, offset in it, decoder."""

_NO_WORDS = {
    ReadOutcome.OK: Reason.BAD_REPLY,
    ReadOutcome.NEVER: Reason.NOT_YET_READ,
    ReadOutcome.NO_CONNECTION: Reason.NO_COMMUNICATION,
    ReadOutcome.TIMEOUT: Reason.NO_COMMUNICATION,
    ReadOutcome.EXCEPTION: Reason.DEVICE_EXCEPTION,
    ReadOutcome.BAD_REPLY: Reason.BAD_REPLY,
}


def make_sampler(plan: ReadPlan, sources: Sequence[SignalSource]) -> Sampler:
    """Bind each signal to its place and its decoder, once.

    Raises:
        ValueError: the plan is of another site: a signal does not lie whole, with its group, where it says.
    """
    sampler = []
    for place, source in zip(plan.signals, sources, strict=True):
        block, register = plan.blocks[place.block], source.register
        end = block.address + block.count
        whole = block.address <= register.span.first and register.span.end <= end
        if not whole or block.address + place.offset != register.address or block.table is not register.table:
            raise ValueError(f"{source.signal_id} does not lie whole in its block")
        make = make_node_decoder if register.table is Table.NODE else make_decoder
        sampler.append((place.block, place.offset, make(register)))
    return tuple(sampler)


def sample_image(sampler: Sampler, image: RawImage) -> tuple[Sample, ...]:
    """Decode every signal of an image, in the order of the signals.

    A block without words gives no number, only why (REQ-5). One whose newest attempts fail still gives its last words,
    with `link_ok` False and the time at which they came: how long they may stand is not decided here.
    """
    blocks = image.blocks
    ok = ReadOutcome.OK
    samples = []
    for number, offset, decode in sampler:
        block = blocks[number]
        words = block.words
        if words is None:
            samples.append(_without_words(block))
        else:
            value, reason = decode(words, offset)
            samples.append(Sample(value, reason, block.received_s, block.outcome is ok))
    return tuple(samples)


def _without_words(block: RawBlock) -> Sample:
    return Sample(None, _NO_WORDS[block.outcome], 0.0, False)
