"""A real disk of 16 MiB runs full under the journal, and has room again: nothing acknowledged is lost (REQ-33)."""

import errno
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from crumbmeter.journal.chain import parse_head
from crumbmeter.journal.entry import KIND_GAP
from crumbmeter.journal.reader import Reader
from crumbmeter.journal.verify import verify

UNSHARE = shutil.which("unshare")
RESUME_S = 30.0


def own_mounts() -> bool:
    """Whether this machine lets us mount a file system that only we see."""
    if UNSHARE is None:
        return False
    words = [UNSHARE, "--user", "--map-root-user", "--mount", "mount", "-t", "tmpfs", "none", "/mnt"]
    return subprocess.run(words, capture_output=True, check=False).returncode == 0


@pytest.mark.slow
@pytest.mark.skipif(not own_mounts(), reason="no name spaces for mounts here (unshare --user --mount)")
def test_a_full_disk_costs_what_finds_no_room_and_recording_resumes_by_itself(tmp_path: Path, repo_root: Path) -> None:
    mounted, kept = tmp_path / "disk", tmp_path / "kept"
    mounted.mkdir()
    kept.mkdir()
    script = (
        f'mount -t tmpfs -o size=16m none "{mounted}"'
        f' && "{sys.executable}" -m tests.system.small_disk_worker "{mounted}"'
        f' && cp "{mounted}"/journal.db* "{kept}"'
    )
    words = [str(UNSHARE), "--user", "--map-root-user", "--mount", "sh", "-c", script]
    ended = subprocess.run(words, cwd=repo_root, env=os.environ, text=True, capture_output=True, check=False)
    assert ended.returncode == 0, ended.stderr
    told = json.loads(ended.stdout)
    assert told["errno"] == errno.ENOSPC
    assert told["full_level"] == "SHED_RECORD"
    assert told["resumed_s"] <= RESUME_S
    assert (told["ample"], told["closed"]) == (True, True)
    path = kept / "journal.db"
    report = verify(path, parse_head(told["acknowledged"]))
    assert (report.ok, report.head_found) == (True, True)
    with Reader(path) as reader:
        rows = [one for one in reader.entries("record") if one.kind == "row"]
        gaps = [json.loads(one.body)["count"] for one in reader.entries("record", (KIND_GAP,))]
    assert len(rows) + sum(gaps) == told["put"]
    assert sum(gaps) == told["dropped"]["record"] > 0
