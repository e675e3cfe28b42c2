"""The sources of the product as the architecture tests see them: parsed once, never imported."""

import ast
import functools
import subprocess
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
DAEMON = ROOT / "daemon" / "crumbmeter"
SIMULATORS = ROOT / "simulators" / "crumbmeter_sim"


@dataclass(frozen=True)
class Source:
    """One module."""

    path: Path
    text: str
    tree: ast.Module

    @property
    def name(self) -> str:
        """Return its path from the checkout's top."""
        return self.path.relative_to(ROOT).as_posix()


@functools.cache
def modules(root: Path) -> tuple[Source, ...]:
    """Parse every module below `root`."""
    paths = sorted(path for path in root.rglob("*.py") if "__pycache__" not in path.parts)
    return tuple(Source(path, text := path.read_text("utf-8"), ast.parse(text, str(path))) for path in paths)


@functools.cache
def in_repository() -> tuple[str, ...]:
    """List the files that git has or would take, by path from the checkout's top."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT, check=True, capture_output=True, text=True,
    ).stdout  # fmt: skip
    return tuple(sorted(name for name in listed.split("\0") if name and (ROOT / name).exists()))
