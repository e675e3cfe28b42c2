"""Loop checks over real sockets: what is read and recorded; what a proof of a write sends, and that it ends at rest."""

import asyncio
import json
import os
import pty
import signal
import struct
import subprocess
import sys
import termios
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pytest

from crumbmeter.ledger.quality import read_all
from crumbmeter.qc.said import Said, Subject
from crumbmeter.site import load
from tests.system.brokers import until
from tests.system.conftest import Bench
from tests.system.plants import Peek, SiteFile, Tap, at
from tests.system.test_two_masters import OWNER

TURN = ("output", "auger_speed", "--value", "5rpm", "--with", "airlock_run=closed", "--with", "feed_run=closed")
SPEED, HEARTBEAT, RUN, AIRLOCK = (6, 0), (6, 3), (5, 0), (5, 1)
"""Function code and address of each register that turning the auger needs, at the feeder."""
CATCH = at(0.2, "diverter_catch")
PLAN = 'quality_plan = "../quality/demo_drum.toml"'
"""Not at hand in the folder of a test."""
OWNER_WRITE = struct.pack(">BH", 6, 4)


class Check:
    """`crumbmeter loop-check` as a process."""

    def __init__(self, site: SiteFile, *words: str, terminal: int | None = None, folder: Path | None = None) -> None:
        self.told = site.folder / "loop-check.log"
        command = [sys.executable, "-m", "crumbmeter", "loop-check", str(site.path), *words]
        with self.told.open("wb") as file:
            to = file if terminal is None else terminal
            self.process = subprocess.Popen(command, cwd=folder or site.folder, stdout=to, stderr=to)

    async def end(self, within_s: float = 30.0) -> tuple[int, str]:
        """Return exit code and all that was said."""
        code = await asyncio.to_thread(self.process.wait, within_s)
        said = self.told.read_text()
        assert "Traceback" not in said, said
        return code, said

    async def says(self, words: str) -> None:
        """Wait until it says something."""
        await until(lambda: words in self.told.read_text() or self.process.poll() is not None, 20.0)
        assert words in self.told.read_text(), self.told.read_text()


async def check(site: SiteFile, *words: str) -> tuple[int, str]:
    return await Check(site, *words).end()


def prove(site: SiteFile, *words: str, seconds: float = 100.0) -> Check:
    return Check(site, *words, "--for", str(seconds), "--by", "XY", "--confirm", "demo_drum")


def recorded(site: SiteFile) -> list[Said]:
    return list(read_all(load(site.path).desk.quality_folder).of(Subject.LOOP_CHECK))


def sent(tap: Tap) -> set[tuple[int, int]]:
    """Return function code and address of every write that a tap has seen."""
    return {struct.unpack(">BH", one[:3]) for one in tap.writes}


def assert_only(bench: Bench, feeder: Iterable[tuple[int, int]]) -> None:
    assert sent(bench.taps["feeder"]) <= set(feeder)
    assert {name for name, tap in bench.taps.items() if tap.written} <= {"feeder"}


async def at_rest(port: int) -> bool:
    """Tell whether speed, run and airlock are zero at the feeder itself."""
    bits = [await Peek.bit(port, 1, address) for address in (0, 1)]
    return (await Peek.words(port, 3, 0, 1))[0] == 0 and not any(bits)


@pytest.fixture
async def site(bench: Bench) -> SiteFile:
    """Return a site whose plant runs, seen through taps, with the diverter on catch."""
    made = bench.site()
    made.path.write_text(made.path.read_text().replace(PLAN, ""))
    await bench.plant(made, tapped=True, more=CATCH)
    return made


async def test_a_proof_turns_the_auger_and_brings_it_to_rest_and_sends_nothing_else(
    bench: Bench, site: SiteFile
) -> None:
    code, said = await prove(site, *TURN, seconds=20.0).end()
    assert code == 0, said
    assert said.index("Lock out and tag out") < said.index("auger_speed = 5 rpm")
    assert "At rest, and read back: auger_speed, feed_run, airlock_run." in said
    assert "auger_speed is passed" in said
    assert_only(bench, (SPEED, HEARTBEAT, RUN, AIRLOCK))
    assert sent(bench.taps["feeder"]) == {SPEED, HEARTBEAT, RUN, AIRLOCK}
    speeds = [struct.unpack(">HH", one[1:5])[1] for one in bench.taps["feeder"].writes if one[0] == 6 and one[2] == 0]
    assert max(speeds) == 500
    assert speeds[-1] == 0
    assert await at_rest(bench.taps["feeder"].target)
    (entry,) = recorded(site)
    assert (entry.about, entry.what["passed"], entry.what["at_rest"]) == ("auger_speed", True, True)
    assert entry.what["actual_signal"] == "auger_speed"
    assert entry.what["actual_si"] == pytest.approx(5.0 / 60.0, rel=0.1)
    code, said = await check(site, "list", "--json")
    assert code == 1
    table = next(one for one in json.loads(said)["blocks"] if one["title"].startswith("Loops, "))
    assert [row[2] for row in table["rows"] if row[:2] == ["auger_speed", "write"]] == ["passed"]


@pytest.mark.parametrize(
    "sign",
    [
        signal.SIGINT,
        signal.SIGTERM,
        pytest.param(signal.SIGHUP, marks=pytest.mark.slow),
        pytest.param(signal.SIGTSTP, marks=pytest.mark.slow),
    ],
)
async def test_whoever_ends_it_ends_it_at_rest(bench: Bench, site: SiteFile, sign: signal.Signals) -> None:
    running = prove(site, *TURN)
    await running.says("confirmed")
    running.process.send_signal(sign)
    code, said = await running.end(10.0)
    assert (code, "At rest, and read back: auger_speed, feed_run, airlock_run." in said) == (0, True), said
    assert f"somebody ended it ({sign.name})" in said
    assert await at_rest(bench.taps["feeder"].target)
    assert_only(bench, (SPEED, HEARTBEAT, RUN, AIRLOCK))


async def test_a_terminal_that_takes_no_more_lines_holds_no_output(bench: Bench, site: SiteFile) -> None:
    """Ctrl-S, or whatever else keeps a line from being written, must not keep the proof from its end."""
    ours, theirs = pty.openpty()
    running = Check(site, *TURN, "--for", "20", "--by", "XY", "--confirm", "demo_drum", terminal=theirs)
    said = b""
    try:
        while b"confirmed" not in said:
            said += await asyncio.to_thread(os.read, ours, 4096)
        termios.tcflow(theirs, termios.TCOOFF)
        await until(lambda: bool(recorded(site)), 20.0)
        assert await at_rest(bench.taps["feeder"].target)
    finally:
        termios.tcflow(theirs, termios.TCOON)
        running.process.kill()
        running.process.wait()
        os.close(ours)
        os.close(theirs)


async def test_an_output_of_another_device_needs_no_heartbeat(bench: Bench, site: SiteFile) -> None:
    code, said = await prove(site, "output", "blower_run", "--value", "closed", seconds=10.0).end()
    assert code == 0, said
    assert sent(bench.taps["blower"]) == {(5, 0)}
    assert not await Peek.bit(bench.taps["blower"].target, 1, 0)
    assert {name for name, tap in bench.taps.items() if tap.written} == {"blower"}


async def test_a_lost_link_ends_it_and_says_that_rest_is_not_known(bench: Bench, site: SiteFile) -> None:
    running = prove(site, *TURN)
    await running.says("confirmed")
    await bench.taps["feeder"].stop()
    code, said = await running.end()
    assert code == 4, said
    assert "NOT AT REST, as far as can be read back: auger_speed on feeder" in said
    (entry,) = recorded(site)
    assert (entry.what["passed"], entry.what["at_rest"]) == (False, False)


async def test_an_emergency_stop_ends_it_at_rest(bench: Bench) -> None:
    made = bench.site()
    made.path.write_text(made.path.read_text().replace(PLAN, ""))
    await bench.plant(made, tapped=True, more=CATCH + at(25.0, "emergency_stop"))
    code, said = await prove(made, *TURN).end()
    assert (code, ": emergency stop." in said) == (1, True), said
    assert "At rest, and read back: auger_speed, feed_run, airlock_run." in said
    assert await at_rest(bench.taps["feeder"].target)


async def test_where_the_site_has_an_owner_register_it_is_claimed_and_given_back(bench: Bench, site: SiteFile) -> None:
    text = site.path.read_text()
    site.path.write_text(text.replace("[outputs.heartbeat]", OWNER + "\n[outputs.heartbeat]", 1))
    code, said = await prove(site, *TURN, seconds=10.0).end()
    assert code == 0, said
    assert "owner" in said.split("At rest, and read back:")[1].split("\n")[0]
    assert_only(bench, (SPEED, HEARTBEAT, RUN, AIRLOCK, (6, 4)))
    owners = [struct.unpack(">H", one[3:5])[0] for one in bench.taps["feeder"].writes if one[:3] == OWNER_WRITE]
    assert owners[0] > 0
    assert owners[-1] == 0
    assert bench.taps["feeder"].writes[0][:3] == OWNER_WRITE, "nothing is written before the claim"


async def test_a_walk_asks_at_each_signal_and_goes_on_where_it_was_ended(site: SiteFile) -> None:
    """Rate, belt speed and total of the first scale: one look, one left, and the end."""
    typed = "0 short_ton/h\nempty belt\ns\nx\ns\nq\n"
    first = await walked(site, typed)
    assert "1 of 27: aggregate_flow is not checked: never checked" in first
    assert "belt_scale.wet_flow, -5 to 400 short_ton/h" in first
    assert "2 of 27: aggregate_belt_speed" in first
    assert "nothing is on record: aggregate_belt_speed: 'x' is no number" in first
    assert "Ended. All that was seen is on record" in first
    (entry,) = recorded(site)
    assert (entry.about, entry.what["how"], entry.what["by"]) == ("aggregate_flow", "empty belt", "XY")
    again = await walked(site, "q\n")
    assert f"1 of 27: aggregate_flow is {'not checked' if entry.what['passed'] else 'failed'}" in again


async def walked(site: SiteFile, typed: str) -> str:
    command = [sys.executable, "-m", "crumbmeter", "loop-check", str(site.path), "walk", "--by", "XY", "--within", "3"]
    done = await asyncio.to_thread(
        subprocess.run, command, cwd=site.folder, input=typed.encode(), capture_output=True, check=False, timeout=60
    )
    assert done.returncode == 1, done.stderr
    return done.stdout.decode()


async def test_a_write_that_the_device_does_not_take_is_not_proved(bench: Bench, site: SiteFile) -> None:
    bench.taps["feeder"].alter = lambda pdu: None if pdu[:3] == struct.pack(">BH", *SPEED) else pdu
    code, said = await prove(site, *TURN, seconds=30.0).end()
    assert code == 1, said
    assert "not confirmed by the device: auger_speed" in said
    assert "auger_speed is failed" in said


@pytest.mark.parametrize(
    ("key", "words", "expected"),
    [
        ("", (*TURN, "--confirm", "other"), "is not this site's id, demo_drum"),
        ("", ("output", "auger_speed", "--value", "25rpm", "--confirm", "demo_drum"), "beyond 10 % of its range"),
        ("", ("output", "release", "--value", "closed", "--confirm", "demo_drum"), "no output 'release'"),
        ("control", (*TURN, "--confirm", "demo_drum"), "it is monitor only"),
        ("diverter", (*TURN, "--confirm", "demo_drum"), "the diverter stands to the drum"),
        ("local", (*TURN, "--confirm", "demo_drum"), "the feeder is not in remote"),
    ],
)
async def test_what_is_refused_writes_nothing(bench: Bench, key: str, words: tuple[str, ...], expected: str) -> None:
    site = bench.site()
    more = "" if key == "diverter" else CATCH
    await bench.plant(site, tapped=True, more=more + (at(0.3, "feeder_local", rpm=0.0) if key == "local" else ""))
    site.path.write_text(site.path.read_text().replace(PLAN, ""))
    if key == "control":
        site.set("control", "allowed", value=False)
    code, said = await check(site, *words, "--for", "5", "--by", "XY")
    assert (code, expected in said) == (2, True), said
    assert not any(tap.written for tap in bench.taps.values())
    assert recorded(site) == []


async def test_a_daemon_that_was_started_in_another_folder_is_found(
    bench: Bench, site: SiteFile, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """The lock beside the socket is another one there, where the site names the socket by a relative path."""
    site.set("socket", "path", "daemon.sock")
    site.set("journal", "folder", "record")
    daemon = bench.start(site)
    await until(lambda: "daemon_started" in daemon.told(), 20.0)
    before = len(bench.taps["feeder"].writes)
    other = tmp_path_factory.mktemp("elsewhere")
    running = Check(site, *TURN, "--for", "5", "--by", "XY", "--confirm", "demo_drum", folder=other)
    code, said = await running.end()
    assert (code, "a daemon, or another proof, runs on this site" in said) == (2, True), said
    assert len(bench.taps["feeder"].writes) == before
    assert list(other.iterdir()) == []


@pytest.mark.slow
async def test_daemon_and_proof_keep_each_other_off(bench: Bench, site: SiteFile) -> None:
    running = prove(site, *TURN)
    await running.says("confirmed")
    refused = bench.start(site)
    assert await asyncio.to_thread(refused.process.wait, 20) == 2
    assert "another running crumbmeter" in refused.told()
    running.process.send_signal(signal.SIGINT)
    assert (await running.end())[0] == 0
    daemon = bench.start(site)
    await daemon.up()
    before = len(bench.taps["feeder"].writes)
    code, said = await prove(site, *TURN).end()
    assert (code, "a daemon, or another proof, runs on this site" in said) == (2, True), said
    assert len(bench.taps["feeder"].writes) == before


@pytest.mark.slow
async def test_a_signal_is_read_through_the_daemon_and_at_its_device_alike(bench: Bench, site: SiteFile) -> None:
    alone = await check(site, "signal", "feeder_remote", "--expect", "closed", "--by", "XY", "--how", "selector")
    assert alone[0] == 0, alone
    daemon = bench.start(site)
    await daemon.until(lambda view: all(one["value"] is not None for one in view["signals"]))
    (kg,) = [one["value"] for one in (await daemon.up())["signals"] if one["signal_id"] == "supply_mass"]
    words = ("--expect", f"{kg}kg", "--tolerance", "50kg", "--by", "XY", "--witness", "ZZ")
    through = await check(site, "signal", "supply_mass", *words)
    assert through[0] == 0, through
    wrong = await check(site, "signal", "feeder_remote", "--expect", "open", "--by", "XY", "--within", "3")
    assert wrong[0] == 1, wrong
    assert not any(tap.written for tap in bench.taps.values())
    first, second, third = recorded(site)
    assert (first.what["via"], first.what["words"], first.what["quality"]) == ("device", [1], "Good")
    assert (second.what["via"], len(second.what["words"]), second.what["witness"]) == ("daemon", 2, "ZZ")
    raw = struct.unpack(">f", struct.pack(">HH", *second.what["words"]))[0]
    assert raw * 0.45359237 == pytest.approx(second.what["read_si"], rel=1e-6)
    assert (third.what["passed"], third.what["why"]) == (False, "reads closed, expected open")
    code, said = await check(site, "list")
    assert code == 1
    assert said.index("feeder_remote") < said.index("aggregate_flow"), "failed ones stand first"


def test_a_sheet_is_made_before_the_plant_has_a_record(bench: Bench, tmp_path: Path) -> None:
    site = bench.site()
    site.path.write_text(site.path.read_text().replace(PLAN, ""))
    for name, begins in (("sheet.pdf", b"%PDF"), ("sheet.csv", b"loop,way,state"), ("sheet.json", b"{")):
        command = [sys.executable, "-m", "crumbmeter", "loop-check", str(site.path), "list", "-o", str(tmp_path / name)]
        made: Any = subprocess.run(command, cwd=site.folder, capture_output=True, check=False)
        assert made.returncode == 1, made.stderr
        assert (tmp_path / name).read_bytes().startswith(begins)
