"""The words of `crumbmeter identify`: the candidates in their order, ties together, and what would tell them apart."""

from collections.abc import Sequence

from crumbmeter.cli.check_text import table
from crumbmeter.cli.site_lines import number
from crumbmeter.field.look import Reading
from crumbmeter.field.ranking import Candidate, Group, Ranking
from crumbmeter.field.spec import Table
from crumbmeter.field.telling import Telling, between_ties, more_readings, shifts

_GROUPS = 5
_TIES = 8
_LEAST_SHARE = 0.0005


def identify_text(ranking: Ranking, readings: Sequence[Reading], where: tuple[Table, int] | None) -> str:
    """Write a ranking for the terminal."""
    unit = readings[0].unit
    shown = ", ".join(_reading(reading) for reading in readings)
    parts = [f"The display showed {shown} {unit}".rstrip() + f"; {ranking.looked_at} readings of the words tried."]
    if ranking.one_load:
        parts.append(
            "All readings are of one load: what stands still cannot be told from what follows. Look again at another."
        )
    if not ranking.groups:
        parts.append("Nothing that was read follows the display. Look at other registers, or at the other table.")
        return "\n\n".join(parts) + "\n"
    rows = [["rank", "share", "table", "offset", "type", "order", "scale", "offset", "shows", "away"]]
    for place, group in enumerate(ranking.groups[:_GROUPS], 1):
        if place == 1 or group.share >= _LEAST_SHARE:
            shown_first = group.candidates[:_TIES]
            rows += [_row(0 if number_ else place, group, one, readings) for number_, one in enumerate(shown_first)]
            if len(group.candidates) > _TIES:
                rows.append(["", "", "", "", "", "", "", "", f"and {len(group.candidates) - _TIES} more ties", ""])
    parts.append(table(rows, "rr r  rrrr"))
    parts.append(f"None of these: {100.0 * ranking.none_share:.1f} %.")
    parts += _ties(ranking.groups[0], unit)
    parts.append(_next(ranking, readings))
    if where is not None:
        parts.append(_shift(ranking, where))
    return "\n\n".join(parts) + "\n"


def _reading(reading: Reading) -> str:
    decimals = max(0, round(-_log(reading.resolution)))
    return f"{reading.value:.{decimals}f}"


def _log(resolution: float) -> int:
    return len(f"{resolution:.9f}".rstrip("0").partition(".")[2]) * -1


def _row(place: int, group: Group, one: Candidate, readings: Sequence[Reading]) -> list[str]:
    decimals = max(0, round(-_log(readings[0].resolution)))
    return [
        str(place) if place else "tie", f"{100.0 * group.share:.1f} %" if place else "", one.where.table.value,
        str(one.where.address), one.where.word_type.value, one.where.order.value, f"{one.scale:.7g}",
        f"{one.offset:.7g}", ", ".join(f"{value:.{decimals}f}" for value in one.shown),
        f"{one.most_away:.{decimals + 1}f}",
    ]  # fmt: skip


def _ties(group: Group, unit: str) -> list[str]:
    told = between_ties(group, unit)
    if not told:
        return []
    rows = [["to tell the first from", "do"]]
    rows += [[_name(telling.other), telling.do] for telling in told[:_TIES]]
    return [f"Ties: they show the same at everything seen\n{table(rows)}"]


def _name(one: Candidate) -> str:
    return f"{one.where.table.value} {one.where.address} {one.where.word_type.value} {one.where.order.value}"


def _next(ranking: Ranking, readings: Sequence[Reading]) -> str:
    values = [reading.value for reading in readings]
    more = more_readings(ranking, values)
    if not more:
        return "The first stands a thousand to one before all others."
    low, high = min(values), max(values)
    many = "one more reading" if more == 1 else f"{more} more readings"
    return f"To be surer: {many} at another load, well below {number(low)} or above {number(high)}."


def _shift(ranking: Ranking, where: tuple[Table, int]) -> str:
    found = shifts(ranking, where[0], where[1])
    if not found:
        return f"Nothing that follows stands at {where[0].value} offset {where[1]}, nor one beside it."
    step = found[0].step
    at = {-1: "one before", 0: "at", 1: "one after"}[step]
    end = "" if step == 0 else f": move all addresses of that manual by {step:+d}"
    return f"The value stands {at} the manual's address, {where[0].value} offset {where[1]}{end}."


def comment_of(group: Group, readings: Sequence[Reading]) -> str:
    """Say beside the register how it was found, and what else it could be."""
    shown = ", ".join(_reading(reading) for reading in readings)
    lines = [f"Found from readings of the display: {shown} {readings[0].unit}. Check it at a third load."]
    told: Sequence[Telling] = between_ties(group, readings[0].unit)
    lines += [f"Could as well be {_name(telling.other)}: {telling.do}." for telling in told[:_TIES]]
    return "\n".join(lines)
