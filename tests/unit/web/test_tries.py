"""Pauses after failed logins: none for a few, then growing, bounded, by name and by address, in bounded memory."""

from crumbmeter.web.tries import ADDRESS_PAUSE_S, FORGOTTEN_S, FREE, NAME_PAUSE_S, REMEMBERED, Counter, Tries


def pauses(counter: Counter, times: int) -> list[float]:
    """Fail again as soon as each pause is over."""
    now_s, found = 0.0, []
    for _ in range(times):
        counter.failed("ana", now_s)
        found.append(counter.pause_s("ana", now_s))
        now_s += found[-1]
    return found


def test_a_few_failures_cost_nothing_then_the_pause_doubles_to_its_end() -> None:
    found = pauses(Counter(NAME_PAUSE_S), FREE + 8)
    assert found[:FREE] == [0.0] * FREE
    assert found[FREE:] == [2.0, 4.0, 8.0, 16.0, 30.0, 30.0, 30.0, 30.0]
    assert max(pauses(Counter(ADDRESS_PAUSE_S), 60)) == ADDRESS_PAUSE_S


def test_so_few_guesses_a_day_come_through() -> None:
    """At the end of the doubling one name takes one guess in 30 s: fewer than 3000 a day."""
    counter, now_s, tried = Counter(NAME_PAUSE_S), 0.0, 0
    while now_s < 86_400.0:
        counter.failed("ana", now_s)
        tried += 1
        now_s += max(counter.pause_s("ana", now_s), 0.1)
    assert tried < 3000


def test_a_try_within_the_pause_is_not_looked_at_and_does_not_lengthen_it() -> None:
    tries = Tries()
    for _ in range(FREE + 1):
        assert tries.begin("ana", "192.0.2.1", 0.0) == 0.0
    assert tries.begin("ana", "192.0.2.2", 0.5) == 1.5
    assert tries.begin("ana", "192.0.2.2", 1.0) == 1.0
    assert tries.begin("ana", "192.0.2.2", 2.0) == 0.0


def test_many_tries_at_once_count_before_any_of_them_has_failed() -> None:
    tries = Tries()
    looked_at = [tries.begin("ana", "192.0.2.1", 0.0) == 0.0 for _ in range(100)]
    assert sum(looked_at) == FREE + 1


def test_an_address_that_tries_name_after_name_is_held_off() -> None:
    tries = Tries()
    looked_at = [tries.begin(f"name{number}", "192.0.2.1", 0.0) == 0.0 for number in range(100)]
    assert sum(looked_at) == FREE + 1
    assert tries.begin("ana", "192.0.2.9", 0.0) == 0.0


def test_success_cleans_the_name_and_not_what_the_address_did_before() -> None:
    tries = Tries()
    for number in range(FREE):
        tries.begin(f"guess{number}", "192.0.2.1", 0.0)
    tries.begin("ana", "192.0.2.1", 0.0)
    tries.succeeded("ana", "192.0.2.1")
    assert tries.names.pause_s("ana", 0.0) == 0.0
    assert len(tries.names) == FREE
    tries.begin("guess", "192.0.2.1", 0.0)
    assert tries.addresses.pause_s("192.0.2.1", 0.0) == 2.0


def test_what_was_not_judged_is_no_failure() -> None:
    tries = Tries()
    for _ in range(50):
        assert tries.begin("ana", "192.0.2.1", 0.0) == 0.0
        tries.not_judged("ana", "192.0.2.1")
    assert (len(tries.names), len(tries.addresses)) == (0, 0)


def test_it_is_forgotten_after_an_hour() -> None:
    counter = Counter(NAME_PAUSE_S)
    pauses(counter, 20)
    assert counter.pause_s("ana", 1e6) == 0.0
    counter.failed("ana", FORGOTTEN_S * 10)
    assert counter.pause_s("ana", FORGOTTEN_S * 10) == 0.0


def test_memory_is_bounded_whatever_names_come() -> None:
    counter = Counter(NAME_PAUSE_S)
    for number in range(5 * REMEMBERED):
        counter.failed(f"name{number}", 0.0)
    assert len(counter) == REMEMBERED
