"""What registers of one profile have to do with each other: powers of ten, atomic groups, forbidden addresses. Pure.

A value and what it is worth nothing without come in one request, or the profile is refused (REQ-29). Reading them in
two requests and hoping is not offered: a device that changes its decimal point in between cannot be caught at it.
"""

from collections.abc import Mapping
from dataclasses import replace

from crumbmeter.field.spec import AddressSpan, Forbidden, PowerOfTen, RegisterSpec
from crumbmeter.field.words_codes import MASKABLE, SIGN_MAGNITUDE
from crumbmeter.site.documents import Document
from crumbmeter.site.keys.profile import ProfileKeys, RegisterKeys
from crumbmeter.site.problems import Problem, have, nearest
from crumbmeter.site.registers import POINTS, forbidden_of

Specs = dict[str, RegisterSpec | None]
_LOCK = "lock the power of ten in the device and give it as scale, or do without the register named"
_TOO_FAR = f"Raise max_words if the device's manual allows it. Else {_LOCK}."
_HOLE = f"Correct the pairs under forbidden. If they are right, {_LOCK}."


class Groups:
    """Ties the registers of one profile together, and collects what is wrong with that."""

    def __init__(
        self, doc: Document, profile: ProfileKeys, parts: Mapping[str, RegisterKeys | None], specs: Specs
    ) -> None:
        self.problems: list[Problem] = []
        self.specs = dict(specs)
        """As they came in, tied; None where there is a mistake."""
        self._doc = doc
        self._profile = profile
        self._parts = parts
        self._holes: tuple[Forbidden, ...] = forbidden_of(profile)

    def tie(self) -> Specs:
        """Do all of it."""
        plain = dict(self.specs)
        for name, part in self._parts.items():
            if part is not None:
                self._power(name, part, plain)
        for members in self._components():
            self._together(members)
        for name, spec in self.specs.items():
            if spec is not None and not self._whole(name, spec):
                self.specs[name] = None
        return self.specs

    def _say(self, name: str, key: str, code: str, expected: str, remedy: str = "") -> None:
        self.problems.append(self._doc.problem(code, ("registers", name, key), expected, remedy=remedy))
        self.specs[name] = None

    def _find(self, name: str, key: str, other: str) -> bool:
        """Tell whether a register that another names is there and without mistake; say where it is not there."""
        if other not in self._parts:
            close = nearest(other, self._parts)
            remedy = f"Did you mean {close}?" if close else ""
            expected = f'no register named "{other}" ({have(sorted(self._parts))})'
            self._say(name, key, "no-such-register", expected, remedy)
            return False
        if other == name:
            self._say(name, key, "atomic-group", "names itself")
            return False
        if self.specs[other] is None or self.specs[name] is None:
            self.specs[name] = None
            return False
        return True

    def _power(self, name: str, part: RegisterKeys, plain: Specs) -> None:
        key = "decimals_register" if part.decimals_register is not None else "scale_register"
        other = getattr(part, key)
        if other is None or not self._find(name, key, other):
            return
        spec, found, keys = self.specs[name], plain[other], self._parts[other]
        if spec is None or found is None or keys is None:
            return
        fault = _unfit(spec, found, keys)
        if fault:
            self._say(name, key, "scaling", f"{other} {fault}", "Name the register that holds the power of ten alone.")
        else:
            self.specs[name] = replace(spec, power=PowerOfTen(found, decimals=key == "decimals_register"))

    def _components(self) -> list[list[str]]:
        """Return the atomic groups: whatever is tied to each other, directly or by way of others."""
        group_of = {name: [name] for name in self._parts}
        for name, part in self._parts.items():
            for other in part.atomic_with if part is not None else ():
                if self._find(name, "atomic_with", other) and group_of[name] is not group_of[other]:
                    joined = group_of[name] + group_of[other]
                    for member in joined:
                        group_of[member] = joined
        return [group for name, group in group_of.items() if len(group) > 1 and group[0] == name]

    def _together(self, members: list[str]) -> None:
        specs = [spec for name in members if (spec := self.specs[name]) is not None]
        if len(specs) < len(members):
            for name in members:
                self.specs[name] = None
            return
        for name, spec in zip(members, specs, strict=True):
            if spec.table is not specs[0].table:
                expected = f"{name} is in table {spec.table.value}, {members[0]} in {specs[0].table.value}"
                key = "atomic_with" if "atomic_with" in self._given(name) else "table"
                self._say(name, key, "atomic-group", f"one request reads one table, but {expected}")
                for member in members:
                    self.specs[member] = None
                return
        span = specs[0].reach
        for spec in specs:
            span = span.hull(spec.reach)
        for name, spec in zip(members, specs, strict=True):
            self.specs[name] = replace(spec, together=span)

    def _whole(self, name: str, spec: RegisterSpec) -> bool:
        """Check that one request can bring a register with all that belongs to it; say where it cannot, and tell."""
        span, given = spec.span, self._given(name)
        key = next((key for key in ("atomic_with", "scale_register", "decimals_register") if key in given), "")
        hole = next((hole for hole in self._holes if hole.table is spec.table and _meets(hole, span)), None)
        limit = self._profile.max_bits if spec.table.of_bits else self._profile.max_words
        count = span.end - span.first
        if hole is not None:
            words = f"{spec.table.value} {hole.span.first} to {hole.span.end - 1}"
            if _meets(hole, spec.own):
                self._say(name, "address", "forbidden-address", f"lies on the forbidden {words}")
            elif key:
                self._say(name, key, "atomic-group", f"one request would cross the forbidden {words}", _HOLE)
        elif count > limit and spec.count <= limit and key:
            expected = f"needs {count} addresses in one request ({span.first} to {span.end - 1}); at most {limit}"
            self._say(name, key, "atomic-group", expected, _TOO_FAR)
        # Of a group only those say so that name others; the rest goes down with them.
        return hole is None and count <= limit

    def _given(self, name: str) -> set[str]:
        part = self._parts[name]
        return set() if part is None else part.model_fields_set


def _meets(hole: Forbidden, span: AddressSpan) -> bool:
    return hole.span.meets(span.first, span.end)


def _unfit(spec: RegisterSpec, power: RegisterSpec, keys: RegisterKeys) -> str:
    """Say why a register cannot be another's power of ten; empty where it can."""
    if power.table is not spec.table:
        return f"is in table {power.table.value}: one request reads one table"
    if power.word_type not in (*MASKABLE, *SIGN_MAGNITUDE):
        return f"is a {power.word_type.value}: a power of ten is a whole number"
    scaling = {"scale", "offset", "scale_register", "decimals_register", *POINTS}
    if scaling & keys.model_fields_set or power.unit != "count":
        return "is scaled itself: a power of ten is a plain count"
    return ""


def tie_registers(
    doc: Document, profile: ProfileKeys, parts: Mapping[str, RegisterKeys | None], specs: Specs
) -> tuple[Specs, list[Problem]]:
    """Tie the registers of a profile together; those with a mistake come back as None."""
    groups = Groups(doc, profile, parts, specs)
    return groups.tie(), groups.problems
