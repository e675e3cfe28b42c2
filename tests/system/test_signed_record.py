"""A real daemon signs its record: at its end, and after a crash what was before it."""

from crumbmeter.app.sealing import KEY_NAME
from crumbmeter.journal.reader import Reader
from crumbmeter.journal.signing import load_key
from crumbmeter.journal.verify import verify
from tests.system.conftest import Bench


async def test_what_a_run_and_a_crash_left_is_signed(bench: Bench) -> None:
    site = bench.site()
    await bench.plant(site)
    path = site.journal / "journal.db"
    crashed = bench.start(site)
    await crashed.up()
    crashed.kill()
    with Reader(path) as reader:
        left = reader.heads()["record"].seq
    public = load_key(path.with_name(KEY_NAME)).public
    assert not verify(path, keys=(public,)).ok
    stopped = bench.start(site)
    await stopped.up()
    await stopped.until(lambda _view: verify(path).signed.seals == 1)
    assert verify(path).signed.record_seq >= left
    assert (await stopped.stop())[0] == 0
    report = verify(path, keys=(public,))
    assert report.ok
    assert (report.signed.seals, report.signed.uncovered) == (2, 1)  # the last seal itself
