"""A pay table out of its file: `[table]` and `[[rows]]`, from the lowest PWL upward."""

from decimal import Decimal
from pathlib import Path

from crumbmeter.qc.pay import PayRow, PayTable, PayTableError, Rounding
from crumbmeter.site.documents import read_document
from crumbmeter.site.keys.pay import PayRowKeys, PayTableKeys
from crumbmeter.site.problems import Problem, SiteRefusedError
from crumbmeter.site.validate import check_table


def load_pay_table(path: Path) -> PayTable:
    """Read a pay table.

    Raises:
        SiteRefusedError: with everything that is wrong, with file and line. Show it and pay nothing by it.
    """
    doc = read_document(path, path.as_posix())
    if isinstance(doc, Problem):
        raise SiteRefusedError([doc])
    problems = [
        doc.problem("unknown-key", (name,), "unknown table") for name in doc.data if name not in ("table", "rows")
    ]
    head = check_table(PayTableKeys, doc, ("table",), doc.data.get("table", {}))
    problems += head.problems
    given = doc.data.get("rows", [])
    if not isinstance(given, list) or not given:
        problems.append(doc.problem("wrong-type", ("rows",), "must be a list of tables", remedy="Write [[rows]]."))
        given = []
    checked = [check_table(PayRowKeys, doc, ("rows", place), one) for place, one in enumerate(given)]
    problems += [problem for one in checked for problem in one.problems]
    if problems:
        raise SiteRefusedError(problems)
    keys: PayTableKeys = head.part
    try:
        return PayTable(
            name=keys.name,
            source=keys.source,
            rows=tuple(_row(one.part) for one in checked),
            pwl_decimals=keys.pwl_decimals,
            factor_decimals=keys.factor_decimals,
            rounding=Rounding(keys.rounding),
            least_percent=_decimal(keys.least_percent),
            most_percent=_decimal(keys.most_percent),
        )
    except PayTableError as fault:
        raise SiteRefusedError([doc.problem("out-of-range", ("rows",), str(fault))]) from fault


def _row(keys: PayRowKeys) -> PayRow:
    return PayRow(
        Decimal(str(keys.from_pwl_percent)), _decimal(keys.constant_percent), Decimal(str(keys.slope_percent)),
        keys.outcome or "",
    )  # fmt: skip


def _decimal(value: float | None) -> Decimal | None:
    """Take a number as it is written in the file, and not as binary has it."""
    return None if value is None else Decimal(str(value))
