"""Values that nothing guards while the program runs are never assigned to: a whole scenario runs the same guarded."""

import subprocess
import sys

import pytest

from tests.architecture.sources import ROOT

PLAY = """
import sys
import crumbmeter.model.frozen as frozen
frozen.GUARDED = sys.argv[1] == "guarded"
import hashlib
from crumbmeter.model.reading import bad
from crumbmeter.model.quality import Reason
from tests.closed_loop import loop_for
loop = loop_for("demo_shift")
for _ in range(3000):
    loop.scan()
digest = hashlib.sha256(repr((loop.state, loop.events, loop.parcels)).encode()).hexdigest()
try:
    bad(Reason.STALE).age_s = 1.0
except AttributeError:
    print("guarded", digest)
else:
    print("unguarded", digest)
"""


def played(how: str) -> list[str]:
    command = [sys.executable, "-c", PLAY, how]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True).stdout.split()


def test_a_shift_runs_the_same_with_its_values_guarded() -> None:
    guarded, unguarded = played("guarded"), played("unguarded")
    assert guarded[0] == "guarded"
    assert unguarded[0] == "unguarded"
    assert guarded[1] == unguarded[1]


def test_guarded_values_refuse_what_the_type_checker_refuses() -> None:
    """The first test would pass on anything if the guard did not guard."""
    program = PLAY.replace("loop.scan()", "loop.scan(); loop.state.mix_id = 'other'")
    with pytest.raises(subprocess.CalledProcessError) as caught:
        subprocess.run([sys.executable, "-c", program, "guarded"], cwd=ROOT, capture_output=True, text=True, check=True)
    assert "FrozenInstanceError" in caught.value.stderr
