"""Cross checks of how a connection to an OPC UA server is protected. Pure, but for looking whether files are there."""

from pathlib import Path

from crumbmeter.site.draft import Draft
from crumbmeter.site.keys.nodes import SecurityKeys
from crumbmeter.site.lines import KeyPath

_NEEDED = ("mode", "certificate", "private_key", "server_certificate")
_PASSWORDS = ("password_file", "password_variable")
_FILES = ("certificate", "private_key", "server_certificate", "password_file")


def check_security(draft: Draft, path: KeyPath, keys: SecurityKeys) -> None:
    """Check that policy, certificates and user go together."""
    _certificates(draft, path, keys)
    for key in _FILES:
        value = getattr(keys, key)
        if value is not None and not Path(value).is_file():
            draft.say("file-not-there", (*path, key), "no such file from here")
    _user(draft, path, keys)


def _certificates(draft: Draft, path: KeyPath, keys: SecurityKeys) -> None:
    for key in _NEEDED:
        given = getattr(keys, key) is not None
        if keys.policy == "none" and given:
            expected = "is not for policy none"
            draft.say("not-for-kind", (*path, key), expected, remedy="Take it out, or correct policy.")
        elif keys.policy != "none" and not given:
            remedy = f"Add {key} to [{'.'.join(map(str, path))}]."
            draft.say("missing-key", (*path, key), f"is missing for policy {keys.policy}", remedy=remedy)


def _user(draft: Draft, path: KeyPath, keys: SecurityKeys) -> None:
    passwords = [key for key in _PASSWORDS if getattr(keys, key) is not None]
    if keys.user is None:
        for key in passwords:
            draft.say("needs-other-key", (*path, key), "needs user")
        return
    if not passwords:
        remedy = f"Add {' or '.join(_PASSWORDS)} to [{'.'.join(map(str, path))}]."
        draft.say("missing-key", (*path, _PASSWORDS[0]), "is missing for a user", remedy=remedy)
    elif len(passwords) > 1:
        draft.say("two-passwords", (*path, passwords[1]), f"is given beside {passwords[0]}")
    if keys.policy == "none" or keys.mode == "sign":
        draft.say("password-in-clear", (*path, "user"), "its password may go over the network as it stands")
