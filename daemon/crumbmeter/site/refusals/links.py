"""Refusals of profiles, references, devices and signals. Pure data."""

from crumbmeter.site.refusals.kind import Refusal

LINKS: dict[str, Refusal] = {
    "no-such-profile": Refusal(
        title="No such device profile",
        meaning="The device names a register map that is not there.",
        remedy="Correct the name, or put the profile into the folder `devices/`.",
        example='profile = "demo_feder"',
    ),
    "profile-name": Refusal(
        title="Profile and file have different names",
        meaning="A profile bears the name of its file, so that a name says which file is meant.",
        remedy="Make the key `profile` and the name of the file equal.",
        example='profile = "feeder_b"          # in feeder_a.toml',
    ),
    "address-notation": Refusal(
        title="Address does not fit the notation",
        meaning=(
            "In modicon5 and modicon6 the first digit is the table and counting begins at 1; offset and "
            "hex are PDU offsets. Nothing is guessed, because a guess is wrong by one or by a table."
        ),
        remedy="Correct the address or the notation.",
        example=('notation = "modicon5"\naddress = 100'),
    ),
    "address-range": Refusal(
        title="Address outside the table",
        meaning=("A table has addresses 0 to 65535 on the wire, and the value would not lie wholly inside."),
        remedy="Correct the address.",
        example=('notation = "offset"\naddress = 65535\ntype = "f32"'),
    ),
    "unknown-unit": Refusal(
        title="Unknown unit",
        meaning=(
            "Units come from a closed list. A bare `ton` is refused: short_ton is 2000 lb, tonne is 1000 "
            "kg, long_ton 2240 lb."
        ),
        remedy="Use a unit from the list at the end of docs/site-file.md.",
        example='unit = "ton/h"',
    ),
    "register-shape": Refusal(
        title="A register that contradicts itself",
        meaning="Table, type, bit, order, scale and writable do not go together.",
        remedy="Correct the key named.",
        example=('table = "coil"\ntype = "u16"'),
    ),
    "scaling": Refusal(
        title="A scaling that contradicts itself",
        meaning=(
            "A value has one scaling: scale and offset, or two points, each with a power of ten from the device or "
            "without. A current loop must have counts left below 3.6 mA and above 21 mA, or a broken wire would read "
            "as zero."
        ),
        remedy="Correct the key named.",
        example="raw_low = 0                   # and no raw_high, eng_low, eng_high",
    ),
    "atomic-group": Refusal(
        title="What belongs together cannot be read together",
        meaning=(
            "A value with its power of ten, its status or its other half is worth something only if all come from "
            "the same instant, in one request: one table, no more than max_words, across no forbidden address."
        ),
        remedy="Correct the register named.",
        example='decimals_register = "point"   # 200 registers away',
    ),
    "forbidden-address": Refusal(
        title="Register on a forbidden address",
        meaning="The profile forbids to read this address, and describes a value on it.",
        remedy="Correct the address, or the pairs under forbidden.",
        example="[forbidden]\ninput = [[10, 19]]\n[registers.flow]\naddress = 12",
    ),
    "text-signal": Refusal(
        title="Signal that is a text",
        meaning="A text says what a device is. A signal is a number or a contact.",
        remedy="Name a register that holds a number.",
        example='source = "scale.serial_number"',
    ),
    "no-such-device": Refusal(
        title="No such device",
        meaning="Something refers to a device that the site does not have.",
        remedy="Correct the name, or add the device.",
        example='source = "meter2.flow"',
    ),
    "no-such-register": Refusal(
        title="No such register",
        meaning="The device's profile has no register of this name.",
        remedy="Correct the name, or add the register to the profile.",
        example='source = "feeder.hoper_mass"',
    ),
    "no-such-signal": Refusal(
        title="No such signal",
        meaning="Something refers to a signal that the site does not have.",
        remedy="Correct the name, or add the signal.",
        example='rate = "agg_flow"',
    ),
    "no-such-mix": Refusal(
        title="No such mix",
        meaning="Something refers to a mix that the site does not have.",
        remedy="Correct the name, or add the mix.",
        example='first_mix = "surfce"',
    ),
    "no-such-role": Refusal(
        title="No such output",
        meaning="crumbmeter writes a fixed list of things; this is not one of them.",
        remedy="Use a role from the list.",
        example="[outputs.auger]",
    ),
    "no-such-alarm": Refusal(
        title="No such alarm",
        meaning="The alarm catalogue has no alarm of this name.",
        remedy="Correct the name; docs/alarms.md lists them.",
        example="[alarms.line_plug]",
    ),
    "wrong-dimension": Refusal(
        title="A signal that measures something else",
        meaning="The signal's register is measured in a unit that cannot be what this key needs.",
        remedy="Name another signal (for an output: another register), or correct the unit in the profile.",
        example='rate = "belt_speed"           # ft/min is no mass flow',
    ),
    "signal-twice": Refusal(
        title="Two signals on one register",
        meaning=("Two signals read the very same value. One of them is most likely meant to be another register."),
        remedy="Point one of them elsewhere, or use one signal in both places.",
        example='source = "feeder.hopper_mass" # in two signals',
    ),
    "device-twice": Refusal(
        title="Two devices with one address",
        meaning=("Two devices have the same host, port and unit id: they are one device, or one of them is mistyped."),
        remedy="Correct the address, or keep one device.",
        example="unit_id = 1                   # twice behind one host and port",
    ),
    "port-twice": Refusal(
        title="Two servers on one port",
        meaning="Two things that the daemon is to serve would listen on the same port.",
        remedy="Give one of them another port.",
        example=('[publish.mqtt]\nbroker = "embedded:9100"\n[publish.metrics]\nport = 9100'),
    ),
    "client-address": Refusal(
        title="A client that is no IP address",
        meaning="The server for the plant's controller lets clients in by their IP address; a name is not looked up.",
        remedy="Give the address, as 192.168.10.5.",
        example='[publish.modbus]\nclients = ["controller"]',
    ),
    "open-to-requests": Refusal(
        title="Requests from whoever reaches the port",
        meaning=(
            "Modbus knows no passwords. The site allows requests over it, listens on a network, and does not say who "
            "may send them: every machine that reaches the port could."
        ),
        remedy="Name the controllers in clients by their IP address, or allow nothing.",
        example='[publish.modbus]\naddress = "192.168.10.2"\nallow = ["stop_feed"]',
    ),
    "desk-without-tls": Refusal(
        title="Desk open to the network without TLS",
        meaning=(
            "The desk listens on another address than the loopback, and nothing encrypts what passes: passwords and "
            "sessions could be read on the way."
        ),
        remedy="Use 127.0.0.1, or give tls_certificate and tls_key, or say behind_proxy = true where a proxy does TLS.",
        example='[desk]\naddress = "0.0.0.0"',
    ),
    "transport-mixed": Refusal(
        title="Two framings or line settings on one connection",
        meaning="All devices behind one connection speak with the same frames, and on one serial port at one speed.",
        remedy="Correct the one that differs.",
        example='transport = "rtu_over_tcp"    # where another device on this host and port is tcp',
    ),
    "broadcast-unit": Refusal(
        title="Unit 0 on a serial bus",
        meaning="Unit 0 reaches every device of the bus and none answers: nothing can be read and no write be proved.",
        remedy="Give the device's own unit id, 1 to 247.",
        example='transport = "rtu"\nunit_id = 0',
    ),
    "two-passwords": Refusal(
        title="Two places for one password",
        meaning="A password is read from a file or from the environment, and it must be clear from which.",
        remedy="Keep one of password_file and password_variable.",
        example='password_file = "/etc/crumbmeter/opcua"\npassword_variable = "OPCUA_PASSWORD"',
    ),
    "password-in-clear": Refusal(
        title="A user without encryption",
        meaning=(
            "With policy none nothing of the connection is signed or encrypted, and with mode sign nothing encrypted; "
            "many servers then take the password as it stands, and anybody on the network can read it and write to "
            "the server."
        ),
        remedy='Set policy = "basic256sha256" with mode = "sign_and_encrypt".',
        example='policy = "none"\nuser = "crumbmeter"',
        warning=True,
    ),
    "write-function": Refusal(
        title="A function that cannot write the register",
        meaning="5 and 15 write coils, 6, 16, 22 and 23 registers; 5, 6 and 22 one address and no more.",
        remedy="Name a function that fits, or leave it out.",
        example="write_function = 6            # for a value of two words",
    ),
}
