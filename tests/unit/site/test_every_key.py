"""Every key of the sites is deleted, renamed by a letter, given a wrong type and put out of range (REQ-21).

Each must be refused with file, line and remedy, or change the settings that are loaded. No key is excepted; one that an
earlier site has in the same place is not taken again.
"""

import shutil
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path

import pytest

from crumbmeter.site import Site, SiteRefused, load
from crumbmeter.site.lines import KeyPath, key_lines, path_text

ROOT = Path(__file__).parents[3]
SITES = ("demo_drum", "second_drum", "demo_batch")
LEAST_KEYS = {"demo_drum": 200, "second_drum": 10, "demo_batch": 50}
PROCESSES = 2
EXISTING = tuple(name for name in SITES if (ROOT / "config/sites" / f"{name}.toml").is_file())


@dataclass(frozen=True)
class Mutation:
    """One change of the text, and the line that a reader would look for."""

    what: str
    path: KeyPath
    text: str
    line: int


def _is_table(lines: list[str], line: int) -> bool:
    return lines[line - 1].lstrip().startswith("[")


def _swap_letter(word: str) -> str:
    return word[:-1] + ("q" if word[-1] != "q" else "z")


def _with_line(lines: list[str], number: int, new: str | None) -> str:
    changed = [*lines]
    changed[number - 1 : number] = [] if new is None else [new]
    return "\n".join(changed)


def _without_table(lines: list[str], name: str) -> str:
    """Take a table out, with the tables inside it."""
    kept, inside = [], False
    for line in lines:
        if line.startswith("["):
            header = line.split("#")[0].strip().strip("[]")
            inside = header == name or header.startswith(f"{name}.")
        if not inside:
            kept.append(line)
    return "\n".join(kept)


def _values(written: str) -> dict[str, list[str]]:
    """Return other values of the same key: of another type, and of the same type but beyond all reason."""
    if written in ("true", "false"):
        return {"wrong type": ['"yes"', "1"], "out of range": ["false" if written == "true" else "true"]}
    if written.startswith('"'):
        return {"wrong type": ["4711", "[1]"], "out of range": ['"no such thing 99"', '""']}
    return {"wrong type": [f'"{written}"', "true"], "out of range": ["1e15", "-1e15", "nan"]}


def _mutations(text: str) -> Iterator[Mutation]:
    lines = text.split("\n")
    for path, number in key_lines(text).items():
        line = lines[number - 1]
        if _is_table(lines, number):
            name = line.split("#")[0].strip().strip("[]")
            if name == path_text(path):
                yield Mutation("delete", path, _without_table(lines, name), 0)
                yield Mutation("rename", path, _with_line(lines, number, f"[{_swap_letter(name)}]"), 0)
            continue
        key, _, rest = line.partition("=")
        written = rest.split("  #")[0].strip()
        yield Mutation("delete", path, _with_line(lines, number, None), 0)
        yield Mutation("rename", path, _with_line(lines, number, f"{_swap_letter(key.strip())} = {written}"), number)
        for what, values in _values(written).items():
            for value in values:
                yield Mutation(f"{what} {value}", path, _with_line(lines, number, f"{key.strip()} = {value}"), number)


def _mutations_of(name: str) -> list[Mutation]:
    """Return those of a site whose key no earlier site has."""
    texts = [(ROOT / "config/sites" / f"{one}.toml").read_text() for one in SITES[: SITES.index(name) + 1]]
    known = {path for text in texts[:-1] for path in key_lines(text)}
    return [mutation for mutation in _mutations(texts[-1]) if mutation.path not in known]


def _visible(site: Site) -> Site:
    """Take out what changes with every byte of the files, so that only real settings are compared."""
    return replace(
        site,
        path=Path(),
        files=(),
        settings_id="",
        warnings=(),
        params=replace(site.params, settings_id=""),
    )


def _judge(folder: Path, original: Site, mutation: Mutation) -> str | None:
    """Return what is wrong with the outcome of a mutation, or None."""
    path = folder / "sites" / "mutant.toml"
    path.write_text(mutation.text)
    label = f"{path_text(mutation.path)}: {mutation.what}"
    try:
        site = load(path)
    except SiteRefused as refused:
        fault = _judge_message(mutation, refused)
    else:
        fault = "accepted, and nothing changed" if _visible(site) == _visible(original) else None
        if mutation.what.startswith("wrong type"):
            fault = "accepted"
    return f"{label}: {fault}" if fault else None


def _judge_message(mutation: Mutation, refused: SiteRefused) -> str | None:
    """Return what a message lacks, or None."""
    text = str(refused)
    for problem in refused.problems:
        if not (problem.file and problem.line >= 1 and problem.key and problem.expected and problem.remedy):
            return f"a message lacks something: {problem}"
    if "mutant.toml" not in text or "(line " not in text:
        return f"no file or no line in: {text}"
    lines = [problem.line for problem in refused.problems]
    if mutation.what.startswith(("wrong type", "rename")) and mutation.line and mutation.line not in lines:
        return f"line {mutation.line} is not named in: {text}"
    if mutation.what == "rename" and mutation.line and "unknown key" not in text and "named" not in text:
        return f"the new key is not called unknown in: {text}"
    return None


def judge_share(name: str, folder: Path, share: int) -> list[str]:
    """Judge one of `PROCESSES` shares of a site's mutations; return what is wrong."""
    folder.mkdir()
    shutil.copytree(ROOT / "config/devices", folder / "devices")
    (folder / "sites").mkdir()
    site = ROOT / "config/sites" / f"{name}.toml"
    original = load(site)
    mutations = _mutations_of(name)[share::PROCESSES]
    return [failure for mutation in mutations if (failure := _judge(folder, original, mutation))]


@pytest.mark.slow
@pytest.mark.parametrize("name", EXISTING)
def test_every_mutation_of_a_site_is_refused_or_seen(name: str, tmp_path: Path) -> None:
    mutations = _mutations_of(name)
    keys = {mutation.path for mutation in mutations}
    with ProcessPoolExecutor(PROCESSES, mp_context=get_context("spawn")) as pool:
        shares = [pool.submit(judge_share, name, tmp_path / str(share), share) for share in range(PROCESSES)]
        failures = [failure for share in shares for failure in share.result()]
    assert not failures, "\n".join(failures)
    assert len(keys) > LEAST_KEYS[name]
    assert len(mutations) > 5 * len(keys)
