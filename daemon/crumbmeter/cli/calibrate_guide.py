"""`crumbmeter calibrate`: leads a person, or a script, through the steps of a test, and keeps every entry at once."""

import textwrap
from collections.abc import Callable, Mapping
from typing import Protocol

from crumbmeter.adapters.control_line import NoDaemonError
from crumbmeter.cli.screen import columns
from crumbmeter.commission.calibrating.quantities import Value, parse, shown, unit_of
from crumbmeter.commission.calibrating.steps import Entries, Entry, Field, Place, Procedure, Step, next_step
from crumbmeter.commission.calibrating.tracks import Found, Source, Watch, Watching
from crumbmeter.model.faults import CrumbmeterError
from crumbmeter.report.form_texts import FormRefusedError

Look = Callable[[Watch, Mapping[str, Source], Callable[[Watching], None]], dict[str, Found]]


class Talk(Protocol):
    """A person at a terminal."""

    def say(self, text: str) -> None:
        """Show lines."""

    def ask(self, prompt: str) -> str:
        """Ask for one line. Raises EOFError where nobody is there any more."""

    def progress(self, text: str) -> None:
        """Show how far it is, in place of what was shown last."""


class LeftOffError(Exception):
    """The person leaves off; the draft is kept."""


class MissingError(CrumbmeterError):
    """A script gave too little for the next step."""

    def __init__(self, step: Step, missing: tuple[Field, ...], why: str) -> None:
        names = ", ".join(one.name for one in missing)
        super().__init__(f"{step.title}: nothing given for {names}{why}. Give it with --set NAME=VALUE.")
        self.step = step
        self.missing = missing


class Guide:
    """One test on its way."""

    def __init__(
        self, procedure: Procedure, place: Place, kept: dict[str, Entry], given: Mapping[str, str], *, look: Look,
        keep: Callable[[Mapping[str, Entry]], None], now_us: Callable[[], int],
    ) -> None:  # fmt: skip
        """Take up a test.

        Args:
            procedure: The test.
            place: What is tested.
            kept: Entries of its draft.
            given: Texts by field, that nobody is asked for.
            look: Looks at the daemon.
            keep: Hears the entries after every change.
            now_us: [us] Gives UTC since 1970.
        """
        self._procedure = procedure
        self._place = place
        self._kept = kept
        self._given = dict(given)
        self._look = look
        self._keep = keep
        self._now_us = now_us

    @property
    def entries(self) -> Entries:
        """Return what has been entered."""
        return Entries(self._kept)

    def next_step(self) -> Step | None:
        """Return the step that is next; None: all is entered."""
        return next_step(self._procedure, self._place, self.entries)

    def take_given(self) -> None:
        """Put given texts in the place of entries that are there already.

        Raises:
            FormRefusedError: one cannot be read.
        """
        for name in [name for name in self._given if name in self._kept]:
            steps = self._procedure.steps(self._place, self.entries)
            field = next((one for step in steps for one in step.fields if one.name == name), None)
            if field is not None:
                self._put(field, self._parsed(field, self._given.pop(name)), "given")

    def by_script(self) -> None:
        """Go on without anybody to ask.

        Raises:
            MissingError: something was not given, and neither the daemon nor a default says it.
            FormRefusedError: what was given cannot be read, or belongs to no step.
        """
        while (step := self.next_step()) is not None:
            for known in self._steps():
                self._take(known)  # what was given for a later step is kept, too, however far this goes
            why = self._take_read(step, self._take(step))
            for field in self._take(step):
                if field.default:
                    self._put(field, self._parsed(field, field.default), "default")
                elif not field.required:
                    self._put(field, None, "default")
            if left := self._take(step):
                raise MissingError(step, left, why)
        if self._given:
            name = next(iter(self._given))
            names = ", ".join(one.name for each in self._steps() for one in each.fields)
            raise FormRefusedError(name, "no field of this test", f"one of {names}", "Leave it out.")

    def _steps(self) -> tuple[Step, ...]:
        return self._procedure.steps(self._place, self.entries)

    def _take(self, step: Step) -> tuple[Field, ...]:
        """Take what was given for a step; return what is still missing."""
        for field in step.fields:
            if field.name not in self._kept and field.name in self._given:
                self._put(field, self._parsed(field, self._given.pop(field.name)), "given")
        return tuple(one for one in step.fields if one.name not in self._kept)

    def _take_read(self, step: Step, missing: tuple[Field, ...]) -> str:
        """Take what the daemon says; return why it does not say all."""
        sources = _sources(missing)
        if step.watch is None or not sources:
            return ""
        try:
            found = self._look(step.watch, sources, lambda _watching: None)
        except NoDaemonError as nobody:
            return f" ({nobody})"
        why = ""
        for field in missing:
            one = found.get(field.name)
            if one is None:
                continue
            if one.value is None:
                why += f" ({field.name} is {one.quality})"
            else:
                self._put(field, one.value, "daemon", one.quality)
        return why

    def _parsed(self, field: Field, text: str) -> Value:
        return parse(field.asked, text, metric=self._place.metric)

    def _put(self, field: Field, value: Value, by: str, quality: str = "") -> None:
        before = self._kept.pop(field.name, None)
        self._kept[field.name] = Entry(value, by, self._now_us(), quality)
        try:
            self._steps()  # a text may say what steps there are, and be refused there
        except FormRefusedError:
            del self._kept[field.name]
            if before is not None:
                self._kept[field.name] = before
            raise
        self._keep(self._kept)

    def by_person(self, talk: Talk) -> None:
        """Lead a person through what is left.

        Raises:
            LeftOffError: the person leaves off.
        """
        while (step := self.next_step()) is not None:
            missing = self._take(step)
            if missing:
                talk.say(step_text(step))
                found = self._looked(talk, step, missing)
                for field in missing:
                    if found is None or not self._asked(talk, field, found.get(field.name)):
                        break

    def _looked(self, talk: Talk, step: Step, missing: tuple[Field, ...]) -> dict[str, Found] | None:
        """Look at the daemon for a step; None: the person went back instead."""
        sources = _sources(missing)
        if step.watch is None or not sources:
            return {}
        typed = _line(talk, "Enter: look now, t: type the figures, b: back, q: leave off > ").lower()
        if typed == "b":
            self._back(talk, missing[0])
            return None
        if typed == "t":
            return {}
        try:
            return self._look(step.watch, sources, lambda watching: talk.progress(_progress(step.watch, watching)))
        except NoDaemonError as nobody:
            talk.say(f"Not read: {nobody}\nType what the instruments show.")
        except KeyboardInterrupt:
            talk.say("Left off looking. Type what the instruments show.")
        return {}

    def _asked(self, talk: Talk, field: Field, found: Found | None) -> bool:
        """Ask for one field; tell whether to go on with the next one of the step."""
        if found is not None and found.value is None:
            talk.say(f"{field.label}: {found.quality}. Read it off the instrument.")
        while True:
            typed = self._typed(talk, field, found)
            if typed == "?":
                talk.say(field.help or f"{field.label}. b: back, q: leave off (nothing is lost).")
            elif typed == "b":
                self._back(talk, field)
                return False
            else:
                try:
                    if not typed and found is not None and found.value is not None:
                        self._put(field, found.value, "daemon", found.quality)
                    else:
                        self._put(field, self._parsed(field, typed or field.default), "typed" if typed else "default")
                except FormRefusedError as refused:
                    talk.say(f"Not taken: found {refused.found}; expected {refused.expected}. {refused.remedy}")
                    if refused.field != field.name and refused.field in self._kept:
                        self._drop(refused.field)  # taken before, and only now to be read: it is asked for anew
                        return False
                else:
                    return True

    def _typed(self, talk: Talk, field: Field, found: Found | None) -> str:
        metric = self._place.metric
        unit = unit_of(field.quantity, metric=metric)
        known = field.default
        if found is not None and found.value is not None:
            known = f"{shown(found.value, field.quantity, metric=metric)}, {found.quality}"
        listed = [f"  {place} {one}" for place, one in enumerate(field.choices, start=1)]
        choices = "\n".join(["", *listed, ""]) if listed else ""
        offered = f" ({known})" if known else "" if field.required else " (may be left out)"
        yes = " y/n" if field.quantity == "yes" else ""
        return _line(talk, f"{field.label}{f' [{unit}]' if unit else ''}{yes}{offered}{choices} > ")

    def _drop(self, name: str) -> None:
        del self._kept[name]
        self._keep(self._kept)

    def _back(self, talk: Talk, field: Field) -> None:
        """Take the newest entry back."""
        if not self._kept:
            talk.say(f"There is nothing before {field.label.lower()}.")
            return
        name = next(reversed(self._kept))
        self._drop(name)
        talk.say(f"Taken back: {name.replace('_', ' ')}.")


def _line(talk: Talk, prompt: str) -> str:
    """Ask for one line.

    Raises:
        LeftOffError: the person leaves off, by a word, by Ctrl-C, or by closing the terminal.
    """
    try:
        typed = talk.ask(prompt).strip()
    except (EOFError, KeyboardInterrupt):
        raise LeftOffError from None
    if typed == "q":
        raise LeftOffError
    return typed


def _sources(fields: tuple[Field, ...]) -> dict[str, Source]:
    return {one.name: one.source for one in fields if one.source is not None}


def _progress(watch: Watch | None, watching: Watching) -> str:
    if watching.waits_for:
        return f"waiting for {watching.waits_for}"
    whole = "" if watch is None or not watch.seconds else f" of {watch.seconds:.0f}"
    return f"looking: {watching.elapsed_s:.0f}{whole} s"


def step_text(step: Step) -> str:
    """Write a step as a person reads it: cautions first."""
    lines = ["", f"=== {step.title} ==="]
    for mark, words in (*(("CAUTION: ", one) for one in step.cautions), *(("- ", one) for one in step.do)):
        lines += textwrap.wrap(words, columns(), initial_indent=mark, subsequent_indent=" " * len(mark))
    return "\n".join(lines)
