"""`crumbmeter put-in-force`, `versions`, `keep-version` and `roll-back`: the work behind the commands."""

import asyncio
import sys
import tempfile
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from crumbmeter.adapters.clock import machine_pause, machine_wall_us
from crumbmeter.adapters.control_line import ControlLine, NoDaemonError
from crumbmeter.cli.care_places import NotFoundError, Places, all_versions, files_in_force, places_of
from crumbmeter.cli.exits import FAILED, NO_DAEMON, OK, REFUSED
from crumbmeter.cli.run import load_or_say
from crumbmeter.cli.saving import save_bytes
from crumbmeter.journal.entry import SIMULATED
from crumbmeter.journal.errors import JournalUnreadableError
from crumbmeter.ledger.quality import NotRecordedError, append
from crumbmeter.ledger.versions import NOBODY, Version, chosen, said
from crumbmeter.site import Site, SiteRefusedError, load, report
from crumbmeter.site.changes import changes, gravest, text
from crumbmeter.site.documents import parse_document
from crumbmeter.site.effects import When
from crumbmeter.site.profiles import find_profile, profile_folders
from crumbmeter.site.settings import SourceFile

APPLY_S: Final = 30.0
"""[s] The daemon may take so long to read and check the file."""
FAULTS: Final = (NotFoundError, JournalUnreadableError, NotRecordedError, OSError)


def compare(site: Path, other: Path | None) -> int:
    """Say what a good site file changes against another one, or against what is in force."""
    after = load_or_say(site)
    if after is None:
        return REFUSED
    try:
        if other is not None:
            before, whence = load(other).files, str(other)
        else:
            _, before, whence = files_in_force(places_of(site, None, None))
    except SiteRefusedError as refused:
        return _say(report(refused.problems), REFUSED)
    except FAULTS as fault:
        return _say(str(fault), FAILED)
    found = changes(before, after.files)
    sys.stdout.write(f"{site} against {whence}:\n\n{text(found)}")
    if found and other is None:
        command = f"crumbmeter put-in-force {site} --by ... --reason ..."
        how = "restart the daemon" if gravest(found) is When.RESTART else command
        sys.stdout.write(f"To put it in force: {how}\n")
    return OK


def apply(site: Path, who: str, reason: str) -> int:
    """Have the running daemon put the site file in force, and put the version on record."""
    loaded = load_or_say(site)
    if loaded is None:
        return REFUSED
    places = places_of(site, None, None)
    request = {"ask": "put in force", "who": who, "reason": reason, "settings_id": loaded.settings_id}
    try:
        answer = asyncio.run(_ask(loaded.socket, site.resolve(), request))
    except NoDaemonError as fault:
        return _say(f"{fault}. Without a daemon, `crumbmeter run` takes the file as it is.", NO_DAEMON)
    except FAULTS as fault:
        return _say(f"Not applied: {fault}", REFUSED)
    if not answer.get("applied"):
        return _say(f"Not applied: {answer.get('why')}", FAILED)
    for change in answer["changes"]:
        sys.stdout.write(f"  {change['key']}: {change['was'] or 'not there'} -> {change['now'] or 'not there'}\n")
        sys.stdout.write(f"      {change['says']}\n")
    state = "stays as it was" if answer["control_kept"] else "is monitor only: enable it anew"
    sys.stdout.write(f"Applied {answer['settings_id'][:12]} in the place of {answer['was'][:12]}. Control {state}.\n")
    try:
        _keep_run(places, str(answer["was"]))
        _record(places, loaded.settings_id, loaded.files, "applied", who, reason)
    except FAULTS as fault:
        return _say(f"It is in force, and NOT on the quality record: {fault}\nSay `crumbmeter keep-version`.", FAILED)
    return OK


async def _ask(socket: Path, site: Path, request: dict[str, Any]) -> dict[str, Any]:
    async with ControlLine(socket) as line:
        told = await line.ask({"ask": "settings"})
        if Path(str(told.get("site_file"))) != site:
            raise NotFoundError(f"the daemon at {socket} runs on {told.get('site_file')}, not on {site}")
        return await line.ask(request, APPLY_S)


def versions(site: Path, record: Path | None, quality: Path | None, show: str) -> int:
    """List the versions, or print one."""
    try:
        known = all_versions(places_of(site, record, quality))
    except FAULTS as fault:
        return _say(str(fault), REFUSED)
    if show:
        one = chosen(known, show)
        if one is None:
            return _say(f"no version {show}: `crumbmeter versions {site}` lists them", FAILED)
        for name, content in one.files:
            sys.stdout.write(f"# ---- {name} of version {_name(one)}\n{content.decode()}")
        return OK
    before: Sequence[SourceFile] = ()
    for one in known:
        files = [SourceFile(name, content) for name, content in one.files]
        sys.stdout.write(
            f"{_name(one):>4}  {one.settings_id[:12]}  {_when(one.at_us)}  {one.how}, {one.who}: {one.reason}\n"
        )
        if before:
            sys.stdout.write(f"      {_in_short(before, files)}\n")
        before = files
    if not known:
        sys.stdout.write("no version is on record, and no run either\n")
    return OK


def keep_version(site: Path, who: str, reason: str) -> int:
    """Put the site file as it is on record."""
    loaded = load_or_say(site)
    if loaded is None:
        return REFUSED
    try:
        number = _record(places_of(site, None, None), loaded.settings_id, loaded.files, "kept", who, reason)
    except FAULTS as fault:
        return _say(str(fault), REFUSED)
    sys.stdout.write(f"on record as version {number}: {loaded.settings_id[:12]}\n")
    return OK


def roll_back(site: Path, wanted: str, who: str, reason: str, record: Path | None, quality: Path | None) -> int:
    """Put an old version's text in the place of the site file; what is there now is kept."""
    try:
        _require(who, reason)
        places = places_of(site, record, quality)
        one = chosen(all_versions(places), wanted)
        if one is None:
            return _say(f"no version {wanted}: `crumbmeter versions {site}` lists them", FAILED)
        loaded = _checked(one)
        now = _on_disk(site)
        kept = {version.settings_id for version in all_versions(places) if version.number}
        if now is not None and now.settings_id not in kept | {one.settings_id}:
            before = f"as it was before version {_name(one)} came back"
            _record(places, now.settings_id, now.files, "kept", who, before)
        _put(site, one, () if now is None else now.files)
    except SiteRefusedError as refused:
        return _say(f"Not rolled back: this version of crumbmeter refuses it.\n{report(refused.problems)}", REFUSED)
    except FAULTS as fault:
        return _say(f"Not rolled back: {fault}", REFUSED)
    try:
        number = _record(places, one.settings_id, loaded.files, "rolled back", who, reason)
    except FAULTS as fault:
        words = f"{site}: is again as in version {_name(one)}, and that is NOT on the quality record: {fault}"
        return _say(f"{words}\nSay `crumbmeter keep-version`.", FAILED)
    sys.stdout.write(f"{site}: is again as in version {_name(one)}, on record as version {number}.\n")
    if now is not None:
        sys.stdout.write(text(changes(now.files, loaded.files)))
    sys.stdout.write(
        f"It is in force once it is applied (`crumbmeter put-in-force {site} ...`) or the daemon is restarted.\n"
    )
    return OK


def _checked(one: Version) -> Site:
    """Build the site of a version away from the files that are in use.

    Raises:
        SiteRefusedError: this program refuses it.
    """
    with tempfile.TemporaryDirectory(prefix="crumbmeter-version-") as folder:
        for name, content in one.files:
            path = Path(folder) / ("sites" if "/" not in name else "") / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
        return load(Path(folder) / "sites" / "site.toml")


def _on_disk(site: Path) -> Site | None:
    """Return the site as it is on the disk; None where it is refused, for such a text was never in force."""
    try:
        return load(site)
    except SiteRefusedError:
        if site.exists():
            sys.stdout.write(f"{site}: is refused as it is; it is kept as {_kept_aside(site, 'refused')}\n")
        return None


def _kept_aside(path: Path, why: str) -> Path:
    """Copy a file beside itself under a name that no other has; return the copy."""
    content, number = path.read_bytes(), 1
    aside = path.with_name(f"{path.name}.{why}")
    while aside.exists() and aside.read_bytes() != content:
        number += 1
        aside = path.with_name(f"{path.name}.{why}-{number}")
    save_bytes(aside, content)
    return aside


def _put(site: Path, one: Version, on_record: Sequence[SourceFile]) -> None:
    """Write the files of a version, register maps first: the site file never stands over others than its own.

    A register map that is on no record, since the site that uses it is refused or is another one, is kept beside.
    """
    folders = profile_folders(site)
    known = {file.content for file in on_record}
    for name, content in sorted(one.files, key=lambda file: "/" not in file[0]):
        if "/" not in name:
            save_bytes(site, content)
            continue
        path = find_profile(Path(name).stem, folders) or folders[0] / Path(name).name
        if not path.exists() or path.read_bytes() != content:
            path.parent.mkdir(parents=True, exist_ok=True)
            if path.exists() and path.read_bytes() not in known:
                sys.stdout.write(f"{path}: what it held is kept as {_kept_aside(path, 'before')}\n")
            save_bytes(path, content)
            sys.stdout.write(f"{path}: is again as it was; other sites that use it change with it\n")


def _record(places: Places, settings_id: str, files: Sequence[SourceFile], how: str, who: str, reason: str) -> int:
    """Put a version on the quality record; return its number.

    Raises:
        NotRecordedError: it cannot be had.
        NotFoundError: no reason is given.
    """
    _require(who, reason)
    pairs = [(file.name, file.content) for file in files]
    one = said(
        settings_id,
        pairs,
        how=how,
        who=who if who == NOBODY else f"{who} (command line)",
        reason=reason,
        now_us=machine_wall_us(),
    )
    append(places.quality, [one], machine_wall_us, machine_pause, flags=SIMULATED if places.simulated else 0)
    return max(version.number for version in all_versions(places))


def _require(who: str, reason: str) -> None:
    if not reason.strip() or not who.strip():
        raise NotFoundError("it must say who and why: the record keeps both")


def _keep_run(places: Places, settings_id: str) -> None:
    """Put a version that came into force by a start on the quality record, which is kept for good."""
    one = chosen(all_versions(places), settings_id)
    if one is not None and not one.number:
        pairs = [SourceFile(name, content) for name, content in one.files]
        _record(places, settings_id, pairs, "run", one.who, "in force by a start, until another was applied")


def _in_short(before: Sequence[SourceFile], after: Sequence[SourceFile]) -> str:
    """Say in one line what is different; a text that this program cannot read is said to be so."""
    if any(not hasattr(parse_document(file.content, file.name), "data") for file in (*before, *after)):
        return "its text cannot be read"
    found = changes(before, after)
    if not found:
        return "comments and layout alone"
    shown = ", ".join(f"{change.key} {change.was or 'new'} -> {change.now or 'gone'}" for change in found[:3])
    return shown + (f" and {len(found) - 3} more" if len(found) > 3 else "")


def _name(one: Version) -> str:
    return str(one.number) if one.number else "-"


def _when(at_us: int) -> str:
    return datetime.fromtimestamp(at_us / 1e6, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")


def _say(words: str, code: int) -> int:
    sys.stderr.write(f"{words}\n")
    return code
