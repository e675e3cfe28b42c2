"""Documents for the tests of the report room. All invented."""

from datetime import UTC, datetime, timedelta, timezone

from crumbmeter.report.document import (
    SIMULATE,
    Chart,
    Column,
    Document,
    Drawn,
    Fact,
    Facts,
    Limit,
    Series,
    Signature,
    Table,
    Text,
    number,
    time,
)

EVIL = '#evil [x] $y *b* _i_ <l> @r "q" \\n // #panic("carried out")'
OFFSET = timezone(timedelta(hours=-6))
NOON = datetime(2026, 6, 1, 12, tzinfo=UTC).astimezone(OFFSET)
IDENTITY = (("settings", "9f3a" * 16), ("crumbmeter", "0.1.0"), ("head", "record:99:" + "5f" * 32))


def table(rows: int = 3, remark: str = EVIL) -> Table:
    return Table(
        "Sublots",
        (Column("sublot"), time("from"), number("mix", "short_ton", 1), number("n"), Column("remark")),
        [(f"A-{at}", NOON + timedelta(minutes=at), 4.65 + at, at, remark if at == 0 else None) for at in range(rows)],
        note=remark,
        total=("all", None, None, rows, ""),
    )


def chart() -> Chart:
    x = [NOON + timedelta(minutes=at) for at in range(5)]
    return Chart(
        "Dose",
        "time",
        "dose [%]",
        (Series("mean", x, [0.5, None, 0.52, 0.48, 0.5], marked=(2,)), Series("target", x, [0.5] * 5, Drawn.STEP)),
        (Limit("UCL", 0.53), Limit("$x^2", 0.5, centre=True)),
    )


def document(rows: int = 3, marks: tuple[str, ...] = (SIMULATE,), words: str = EVIL) -> Document:
    return Document(
        kind="daily",
        title=words,
        site_title=words,
        period_text="2026-06-01",
        identity=(*IDENTITY, ("word", words)),
        blocks=(
            Facts((Fact(words, words), Fact("mix", 250.05, "short_ton", 1), Fact("bags", None, "kg"))),
            table(rows, words),
            chart(),
            Text(words, words),
            Signature((words,), ((words, words),)),
        ),
        marks=marks,
    )


def empty() -> Document:
    return Document("daily", "Nothing", "Plant (invented)", "2026-06-01", (), ())
