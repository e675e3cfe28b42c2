"""From the path of a site file to frozen settings, or to the list of everything that is wrong."""

from pathlib import Path

from crumbmeter.field.plan import bus_load
from crumbmeter.field.spec import RegisterSpec
from crumbmeter.site.build import (
    build_desk,
    build_journal,
    build_normal,
    build_params,
    settings_id,
)
from crumbmeter.site.build_batch import build_sizes
from crumbmeter.site.build_devices import build_devices
from crumbmeter.site.build_publish import build_publish
from crumbmeter.site.checks.batch import check_batch
from crumbmeter.site.checks.counters import check_counters
from crumbmeter.site.checks.desk import check_desk
from crumbmeter.site.checks.feed import check_feed
from crumbmeter.site.checks.kind import check_kind
from crumbmeter.site.checks.links import check_links, check_publishing
from crumbmeter.site.checks.outputs import check_outputs
from crumbmeter.site.checks.plant import check_drum, check_line, check_plant
from crumbmeter.site.checks.reach import check_load, check_reach
from crumbmeter.site.documents import parse_document, read_document
from crumbmeter.site.draft import Draft, make_draft
from crumbmeter.site.keys.site import SiteFile
from crumbmeter.site.lineplan import build_line_plan
from crumbmeter.site.placeholders import still_open
from crumbmeter.site.problems import Problem, SiteRefusedError, in_order
from crumbmeter.site.profiles import profile_folders
from crumbmeter.site.references import follow_references, read_profiles
from crumbmeter.site.settings import Site, SourceFile


def load(path: Path) -> Site:
    """Read a site file and its profiles, check everything, and build the settings.

    Raises:
        SiteRefusedError: with every problem at once. Show them, start nothing, end with exit code 2.
    """
    draft = draft_of(path)
    refused = [problem for problem in draft.problems if not problem.is_warning]
    if refused:
        raise SiteRefusedError(sorted(refused, key=lambda problem: problem.file != draft.doc.name))
    return _build(path, draft)


def draft_of(path: Path, raw: bytes | None = None) -> Draft:
    """Read and check a site file; problems and warnings are in the draft.

    Args:
        path: Of the file.
        raw: Checked in the place of what the file holds: what it is going to hold.

    Raises:
        SiteRefusedError: the file cannot be read at all.
    """
    name = path.as_posix()
    doc = read_document(path, name) if raw is None else parse_document(raw, name)
    if isinstance(doc, Problem):
        raise SiteRefusedError([doc])
    draft = make_draft(doc, profile_folders(path))
    read_profiles(draft)
    follow_references(draft)
    for check in (
        check_kind,
        check_links,
        check_publishing,
        check_desk,
        check_counters,
        check_outputs,
        check_plant,
        check_line,
        check_drum,
        check_feed,
        check_reach,
        check_batch,
        check_load,
    ):
        check(draft)
    docs = [draft.doc, *(profile.doc for profile in draft.profiles.values() if profile.doc is not None)]
    draft.problems = still_open(docs, draft.problems)
    return draft


def _build(path: Path, draft: Draft) -> Site:
    file = SiteFile.model_validate(draft.doc.data)
    used = list(dict.fromkeys(keys.profile for keys in file.devices.values()))
    profiles = {name: keys for name in used if (keys := draft.profiles[name].keys) is not None}
    files = [SourceFile("site.toml", draft.doc.raw)]
    files += [SourceFile(f"devices/{name}.toml", doc.raw) for name in used if (doc := draft.profiles[name].doc)]
    settings = settings_id(files)
    registers = _registers(draft)
    devices = build_devices(file, profiles, registers)
    params = build_params(file, devices, registers, settings)
    return Site(
        path=path,
        title=file.site.title,
        params=params,
        devices=devices,
        device_profiles=tuple(keys.profile for keys in file.devices.values()),
        registers=tuple(keys.source for keys in file.signals.values()),
        output_registers=tuple(keys.register_ for keys in file.outputs.values()),
        publish=build_publish(file),
        journal=build_journal(file),
        socket=Path(file.socket.path),
        desk=build_desk(file, path.parent),
        units=file.units.system,
        clock_rate=file.site.clock_rate or 1.0,
        loads=bus_load(devices, params.plan, file.site.exchange_estimate_ms / 1000.0),
        normal=build_normal(file, registers),
        line_plan=build_line_plan(file.line),
        files=tuple(files),
        settings_id=settings,
        warnings=in_order(problem for problem in draft.problems if problem.is_warning),
        batches=build_sizes(file),
    )


def _registers(draft: Draft) -> dict[str, RegisterSpec]:
    return {
        f"{device}.{register}": spec
        for device in draft.devices
        if (profile := draft.profile_of(device)) is not None
        for register, spec in profile.registers.items()
        if spec is not None
    }
