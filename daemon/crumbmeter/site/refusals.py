"""The table of everything for which a site is refused or doubted. `docs/refusals.md` is written from it. Pure data."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Refusal:
    """One kind of problem."""

    title: str
    meaning: str
    remedy: str
    """What to do in general; a problem on the screen may say it more exactly."""
    example: str
    """Lines of a file that bring it about."""
    warning: bool = False
    """Shown, but the site may be used."""


REFUSALS: dict[str, Refusal] = {}


def _declare(rows: dict[str, tuple[str, str, str, str]], *, warning: bool = False) -> None:
    for code, (title, meaning, remedy, example) in rows.items():
        if code in REFUSALS:
            raise ValueError(f"refusal {code} is declared twice")
        REFUSALS[code] = Refusal(title, meaning, remedy, example, warning)


_declare(
    {
        "file-missing": (
            "The file cannot be read",
            "There is no such file, or this user may not read it.",
            "Check the path and who may read it.",
            "crumbmeter check config/sites/no_such_plant.toml",
        ),
        "bad-toml": (
            "Not valid TOML",
            "The text breaks a rule of TOML 1.0 (or is not UTF-8), so nothing further in this file could be checked.",
            "Put the marked line right. Text needs quotes, tables stand in square brackets, no key may stand twice.",
            "host = 127.0.0.1",
        ),
        "unknown-key": (
            "Unknown key",
            "No such key exists here. It is refused because a mistyped key would otherwise be ignored in silence.",
            "Correct the spelling, or take the line out.",
            '[devices.feeder]\nhots = "10.0.0.5"',
        ),
        "missing-key": (
            "A key is missing",
            "The table needs this key, and there is no safe default for it.",
            "Add the key to the table named.",
            "[line]\npressure_delay_s = 2.0        # travel_s is not there",
        ),
        "wrong-type": (
            "Wrong type of value",
            "The value is text where a number is needed, or the like. Nothing is converted by guess.",
            "Write the value in the type that is asked for: text in quotes, numbers without.",
            'port = "502"',
        ),
        "out-of-range": (
            "Value out of range",
            "The value is beyond what makes sense for this key.",
            "Give a value inside the limits named; docs/site-file.md lists them.",
            "poll_period_s = 0",
        ),
        "not-one-of": (
            "Not one of the words allowed",
            "The key takes one of a few fixed words.",
            "Use one of the words named.",
            'kind = "rap"                  # recycle',
        ),
        "bad-form": (
            "Text of the wrong form",
            "The text does not have the form that this key needs.",
            "Write it in the form named.",
            'source = "scale"              # device.register',
        ),
        "bad-name": (
            "Name of the wrong form",
            "Names become topics, labels and record ids, so they are plain.",
            "Use small letters, digits and underscores, a letter first, 40 characters at most.",
            "[signals.Belt-Speed]",
        ),
        "two-units": (
            "One quantity in two units",
            "The quantity is given under more than one key. Were they to differ, one would have to be ignored.",
            "Keep one of the keys.",
            "low_mass_kg = 30\nlow_mass_lb = 60",
        ),
        "needs-other-key": (
            "A key that needs another one",
            "The key means nothing without the other key named.",
            "Add the other key, or take this one out.",
            'frozen_while = "belt_runs"    # without frozen_after_s',
        ),
        "secret-in-file": (
            "A secret in the site file",
            "The site file is stored in the journal and shown to people, so no secret may stand in it.",
            "Put the secret into a file of its own that only the daemon may read, and name that file in password_file.",
            'password = "hunter2"',
        ),
    }
)

_declare(
    {
        "no-such-profile": (
            "No such device profile",
            "The device names a register map that is not there.",
            "Correct the name, or put the profile into the folder `devices/`.",
            'profile = "demo_feder"',
        ),
        "profile-name": (
            "Profile and file have different names",
            "A profile bears the name of its file, so that a name says which file is meant.",
            "Make the key `profile` and the name of the file equal.",
            'profile = "feeder_b"          # in feeder_a.toml',
        ),
        "address-notation": (
            "Address does not fit the notation",
            "In modicon5 and modicon6 the first digit is the table and counting begins at 1; offset and hex are PDU offsets. "
            "Nothing is guessed, because a guess is wrong by one or by a table.",
            "Correct the address or the notation.",
            'notation = "modicon5"\naddress = 100',
        ),
        "address-range": (
            "Address outside the table",
            "A table has addresses 0 to 65535 on the wire, and the value would not lie wholly inside.",
            "Correct the address.",
            'notation = "offset"\naddress = 65535\ntype = "f32"',
        ),
        "unknown-unit": (
            "Unknown unit",
            "Units come from a closed list. A bare `ton` is refused: short_ton is 2000 lb, tonne is 1000 kg, long_ton 2240 lb.",
            "Use a unit from the list at the end of docs/site-file.md.",
            'unit = "ton/h"',
        ),
        "register-shape": (
            "A register that contradicts itself",
            "Table, type, bit, order, scale and writable do not go together.",
            "Correct the key named.",
            'table = "coil"\ntype = "u16"',
        ),
        "no-such-device": (
            "No such device",
            "Something refers to a device that the site does not have.",
            "Correct the name, or add the device.",
            'source = "meter2.flow"',
        ),
        "no-such-register": (
            "No such register",
            "The device's profile has no register of this name.",
            "Correct the name, or add the register to the profile.",
            'source = "feeder.hoper_mass"',
        ),
        "no-such-signal": (
            "No such signal",
            "Something refers to a signal that the site does not have.",
            "Correct the name, or add the signal.",
            'rate = "agg_flow"',
        ),
        "no-such-mix": (
            "No such mix",
            "Something refers to a mix that the site does not have.",
            "Correct the name, or add the mix.",
            'first_mix = "surfce"',
        ),
        "no-such-role": (
            "No such output",
            "crumbmeter writes a fixed list of things; this is not one of them.",
            "Use a role from the list.",
            "[outputs.auger]",
        ),
        "no-such-alarm": (
            "No such alarm",
            "The alarm catalogue has no alarm of this name.",
            "Correct the name; docs/alarms.md lists them.",
            "[alarms.line_plug]",
        ),
        "wrong-dimension": (
            "A signal that measures something else",
            "The signal's register is measured in a unit that cannot be what this key needs.",
            "Name another signal, or correct the unit in the profile.",
            'rate = "belt_speed"           # ft/min is no mass flow',
        ),
        "signal-twice": (
            "Two signals on one register",
            "Two signals read the very same value. One of them is most likely meant to be another register.",
            "Point one of them elsewhere, or use one signal in both places.",
            'source = "feeder.hopper_mass" # in two signals',
        ),
        "device-twice": (
            "Two devices with one address",
            "Two devices have the same host, port and unit id: they are one device, or one of them is mistyped.",
            "Correct the address, or keep one device.",
            "unit_id = 1                   # twice behind one host and port",
        ),
        "port-twice": (
            "Two servers on one port",
            "Two things that the daemon is to serve would listen on the same port.",
            "Give one of them another port.",
            '[publish.mqtt]\nbroker = "embedded:9100"\n[publish.metrics]\nport = 9100',
        ),
    }
)

_declare(
    {
        "output-not-writable": (
            "Output to a register that is not writable",
            "Only a register that its profile declares `writable = true` may ever be written.",
            "Name another register; or, if the device's manual says that it may be written, say so in the profile.",
            'register = "feeder.hopper_mass"',
        ),
        "outputs-overlap": (
            "Two outputs on one address",
            "Two outputs would write the same register, or registers that share a word.",
            "Give each output a register of its own.",
            'register = "feeder.run"       # in two outputs',
        ),
        "unencodable": (
            "Limit that the register cannot hold",
            "With its type, scale and offset the register cannot hold this value, so it could never be written.",
            "Bring the limit inside the range named, or correct the type and scale in the profile.",
            "high = 700.0                  # u16 with scale 0.01 ends at 655.35",
        ),
        "codec-differs": (
            "Written and read back differ",
            "A value encoded for this register does not decode to the same value (REQ-13), so it could never be confirmed.",
            "Correct type, scale, offset or sentinels in the profile.",
            "scale = 1e-300",
        ),
        "output-needs-zero": (
            "An output that cannot be stopped",
            "A stop writes 0. The limits of a setpoint must therefore begin at 0.",
            "Set low = 0. The auger's lowest steady speed belongs into feeder.min_speed_rpm.",
            "[outputs.auger_speed]\nlow = 3.0",
        ),
        "output-too-narrow": (
            "Limit narrower than the feeder",
            "The output's upper limit lies below what the feeder is meant to reach, so the dose would be cut in silence.",
            "Raise the output's limit, or lower the feeder's.",
            "[feeder]\nmax_speed_rpm = 60.0\n[outputs.auger_speed]\nhigh = 50.0",
        ),
        "output-missing": (
            "Control without an output it needs",
            "control.allowed is true, but an output without which it cannot be done, or not safely, has no register.",
            "Add the output, or set control.allowed = false.",
            "[control]\nallowed = true                # and no [outputs.heartbeat]",
        ),
        "output-unused": (
            "Output that this site never writes",
            "In this feeder mode the output is never written; two setpoints would be two masters.",
            "Take the output out, or change feeder.mode.",
            '[feeder]\nmode = "speed"\n[outputs.feed_rate]',
        ),
        "control-unproven": (
            "Control without a proof it needs",
            "control.allowed is true, but the contact that must prove a permissive has no signal.",
            "Wire and name the contact, or set control.allowed = false.",
            "[control]\nallowed = true                # and no line.blower_running",
        ),
        "low-high": (
            "Limits the wrong way round",
            "Of two limits that belong together the lower one is not below the upper one, or a value lies outside them.",
            "Correct one of the two.",
            "low = 100\nhigh = 50",
        ),
        "period-order": (
            "Periods that cannot work together",
            "One time must be longer than another for this to work at all.",
            "Change one of the two times.",
            "poll_period_s = 1.0\nmax_age_s = 0.5               # stale before it can be read again",
        ),
        "bus-overload": (
            "Too many reads for one connection",
            "The reads planned for this endpoint would take more than 70 % of its time, with no room for writes and one slow "
            "reply.",
            "Read less often, let one read cross more addresses (max_gap, max_words), or correct site.exchange_estimate_ms.",
            "poll_period_s = 0.05",
        ),
        "acceleration": (
            "An accelerated clock at a real plant",
            "Only a simulated plant can run faster or slower than real time.",
            "Take clock_rate out, or set it to 1.",
            "simulated = false\nclock_rate = 10.0",
        ),
        "bad-endpoint": (
            "Port outside 1 to 65535",
            "The text names a port that does not exist.",
            "Correct the port.",
            'broker = "10.0.0.9:70000"',
        ),
        "path-too-long": (
            "Path too long for a socket",
            "The system takes at most 107 bytes for the path of a Unix socket.",
            "Choose a shorter path.",
            'path = "/very/long/..."',
        ),
    }
)

_declare(
    {
        "corrected-twice": (
            "Water or temperature corrected twice",
            "The signal is declared as already corrected, yet a correction is asked for on top. Correcting twice is the classic "
            "error of this trade: the dose is then wrong by some percent and everything looks right.",
            "Keep the declaration or the correction, whichever is true of this instrument; ask the plant's technician.",
            'state = "dry"\nmoisture_percent = 4.0',
        ),
        "not-for-kind": (
            "Key that this kind of stream does not have",
            "The key belongs to another kind of stream.",
            "Take the key out, or correct `kind`.",
            'kind = "aggregate"\nbinder_percent = 5.0',
        ),
        "binder-uncompensated": (
            "Binder that is not metered by mass",
            "Binder is taken by mass. A raw volume would have to be corrected to 60 °F (15 °C) first, and this release leaves "
            "that to the meter.",
            "Let the meter send mass, name that register, and set compensated = true.",
            'kind = "binder"\ncompensated = false',
        ),
        "stream-missing": (
            "A stream without which there is no mix",
            "A mix needs an aggregate (or recycle) stream and a binder stream.",
            "Add the stream.",
            "[streams]                     # without a binder",
        ),
        "counted-twice": (
            "One signal for two streams",
            "Two streams take their rate from the same signal, so the material would be counted twice.",
            "Give each stream its own signal.",
            'rate = "belt_flow"            # in two streams',
        ),
        "dose-absurd": (
            "A dose that no mix has",
            "The dose comes to more than 5 % of the mix. FHWA-RD-97-148 gives 1 to 3 % of the aggregate for the classic dry "
            "process; 20 % is a figure of the wet process, in percent of binder. The limit of 5 % is our own.",
            "Check the basis and the unit of the dose.",
            'dose_basis = "total_mix"\ndose_percent = 20.0',
        ),
        "dose-unit": (
            "Pounds per ton of something that is no mix",
            "Pounds per short ton and kilograms per tonne are of mix, with or without the rubber.",
            "Use dose_percent, or a basis of mix.",
            'dose_basis = "total_binder"\ndose_lb_per_short_ton = 10.0',
        ),
        "recipe-twice": (
            "One plant recipe for two mixes",
            "Two mixes bear the same number of the plant's own recipe, so the number cannot tell them apart.",
            "Correct one of the numbers.",
            "plant_recipe = 11             # in two mixes",
        ),
        "rate-unreachable": (
            "A rate that the auger cannot reach",
            "feeder.max_rate is more than the auger gives at its highest speed with the highest feed factor believed.",
            "Lower the rate, or correct speed or factor.",
            "max_speed_rpm = 60.0\nfeed_factor_high_kg_rev = 1.0\nmax_rate_kg_min = 90.0",
        ),
        "dose-unreachable": (
            "A mix whose dose the feeder does not reach",
            "At the plant's normal rate this mix asks for more than the feeder's hard limit.",
            "Check the dose, the normal flows of the streams, and the feeder's limits.",
            "dose_percent = 4.0\n[feeder]\nmax_rate_lb_min = 10.0",
        ),
        "hopper-range": (
            "Hopper content outside its signal's limits",
            "The mass signal would be Bad before the hopper is empty or full.",
            "Widen the signal's limits, or correct the hopper's content.",
            "[signals.hopper_mass]\nhigh = 250.0\n[feeder]\nfull_mass_lb = 300.0",
        ),
    }
)

_declare(
    {
        "dose-unusual": (
            "Dose outside what is usual",
            "The modern dry process uses about 0.25 to 1 % of the mix (from memory of the trade, not from a standard).",
            "Check the dose against the job mix formula; if it is meant, nothing need be done.",
            'dose_basis = "total_mix"\ndose_percent = 1.5',
        ),
        "dose-cut": (
            "Dose that is cut at the highest rate",
            "At the plant's highest rate this mix asks for more than the feeder's hard limit; the dose would be too low there.",
            "Run the plant slower with this mix, or raise the feeder's limits if the machine allows it.",
            "highest_rate_percent = 200",
        ),
        "below-turndown": (
            "Dose below the auger's turndown at the lowest rate",
            "At the plant's lowest rate this mix asks for less than the auger's lowest steady speed gives.",
            "Read what feeder.below_turndown says; a smaller auger would feed this mix better.",
            "min_speed_rpm = 20.0",
        ),
        "range-unreachable": (
            "Limit that the register never reaches",
            "The register's type and scale end before this limit, so a reading can never be found out of range there.",
            "Set the limit to what is physically possible.",
            "high = 1000.0                 # u16 with scale 0.01 ends at 655.35",
        ),
        "device-unused": (
            "Device that nothing uses",
            "No signal and no output names this device.",
            "Take it out, or name its registers.",
            "[devices.spare]",
        ),
        "proof-missing": (
            "A fault that cannot be seen",
            "The signal that would show this fault is not wired or not named.",
            "Wire and name it if the plant has it.",
            "[line]                        # without pressure",
        ),
        "open-to-network": (
            "Figures open to the network",
            "The address is not the loopback address: every machine that reaches this one can read the figures.",
            "Use 127.0.0.1, or make sure that the network is closed.",
            'address = "0.0.0.0"',
        ),
        "file-not-there": (
            "A file that is not there yet",
            "A file that the daemon needs at its start cannot be found from here.",
            "Put it in place before the daemon is started.",
            'password_file = "/run/credentials/crumbmeter/mqtt"',
        ),
    },
    warning=True,
)
