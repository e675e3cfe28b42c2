"""What is doubted but not refused: warnings. Pure data."""

from crumbmeter.site.refusals.kind import Refusal

DOUBTS: dict[str, Refusal] = {
    "dose-unusual": Refusal(
        title="Dose outside what is usual",
        meaning=(
            "The modern dry process uses about 0.25 to 1 % of the mix (from memory of the trade, not from a standard)."
        ),
        remedy="Check the dose against the job mix formula; if it is meant, nothing need be done.",
        example=('dose_basis = "total_mix"\ndose_percent = 1.5'),
        warning=True,
    ),
    "dose-cut": Refusal(
        title="Dose that is cut at the highest rate",
        meaning=(
            "At the plant's highest rate this mix asks for more than the feeder's hard limit; the dose "
            "would be too low there."
        ),
        remedy=("Run the plant slower with this mix, or raise the feeder's limits if the machine allows it."),
        example="highest_rate_percent = 200",
        warning=True,
    ),
    "below-turndown": Refusal(
        title="Dose below the auger's turndown at the lowest rate",
        meaning=("At the plant's lowest rate this mix asks for less than the auger's lowest steady speed gives."),
        remedy="Read what feeder.below_turndown says; a smaller auger would feed this mix better.",
        example="min_speed_rpm = 20.0",
        warning=True,
    ),
    "range-unreachable": Refusal(
        title="Limit that the register never reaches",
        meaning=(
            "The register's type and scale end before this limit, so a reading can never be found out of range there."
        ),
        remedy="Set the limit to what is physically possible.",
        example="high = 1000.0                 # u16 with scale 0.01 ends at 655.35",
        warning=True,
    ),
    "device-unused": Refusal(
        title="Device that nothing uses",
        meaning="No signal and no output names this device.",
        remedy="Take it out, or name its registers.",
        example="[devices.spare]",
        warning=True,
    ),
    "proof-missing": Refusal(
        title="A fault that cannot be seen",
        meaning="The signal that would show this fault is not wired or not named.",
        remedy="Wire and name it if the plant has it.",
        example="[line]                        # without pressure",
        warning=True,
    ),
    "setpoint-wears": Refusal(
        title="A setpoint whose writes are limited",
        meaning=(
            "The setpoint's register is not said to be volatile. So that it does not wear out, it is written only so "
            "often in an hour and a day; after that the feed keeps an older setpoint, and only stops are written."
        ),
        remedy="Read in the device's manual where it keeps the register, and say storage.",
        example='[outputs.auger_speed]\nstorage = "unknown"',
        warning=True,
    ),
    "open-to-network": Refusal(
        title="Figures open to the network",
        meaning=("The address is not the loopback address: every machine that reaches this one can read the figures."),
        remedy="Use 127.0.0.1, or make sure that the network is closed.",
        example='address = "0.0.0.0"',
        warning=True,
    ),
    "file-not-there": Refusal(
        title="A file that is not there yet",
        meaning="A file that the daemon needs at its start cannot be found from here.",
        remedy="Put it in place before the daemon is started.",
        example='password_file = "/run/credentials/crumbmeter/mqtt"',
        warning=True,
    ),
    "rubber-late": Refusal(
        title="Rubber that comes too late",
        meaning="Material is at the injection point before rubber fed for it: every change of rate comes late.",
        remedy="Measure the material earlier, or shorten the line; check the travels.",
        example="[line]\ntravel_s = 60.0",
        warning=True,
    ),
    "port-by-number": Refusal(
        title="Serial port by its number",
        meaning=(
            "USB adapters are numbered in the order in which they were found: after a plug is pulled, the same "
            "number may be another bus."
        ),
        remedy="Name the port under /dev/serial/by-id/ or /dev/serial/by-path/.",
        example='serial_port = "/dev/ttyUSB0"',
        warning=True,
    ),
}
