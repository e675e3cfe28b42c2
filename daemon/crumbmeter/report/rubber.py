"""The rubber account of a period: bags against feeder, how uncertain their difference is, what became of lots."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from crumbmeter.qc.bag_lots import LotUse
from crumbmeter.qc.rubber_accounts import COVERAGE, RubberAccount
from crumbmeter.report.document import Block, Column, Document, Fact, Facts, Signature, Table, Text, number
from crumbmeter.report.frame import Frame, percent


@dataclass(frozen=True, slots=True)
class RubberContent:
    """All that a rubber account is made of."""

    begin_us: int
    end_us: int
    account: RubberAccount
    uses: Sequence[LotUse] = ()
    short_g: int = 0
    """[g] Fed while the books held no rubber: of unknown lot."""
    simulated: bool = False


def build(frame: Frame, content: RubberContent) -> Document:
    """Make the account."""
    span = frame.span(content.begin_us, content.end_us)
    return frame.document(
        "rubber account", "Rubber account", span, _blocks(frame, content), simulated=content.simulated
    )


def _blocks(frame: Frame, content: RubberContent) -> Iterator[Block]:
    account = content.account
    small = float(frame.smalls(1))
    yield Facts(
        (
            Fact("result", account.verdict.value),
            Fact("came in with bags", frame.smalls(account.bags_g), frame.small, 2),
            Fact("fed into the mix", frame.smalls(account.fed_g), frame.small, 2),
            Fact("difference not accounted for", frame.smalls(account.residual_g), frame.small, 2),
            Fact("the same, of what was fed", percent(account.residual_share), "percent", 2),
            Fact(f"its expanded uncertainty (k={COVERAGE:g})", account.expanded_g * small, frame.small, 2),
        )
    )
    rows = [(line.name, line.count, frame.smalls(line.mass_g), line.mass_g, line.told) for line in account.lines]
    yield Table(
        "Account",
        (
            Column("line"), number("count"), number("mass", frame.small, 2), number("mass", "g"),
            Column("how exact"),
        ),
        rows,
        "What came in counts positive, what went out negative. The last line is their exact sum.",
        ("difference", None, frame.smalls(account.residual_g), account.residual_g, None),
    )  # fmt: skip
    yield Table(
        "What makes the difference uncertain",
        (Column("cause"), number("contribution (k=1)", frame.small, 2), Column("stated")),
        [(one.name, abs(one.contribution_g) * small, one.stated) for one in account.causes],
        "Independent causes; they add in squares (JCGM 100). Bags of one scale are wrong the same way and add up.",
    )
    yield _uses(frame, content)
    if account.notes:
        yield Text(" ".join(account.notes), "Notes")
    yield Signature(("Quality control",))


def _uses(frame: Frame, content: RubberContent) -> Table:
    columns = (
        Column("bag lot"), number("bags"), number("loaded", "g"), number("in parcels", "g"), number("taken out", "g"),
        number("left", "g"), number("parcels surely"), number("parcels possibly"),
        number("mix surely", frame.ton, 1), number("mix possibly", frame.ton, 1),
    )  # fmt: skip
    rows = [
        (
            one.lot or "not known", one.bags, one.loaded_g, one.in_parcels_g, one.taken_out_g, one.left_g,
            len(one.surely), len(one.possibly), frame.tons(sum(each.parcel.mix_g for each in one.surely)),
            frame.tons(sum(each.parcel.mix_g for each in one.possibly)),
        )
        for one in content.uses
    ]  # fmt: skip
    short = f" {content.short_g} g were fed while the books held no rubber: of unknown lot." if content.short_g else ""
    return Table(
        "Bag lots in the mix", columns, rows, f"First in, first out, in grams; they add up for each lot.{short}"
    )
