"""Refusals of outputs, periods and links. Pure data."""

from crumbmeter.site.refusals.kind import Refusal

OUTPUTS: dict[str, Refusal] = {
    "output-not-writable": Refusal(
        title="Output to a register that is not writable",
        meaning="Only a register that its profile declares `writable = true` may ever be written.",
        remedy=(
            "Name another register; or, if the device's manual says that it may be written, say so in the profile."
        ),
        example='register = "feeder.hopper_mass"',
    ),
    "outputs-overlap": Refusal(
        title="Two outputs on one address",
        meaning="Two outputs would write the same register, or registers that share a word.",
        remedy="Give each output a register of its own.",
        example='register = "feeder.run"       # in two outputs',
    ),
    "unencodable": Refusal(
        title="Limit that the register cannot hold",
        meaning=("With its type, scale and offset the register cannot hold this value, so it could never be written."),
        remedy="Bring the limit inside the range named, or correct the type and scale in the profile.",
        example="high = 700.0                  # u16 with scale 0.01 ends at 655.35",
    ),
    "codec-differs": Refusal(
        title="Written and read back differ",
        meaning=(
            "A value encoded for this register does not decode to the same value (REQ-13), so it could "
            "never be confirmed."
        ),
        remedy="Correct type, scale, offset or sentinels in the profile.",
        example="scale = 1e-300",
    ),
    "output-needs-zero": Refusal(
        title="An output that cannot be stopped",
        meaning="A stop writes 0. The limits of a setpoint must therefore begin at 0.",
        remedy="Set low = 0. The auger's lowest steady speed belongs into feeder.min_speed_rpm.",
        example=("[outputs.auger_speed]\nlow = 3.0"),
    ),
    "output-too-narrow": Refusal(
        title="Limit narrower than the feeder",
        meaning=(
            "The output's upper limit lies below what the feeder is meant to reach, so the dose would be "
            "cut in silence."
        ),
        remedy="Raise the output's limit, or lower the feeder's.",
        example=("[feeder]\nmax_speed_rpm = 60.0\n[outputs.auger_speed]\nhigh = 50.0"),
    ),
    "output-missing": Refusal(
        title="Control without an output it needs",
        meaning=(
            "control.allowed is true, but an output without which it cannot be done, or not safely, has no register."
        ),
        remedy="Add the output, or set control.allowed = false.",
        example=("[control]\nallowed = true                # and no [outputs.heartbeat]"),
    ),
    "output-unused": Refusal(
        title="Output that this site never writes",
        meaning="In this feeder mode the output is never written; two setpoints would be two masters.",
        remedy="Take the output out, or change feeder.mode.",
        example=('[feeder]\nmode = "speed"\n[outputs.feed_rate]'),
    ),
    "control-unproven": Refusal(
        title="Control without a proof it needs",
        meaning="control.allowed is true, but the contact that must prove a permissive has no signal.",
        remedy="Wire and name the contact, or set control.allowed = false.",
        example=("[control]\nallowed = true                # and no line.blower_running"),
    ),
    "heartbeat-wears": Refusal(
        title="A heartbeat in memory that wears out",
        meaning=(
            "The heartbeat is written several times a second for ever. In non-volatile memory that uses up the writes "
            "the device's maker allows within days (REQ-26)."
        ),
        remedy='Find a volatile register for it, and say so by storage = "volatile".',
        example='[outputs.heartbeat]\nstorage = "unknown"',
    ),
    "counter-shape": Refusal(
        title="Status, totaliser or pulses that do not fit their register",
        meaning="What the table says of the signal cannot be true of its register, or one contradicts the other.",
        remedy="Correct the key named, or the register in the profile.",
        example="[signals.total.totaliser]     # of a contact",
    ),
    "other-device": Refusal(
        title="Status or heartbeat of another device",
        meaning=(
            "A status belongs to its weight, and a heartbeat to its device. Of another device it says nothing of this "
            "one, and is of another instant."
        ),
        remedy="Name a signal that is read from the same device.",
        example='[devices.feeder]\nheartbeat = "blower_beat"',
    ),
    "low-high": Refusal(
        title="Limits the wrong way round",
        meaning=(
            "Of two limits that belong together the lower one is not below the upper one, or a value lies outside them."
        ),
        remedy="Correct one of the two.",
        example=("low = 100\nhigh = 50"),
    ),
    "period-order": Refusal(
        title="Periods that cannot work together",
        meaning="One time must be longer than another for this to work at all.",
        remedy="Change one of the two times.",
        example=("poll_period_s = 1.0\nmax_age_s = 0.5               # stale before it can be read again"),
    ),
    "bus-overload": Refusal(
        title="Too many reads for one connection",
        meaning=(
            "The reads planned for this endpoint would take more than 70 % of its time, with no room for "
            "writes and one slow reply."
        ),
        remedy=(
            "Read less often, let one read cross more addresses (max_gap, max_words), or correct "
            "site.exchange_estimate_ms."
        ),
        example="poll_period_s = 0.05",
    ),
    "acceleration": Refusal(
        title="An accelerated clock at a real plant",
        meaning="Only a simulated plant can run faster or slower than real time.",
        remedy="Take clock_rate out, or set it to 1.",
        example=("simulated = false\nclock_rate = 10.0"),
    ),
    "bad-endpoint": Refusal(
        title="Port outside 1 to 65535",
        meaning="The text names a port that does not exist.",
        remedy="Correct the port.",
        example='broker = "10.0.0.9:70000"',
    ),
    "path-too-long": Refusal(
        title="Path too long for a socket",
        meaning="The system takes at most 107 bytes for the path of a Unix socket.",
        remedy="Choose a shorter path.",
        example='path = "/very/long/..."',
    ),
}
