"""The table of states, pair by pair, and random walks through it against a model written a second time.

States and pairs are those of ISA-18.2 / IEC 62682 (the project's check values, section 6a: concepts confirmed, letters
and the full list from memory).
"""

from typing import Any

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from crumbmeter.alarms.acts import CHANGES, act
from crumbmeter.alarms.catalogue import CATALOGUE
from crumbmeter.alarms.life import ASIDE, LIVE, TO_BE_SEEN, AlarmState, Change, moved
from crumbmeter.alarms.machine import CALM_S, PLACES, Condition, evaluate, first_alarms
from crumbmeter.model.commands import Command, CommandKind

LETTERS = dict(zip("ABCDEFGHI", AlarmState, strict=True))
"""A normal, B to be seen, C seen, D returned, E and F latched, G shelved, H suppressed, I out of service."""
PAIRS = {
    Change.RAISED: "A>B D>B E>B F>B",
    Change.CLEARED: "B>D C>A",
    Change.ACKNOWLEDGE: "B>C D>A E>F",
    Change.RESET: "F>A",
    Change.SHELVE: "A>G B>G C>G D>G E>G F>G",
    Change.UNSHELVE: "G>A",
    Change.SUPPRESS: "A>H B>H C>H D>H E>H F>H",
    Change.UNSUPPRESS: "H>A",
    Change.REMOVE: "A>I B>I C>I D>I E>I F>I G>I H>I",
    Change.RETURN: "I>A",
}
LATCHING = "B>E C>F"


def expected(pairs: str) -> dict[AlarmState, AlarmState]:
    return {LETTERS[pair[0]]: LETTERS[pair[2]] for pair in pairs.split()}


@pytest.mark.parametrize("state", list(AlarmState))
@pytest.mark.parametrize("change", list(Change))
def test_every_pair(state: AlarmState, change: Change) -> None:
    wanted = expected(PAIRS[change])
    assert moved(state, change, latches=False) is wanted.get(state)
    if change is Change.CLEARED:
        wanted |= expected(LATCHING)
    assert moved(state, change, latches=True) is wanted.get(state)


def test_every_state_can_be_reached_and_left() -> None:
    reached = {end for pairs in PAIRS.values() for end in expected(pairs).values()} | set(expected(LATCHING).values())
    assert reached == set(AlarmState)
    assert set(LIVE) | set(ASIDE) == set(AlarmState)
    assert set(TO_BE_SEEN) == {LETTERS[letter] for letter in "BDE"}


SCAN_S = CALM_S + 1.0
ALARMS = ("dose_out", "other_master")
"""One that is suppressed with the drum, one that latches; neither has an on-delay."""


class AnyShift(RuleBasedStateMachine):
    """Random conditions, requests and times against letters that are moved by the pairs above."""

    def __init__(self) -> None:
        super().__init__()
        self.alarms = first_alarms()
        self.letters = dict.fromkeys(ALARMS, "A")
        self.holds = dict.fromkeys(ALARMS, False)
        self.now_s = 0.0

    def move(self, name: str, change: Change) -> bool:
        pairs = PAIRS[change]
        if change is Change.CLEARED and name == "other_master":
            pairs = LATCHING
        ends = {pair[0]: pair[2] for pair in pairs.split()}
        there = self.letters[name] in ends
        self.letters[name] = ends.get(self.letters[name], self.letters[name])
        return there

    @rule(true=st.fixed_dictionaries(dict.fromkeys(ALARMS, st.sampled_from([True, False, None]))), drum=st.booleans())
    def scan(self, true: dict[str, bool | None], drum: bool) -> None:
        """A scan longer than every off-delay and than a calm time, so that what is told at once holds at once."""
        self.now_s += SCAN_S
        suppressed = frozenset() if drum else frozenset({"dose_out"})
        told = {name: Condition(one) for name, one in true.items()}
        self.alarms, _ = evaluate(self.alarms, told, {}, suppressed, self.now_s, SCAN_S)
        for name, one in true.items():
            if one is not None and one != self.holds[name]:
                self.holds[name] = one
                if not one:
                    self.move(name, Change.CLEARED)
            self.move(name, Change.SUPPRESS) if name in suppressed else self.move(name, Change.UNSUPPRESS)
            if self.holds[name]:
                self.move(name, Change.RAISED)

    @rule(name=st.sampled_from(ALARMS), kind=st.sampled_from(list(CHANGES)))
    def ask(self, name: str, kind: CommandKind) -> None:
        """Something asked for; a shelf outlasts the test."""
        command = Command(kind, "operator", "id", 1e9, name, 3600.0, "why")
        self.alarms, event = act(self.alarms, command, self.now_s)
        assert (event.name != "command_refused") == self.move(name, CHANGES[kind][0])

    @invariant()
    def the_states_are_those_of_the_model(self) -> None:
        for name in ALARMS:
            memory = self.alarms.each[PLACES[name]]
            assert memory.state is LETTERS[self.letters[name]]
            assert memory.holds == self.holds[name]

    @invariant()
    def nothing_that_holds_is_forgotten(self) -> None:
        """After a scan what holds is told, or somebody or the plant's state has put it aside."""
        for spec, memory in zip(CATALOGUE, self.alarms.each, strict=True):
            assert (memory.left_s > 0.0) == (memory.state is AlarmState.SHELVED), spec.alarm_id


# A shelf never ends within it: about a minute a scan, an hour's shelf, at most 50 steps.
TestAnyShift: Any = AnyShift.TestCase
TestAnyShift.settings = settings(max_examples=300, stateful_step_count=50, deadline=None)
