"""What the operator asks, in the order of asking: does it run and if not why, does the rubber follow, what needs me.

One view in, lines for a terminal of 80 x 24 out. Nothing is read here but the view and the settings.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from rich.text import Text

from crumbmeter.cli.display import (
    Body,
    Display,
    amount,
    display_of,
    dose_per_mix,
    percent,
    proven_dose,
    reading,
    seconds,
)

WIDTH = 80
HEIGHT = 24
OLD_S = 3.0
"""[s] Values older than this are greyed and said to be old."""
PUT_ASIDE = ("shelved", "out of service")
"""States of alarms that a person has put aside."""
NOT_TOLD = (*PUT_ASIDE, "suppressed by design")
MOST_NEEDS, MOST_ALARMS, MOST_STREAMS, MOST_NARROWED = 3, 2, 4, 2
MOST_NAMES = 3


@dataclass(frozen=True, slots=True)
class Link:
    """How the board stands with the daemon."""

    up: bool
    silent_s: float
    """[s] Since the newest view came, by this program's own time."""


def board(view: Body | None, settings: Body, link: Link, width: int = WIDTH, height: int = HEIGHT) -> list[Text]:
    """Draw the board.

    Args:
        view: the newest view; None before the first.
        settings: the daemon's answer to "settings".
        link: state of the connection.
        width: of the terminal.
        height: of the terminal.

    Returns:
        Lines, none wider than the terminal and no more than fit.
    """
    view, settings = _printable(view), _printable(settings)
    age_s = link.silent_s + (view.get("scan_age_s") or 0.0 if view else 0.0)
    old = not link.up or age_s > OLD_S
    lines = [_banner(view, settings, link, age_s, old)]
    if view is None:
        lines.append(Text("Waiting for the daemon."))
    else:
        body = list(_body(view, display_of(settings)))
        if old:
            for line in body:
                line.stylize("dim")
        lines += body
    foot = Text("Ctrl-C leaves this view; the daemon goes on.", style="dim")
    lines = [*lines[: height - 1], foot]
    for line in lines:
        line.truncate(width, overflow="ellipsis")
    return lines


def _printable(value: Any) -> Any:
    """Replace what is no visible character: a device's text must not steer the terminal."""
    if isinstance(value, str):
        return "".join(mark if mark.isprintable() else "?" for mark in value)
    if isinstance(value, Mapping):
        return {key: _printable(item) for key, item in value.items()}
    return [_printable(item) for item in value] if isinstance(value, list) else value


def _banner(view: Body | None, settings: Body, link: Link, age_s: float, old: bool) -> Text:
    title = str(settings.get("title") or settings.get("site_id") or "crumbmeter")
    line = Text(title, style="bold")
    if settings.get("simulated") or (view and view.get("simulated")):
        line.append("  SIMULATED", style="bold magenta")
    if not link.up:
        line.append(f"  LINK LOST - what stands here is {seconds(age_s)} old", style="bold reverse red")
    elif old and view is not None:
        line.append(f"  NO NEW SCAN - what stands here is {seconds(age_s)} old", style="bold reverse red")
    elif view is not None:
        line.append(f"  {view['wall_time'][11:19]} UTC, {seconds(age_s)} old", style="dim")
    return line


def _body(view: Body, display: Display) -> Iterator[Text]:
    yield from _running(view)
    yield from _needs(view["permissives"])
    yield from _alarms(view["alarms"], view["process_time_s"], flood=view.get("alarm_flood", False))
    yield Text("")
    if "batch" in view:
        yield from batch_lines(view["batch"], display)
    else:
        yield from _following(view, display)
    yield Text("")
    yield from _means(view, display)
    yield from _writes(view["writes"])
    yield from _streams(view["streams"], display)


def _running(view: Body) -> Iterator[Text]:
    yield Text.assemble((str(view["run_state"]).upper(), "bold"), f" - {view['run_reason']}{_asked(view)}")
    if view.get("trip", {}).get("measuring"):
        yield Text("HEARTBEAT WITHHELD until the feeder trips; monitor-only ends it.", style="bold yellow")
    if view["control_enabled"]:
        where = "in service" if view["in_service"] else "out of service"
        yield Text(f"Control enabled, {where}.")
    else:
        yield Text("MONITOR ONLY: computes and records, writes nothing.", style="bold yellow")


def _asked(view: Body) -> str:
    """Say who last asked something of the run, and how long ago."""
    order = view.get("order") or {}
    if not order.get("kind"):
        return ""
    return f" ({order['kind']}: {order['who']}, {seconds(order['age_s'])} ago)"


def _needs(permissives: Sequence[Body]) -> Iterator[Text]:
    """List what the feed still needs; first what is not met, then what is not known."""
    missing = sorted((item for item in permissives if item["met"] is not True), key=lambda item: item["met"] is None)
    for item in missing[:MOST_NEEDS]:
        word = "NOT MET " if item["met"] is False else "NOT KNOWN"
        yield Text(f"Needs  {word} {item['name']}: {item['why']}", style="bold yellow")
    if len(missing) > MOST_NEEDS:
        yield Text(f"       and {len(missing) - MOST_NEEDS} more")


def _alarms(alarms: Sequence[Body], now_s: float, *, flood: bool) -> Iterator[Text]:
    if flood:
        yield Text("MORE ALARMS THAN ONE CAN TAKE IN: look at what came FIRST.", style="bold red")
    told = [item for item in alarms if item["state"] not in NOT_TOLD]
    ordered = sorted(told, key=_urgency)
    for item in ordered[:MOST_ALARMS]:
        mark, style = ("!!", "bold red") if "unack" in item["state"] else (" !", "red")
        since = seconds(max(0.0, now_s - item["since_s"]))
        first = "FIRST, " if item.get("first_out") else ""
        yield Text(f"{mark} {item['alarm_id']} {first}{item['state']}, {since}: {item['text']}", style=style)
        yield Text(f"   do: {item['remedy']}")
    if len(ordered) > MOST_ALARMS:
        yield Text(f"   and {len(ordered) - MOST_ALARMS} more alarms")
    aside = [f"{item['alarm_id']} {item['state']}" for item in alarms if item["state"] in PUT_ASIDE]
    if aside:
        yield Text(f"Not told: {', '.join(aside)}", style="dim")


def _urgency(item: Body) -> tuple[bool, int, bool, float]:
    """Put first what nobody has seen, then what is high, then what came before all others."""
    rank = ("high", "medium", "low").index(item.get("priority", "medium"))
    return item["state"] == "acknowledged", rank, not item.get("first_out"), item["since_s"]


def _following(view: Body, display: Display) -> Iterator[Text]:
    mix, wanted, setpoint = view["mix_rate_kg_s"], view["wanted_kg_s"], view["setpoint_kg_s"]
    fed = view["fed_kg_s"]

    if _is_read(view):
        yield _row("Wanted", amount(wanted, display.feed), dose_per_mix(wanted, mix, display), _dose_words(view))
    else:
        yield _row("Wanted", "--- no stream is read", "", _dose_words(view))
    yield _row("Setpoint", amount(setpoint, display.feed), dose_per_mix(setpoint, mix, display), "")
    if fed["quality"] == "Good":
        rate = amount(fed["value"], display.feed) + _spread(view["fed_uncertainty_kg_s"], display)
        off = "learning" if view.get("learning") else f"{percent(view['feed_error_fraction'])} off"
        rest = f"{off}, {seconds(fed['age_s'])} old"
        yield _row("Actual", rate, dose_per_mix(fed["value"], mix, display), rest)
    else:
        learning = "  learning" if view.get("learning") else ""
        yield Text("Actual   ").append_text(reading(fed, display.feed)).append(learning)
    made = f"{percent(view['window_error_fraction'])} off"
    yield _row("Made", "last tolerance window", percent(view["window_dose_fraction"], 3, sign=False), made)
    yield from _proven(view.get("dose_uncertainty"), display)
    for item in view["narrowed"][:MOST_NARROWED]:
        yield Text(f"Narrowed by {item['stage']}: {item['reason']}")


def _proven(dose: Body | None, display: Display) -> Iterator[Text]:
    """Show the dose of the newest tons with its uncertainty; not as proven where an input was Bad."""
    if dose is None or None in (dose["dose_fraction"], dose["expanded_fraction"], dose["coverage_factor"]):
        return
    line = Text(f"{'Dose':<9}")
    line.append(
        proven_dose(
            dose["dose_fraction"], dose["expanded_fraction"], dose["coverage_factor"], dose["dose_basis"], display
        )
    )
    mass = amount(dose["mix_kg"], display.mix.partition("/")[0], 0)
    yield line.append(f", over {mass}" if dose["quality"] != "Bad" else ": an input was Bad")


def batch_lines(batch: Body, display: Display) -> Iterator[Text]:
    """Show what a batch plant's rubber is about."""
    window = {True: f"open {seconds(batch['window_s'])}", False: "shut", None: "NOT KNOWN"}[batch["rubber_wanted"]]
    yield Text(f"Batch {batch['batch_count']}: {batch['phase']} ({batch['reason']}); dry-mix window {window}")
    target, need = amount(batch["target_kg"], display.mass, 2), amount(batch["need_kg"], display.mass, 2)
    yield Text(f"Charge   target {target}, in the vessel {amount(batch['vessel_kg'], display.mass, 2)}, need {need}")
    if batch["batch_target_kg"] is not None:
        got, whole = (amount(batch[key], display.mass, 2) for key in ("batch_rubber_kg", "batch_target_kg"))
        yield Text(f"Pugmill  {got} of {whole} blown in")
    wasted = amount(batch["wasted_kg"], display.mass, 1)
    yield Text(f"Made     last batch {percent(batch['last_error_fraction'])} off; thrown away in all {wasted}")


def _is_read(view: Body) -> bool:
    """Tell whether any stream is: without one, a rate of nought is no reading."""
    return any(item["rate_kg_s"]["value"] is not None for item in view["streams"])


def _row(name: str, rate: str, dose: str, rest: str) -> Text:
    return Text(f"{name:<9}{rate:<26}{dose:<20}{rest}")


def _spread(uncertainty_kg_s: float | None, display: Display) -> str:
    """Write the expanded uncertainty (k=2) that goes behind a value."""
    if uncertainty_kg_s is None:
        return ""
    return f" +-{amount(2.0 * uncertainty_kg_s, display.feed).split()[0]} (k=2)"


def _dose_words(view: Body) -> str:
    basis = str(view["dose_basis"]).replace("_", " ")
    return f"{percent(view['dose_target_fraction'], 3, sign=False)} of {basis}"


def _mix_words(view: Body) -> str:
    """Name the mix at the injection point, and the one that follows it while a change is under way."""
    chosen = str(view["mix_id"])
    passing = str(view.get("mix_at_injection", chosen))
    return chosen if passing == chosen else f"{passing}, then {chosen}"


def _means(view: Body, display: Display) -> Iterator[Text]:
    mix = amount(view["mix_rate_kg_s"], display.mix) if _is_read(view) else "---"
    yield Text(f"Mix {mix} of {_mix_words(view)}; "
               f"owed {amount(view['owed_kg'], display.mass, 2)}{_foreseen(view)}")  # fmt: skip
    hopper = Text("Hopper ").append_text(reading(view["hopper_mass_kg"], display.mass, 0))
    supply = Text("Supply ").append_text(reading(view["supply_mass_kg"], display.mass, 0))
    line = Text("Line ").append_text(reading(view["line_pressure_pa"], display.pressure))
    auger = Text("Auger ").append_text(reading(view["auger_speed_rev_s"], "rpm"))
    yield hopper.append("   ").append_text(auger)
    yield supply.append("   ").append_text(line).append(_learned(view, display))
    yield from _line(view)
    job = view["job"]
    yield Text(f"Job {amount(job['rubber_g'] / 1000.0, display.mass, 0)} rubber in "
               f"{amount(job['mix_g'] / 1000.0, display.mix.partition('/')[0], 1)} mix, "
               f"wanted {amount(job['target_rubber_g'] / 1000.0, display.mass, 0)}")  # fmt: skip
    yield from _left(view.get("supply") or {}, display)
    yield from _dumped(view["totals"], display)
    note = view.get("note") or {}
    if note.get("text"):
        yield Text(f"Note of {note['who']}, {seconds(note['age_s'])} ago: {note['text']}")


def _left(supply: Body, display: Display) -> Iterator[Text]:
    """Say how long the rubber lasts, and what the job still takes; nothing where neither is known."""
    words = []
    if supply.get("empty_in_s") is not None:
        words.append(f"Rubber for {supply['empty_in_s'] / 60.0:.0f} min")
    elif supply.get("hopper_empty_in_s") is not None:
        words.append(f"Weigh hopper for {supply['hopper_empty_in_s'] / 60.0:.1f} min")
    if supply.get("left_mix_kg") is not None:
        words.append(f"{amount(supply['left_mix_kg'], display.mix.partition('/')[0], 0)} to make")
    if supply.get("bags_to_load_count") is not None:
        words.append(f"{supply['bags_to_load_count']} more bags")
    if words:
        yield Text(", ".join(words))


def _dumped(totals: Body, display: Display) -> Iterator[Text]:
    """Say what was dumped out of the drum, in all; nothing where nothing was."""
    if not totals.get("wasted_mix_g"):
        return
    mix = amount(totals["wasted_mix_g"] / 1000.0, display.mix.partition("/")[0], 1)
    yield Text(f"Dumped in all {mix} of mix with {amount(totals['wasted_rubber_g'] / 1000.0, display.mass, 1)} rubber")


def _foreseen(view: Body) -> str:
    """Say by how much the mix differs from what was foreseen of it one look-ahead before."""
    error = view.get("look_ahead_error_fraction")
    return "" if error is None else f"; foreseen to {percent(error, sign=False)}"


def _learned(view: Body, display: Display) -> str:
    """Write what the line's pressure ought to be, with its expanded uncertainty (k=2)."""
    line = view.get("line") or {}
    if line.get("expected_pa") is None:
        return ""
    digits = 2 if display.pressure == "psi" else 1
    spread = amount(2.0 * line["spread_pa"], display.pressure, digits).split()[0]
    return f" (learned {amount(line['expected_pa'], display.pressure, digits)} +-{spread})"


def _line(view: Body) -> Iterator[Text]:
    """Say what is wrong with the line, and how long there is; nothing where nothing is."""
    line = view.get("line") or {}
    if line.get("diagnosis", "") in ("", "as learned", "not judged"):
        return
    left = ""
    if line["soonest_s"] is not None and line["latest_s"] is not None:
        left = f"; {line['soonest_s']:.0f} to {line['latest_s']:.0f} s to the limit"
    yield Text(f"LINE: {line['diagnosis']}{left}", style="bold yellow")


def _streams(streams: Sequence[Body], display: Display) -> Iterator[Text]:
    for item in streams[:MOST_STREAMS]:
        line = Text(f"  {item['stream_id']:<16}")
        line.append_text(reading(item["rate_kg_s"], display.mix))
        line.append(f"  at injection {amount(item['at_injection_kg_s'], display.mix)} dry")
        yield line
    if len(streams) > MOST_STREAMS:
        yield Text(f"  and {len(streams) - MOST_STREAMS} more streams")


def _writes(writes: Sequence[Body]) -> Iterator[Text]:
    """Show how far written values have come, a line a stage, failed ones first; nothing where nothing was written."""
    for stage in ("failed", "requested", "acknowledged", "confirmed"):
        group = [item for item in writes if item["stage"] == stage]
        if not group:
            continue
        names = ", ".join(str(item["role"]) for item in group[:MOST_NAMES])
        more = f" and {len(group) - MOST_NAMES} more" if len(group) > MOST_NAMES else ""
        oldest = max(item["age_s"] or 0.0 for item in group)
        word = stage.upper() if stage == "failed" else stage
        yield Text(f"Writes {word}: {names}{more}, {seconds(oldest)}", style="bold red" if stage == "failed" else "")
