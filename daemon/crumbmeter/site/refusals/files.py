"""Refusals of files and of single keys. Pure data."""

from crumbmeter.site.refusals.kind import Refusal

FILES: dict[str, Refusal] = {
    "file-missing": Refusal(
        title="The file cannot be read",
        meaning="There is no such file, or this user may not read it.",
        remedy="Check the path and who may read it.",
        example="crumbmeter check config/sites/no_such_plant.toml",
    ),
    "bad-toml": Refusal(
        title="Not valid TOML",
        meaning=(
            "The text breaks a rule of TOML 1.0 (or is not UTF-8), so nothing further in this file could be checked."
        ),
        remedy=(
            "Put the marked line right. Text needs quotes, tables stand in square brackets, no key may stand twice."
        ),
        example="host = 127.0.0.1",
    ),
    "placeholder": Refusal(
        title="Still to be filled in",
        meaning="`crumbmeter new-site` and `add-device` leave to a person what only the plant can tell: FILL IN.",
        remedy="Put the value in its place: `crumbmeter set SITE KEY=VALUE`.",
        example='travel_s = "FILL IN: from the auger\'s end to the injection point"',
    ),
    "unknown-key": Refusal(
        title="Unknown key",
        meaning=(
            "No such key exists here. It is refused because a mistyped key would otherwise be ignored in silence."
        ),
        remedy="Correct the spelling, or take the line out.",
        example=('[devices.feeder]\nhots = "10.0.0.5"'),
    ),
    "missing-key": Refusal(
        title="A key is missing",
        meaning="The table needs this key, and there is no safe default for it.",
        remedy="Add the key to the table named.",
        example=("[line]\npressure_delay_s = 2.0        # travel_s is not there"),
    ),
    "wrong-type": Refusal(
        title="Wrong type of value",
        meaning=("The value is text where a number is needed, or the like. Nothing is converted by guess."),
        remedy="Write the value in the type that is asked for: text in quotes, numbers without.",
        example='port = "502"',
    ),
    "out-of-range": Refusal(
        title="Value out of range",
        meaning="The value is beyond what makes sense for this key.",
        remedy="Give a value inside the limits named; docs/site-file.md lists them.",
        example="poll_period_s = 0",
    ),
    "not-one-of": Refusal(
        title="Not one of the words allowed",
        meaning="The key takes one of a few fixed words.",
        remedy="Use one of the words named.",
        example='kind = "rap"                  # recycle',
    ),
    "bad-form": Refusal(
        title="Text of the wrong form",
        meaning="The text does not have the form that this key needs.",
        remedy="Write it in the form named.",
        example='source = "scale"              # device.register',
    ),
    "bad-name": Refusal(
        title="Name of the wrong form",
        meaning="Names become topics, labels and record ids, so they are plain.",
        remedy="Use small letters, digits and underscores, a letter first, 40 characters at most.",
        example="[signals.Belt-Speed]",
    ),
    "two-units": Refusal(
        title="One quantity in two units",
        meaning=("The quantity is given under more than one key. Were they to differ, one would have to be ignored."),
        remedy="Keep one of the keys.",
        example=("low_mass_kg = 30\nlow_mass_lb = 60"),
    ),
    "needs-other-key": Refusal(
        title="A key that needs another one",
        meaning="The key means nothing without the other key named.",
        remedy="Add the other key, or take this one out.",
        example='frozen_while = "belt_runs"    # without frozen_after_s',
    ),
    "secret-in-file": Refusal(
        title="A secret in the site file",
        meaning=("The site file is stored in the journal and shown to people, so no secret may stand in it."),
        remedy=(
            "Put the secret into a file of its own that only the daemon may read, and name that file in password_file."
        ),
        example='password = "hunter2"',
    ),
}
