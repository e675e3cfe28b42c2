"""`crumbmeter do --help` names every command there is, as it is typed."""

from crumbmeter.cli.commands import DEEDS_HELP
from crumbmeter.cli.do import DEEDS


def test_every_command_is_named_with_what_it_takes() -> None:
    named = {entry.split()[0]: entry for entry in DEEDS_HELP.rstrip(".").split(", ")}
    assert set(named) == {kind.value.replace(" ", "-") for kind in DEEDS}
    for kind, deed in DEEDS.items():
        entry = named[kind.value.replace(" ", "-")]
        assert ("--reason" in entry) is deed.reason, entry
        assert len(entry.replace(" --reason WHY", "").split()) == 1 + bool(deed.subject) + bool(deed.value), entry
