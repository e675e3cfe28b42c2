"""The page of what the plant's controller reads, from the tables that the server reads by."""

from crumbmeter.outward.asked import FIRST_COIL, FIRST_WORD, REQUESTS, SELECT_MIX
from crumbmeter.outward.offered_map import (
    ALARMS,
    BITS,
    FIGURES,
    FIRST_TOTAL,
    FIRST_VALUE,
    PERMISSIVES,
    RUN_STATES,
    TOTALS,
    VALUE_WORDS,
    WORD_COUNT,
    WORDS,
)
from crumbmeter.site.reference import MADE

_INTRO = f"""\
A site with `[publish.modbus]` is a Modbus TCP server for the plant's controller. It reads; it writes only what the site
names in `allow`. Addresses are counted from 0, as they go over the wire (a manual's 30001 or 40001 is address 0 here).
The map is the same at every site and only grows at its ends.

**This is no safety function.** Emergency stops, guards and burner safety are hard-wired and stay so. A stop over this
link is no lock-out. Nothing here enables control: a person does that.

**What to interlock on.** Read `healthy` (discrete input 0) at least once a second. 1: no stop is requested and scans go
on. 0, an exception or no answer within the controller's own time-out: a stop request. The bits and figures of a scan
that has aged more than a second (or five scan periods) are given up: every bit but `stop_requested` is 0, every
figure is Bad. Word 1 moves with every scan: watch it too.

**Reading.** Functions 1 to 4. Words 0 to {WORD_COUNT - 1} are input registers and holding registers alike, bits are
discrete inputs and coils alike, so that a controller that knows only some of them gets all. Unit id as the site says;
255 is answered too. Values of two words come high word first unless the site says `order = "CDAB"`. A figure is a
float32 with its quality beside it: **0 Bad, 1 Uncertain, 2 Good**. The float of a Bad one is not a number: look at the
quality first.
"""

_WRITING = f"""\
## What may be asked for

Functions 5, 6, 15 and 16, at the addresses below, each only where `allow` names it; everything else is refused with
exception 02. A request is a *change*, from 0 to 1 (of `{SELECT_MIX}`: to another number), however often it is written.
A stop, a hold and `monitor_only` also count where they are the first thing that is written after the daemon's start. A
start does not: write 0 first. So a 1 that still stands in the controller cannot start the feed by itself after a power
dip. A change is one of what the same IP address wrote before: two controllers that write alternately ask for nothing
anew. Of a start and a stop in one request the stop counts. What is read back is what was written last, by any of them;
whether it was done is in the bits. Every request goes the way of all commands, past no permissive and no limit, and
stands in the record with the controller's address.

Modbus has no passwords: name the controllers in `clients`, and keep the port in a network of its own.
"""


_WITH_MBPOLL = f"""\
With mbpoll, as any client: `mbpoll -m tcp -0 -a 1 -t 1 -r 0 -c {len(BITS)} -1 ADDRESS` (bits),
`mbpoll -m tcp -0 -a 1 -t 3:float -B -r {FIRST_VALUE + VALUE_WORDS} -c 1 -1 ADDRESS` (setpoint)."""


def offered_page() -> str:
    """Draw docs/offered-registers.md."""
    lines = ["# For the plant's controller", "", MADE.format(what="offered-registers"), "", _INTRO]
    lines += ["## Bits", "", "| address | bit | 1 means |", "| ---: | --- | --- |"]
    lines += [f"| {place} | `{name}` | {meaning} |" for place, (name, meaning) in enumerate(BITS)]
    lines += ["", "## Words", "", "| address | word | what it is |", "| ---: | --- | --- |"]
    lines += [f"| {address} | {name} | {meaning} |" for address, name, meaning in WORDS]
    lines += ["", "Figures: two words, then the quality, then a spare word.", ""]
    lines += ["| address | figure | unit (US) | unit (metric) |", "| ---: | --- | --- | --- |"]
    for place, figure in enumerate(FIGURES):
        lines.append(f"| {FIRST_VALUE + VALUE_WORDS * place} | {figure.name} | {figure.us} | {figure.metric} |")
    lines += ["", "Totals: whole numbers of two words without sign. Tenths are said where a unit is cut into ten.", ""]
    lines += ["| address | total | unit (US) | unit (metric) |", "| ---: | --- | --- | --- |"]
    for place, total in enumerate(TOTALS):
        tenth = "0.1 " if total.parts == 10 else ""
        lines.append(f"| {FIRST_TOTAL + 2 * place} | {total.name} | {tenth}{total.us} | {tenth}{total.metric} |")
    lines += ["", "Run states: " + ", ".join(f"{number} {name}" for number, name in enumerate(RUN_STATES)) + "."]
    lines += ["", "Permissives, from the least significant bit: " + ", ".join(PERMISSIVES) + "."]
    lines += ["", "Alarms, from the least significant bit of the first word ([what each means](alarms.md)):", ""]
    lines += ["| bit | alarm |", "| ---: | --- |"]
    lines += [f"| {place} | `{name}` |" for place, name in enumerate(ALARMS)]
    lines += ["", _WRITING, "| coil | holding register | request |", "| ---: | ---: | --- |"]
    for place, name in enumerate(REQUESTS):
        coil = "" if name == SELECT_MIX else str(FIRST_COIL + place)
        more = ": number of the mix, from 1 in the order of the site file" if name == SELECT_MIX else ""
        lines.append(f"| {coil} | {FIRST_WORD + place} | `{name}`{more} |")
    return "\n".join([*lines, "", _WITH_MBPOLL, ""])
