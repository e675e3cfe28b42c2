"""What the desk answers when it does not do what it was asked: a place, what was found, what was expected, a remedy."""


class DeskError(Exception):
    """A request is refused; the HTTP status says what kind of refusal it is."""

    def __init__(
        self, status: int, place: str, found: str, expected: str, remedy: str, *, retry_after_s: int | None = None
    ) -> None:
        """Say what is wrong.

        Args:
            status: HTTP status code.
            place: The key, path or thing that it is about.
            found: What was found there.
            expected: What was expected.
            remedy: What to do.
            retry_after_s: [s] When to try again, where waiting helps.
        """
        super().__init__(f"{place}: {found}; expected {expected}. {remedy}")
        self.status = status
        self.place = place
        self.found = found
        self.expected = expected
        self.remedy = remedy
        self.retry_after_s = retry_after_s

    def body(self) -> dict[str, dict[str, str]]:
        """Make the JSON body."""
        return {
            "error": {
                "place": self.place,
                "found": self.found,
                "expected": self.expected,
                "remedy": self.remedy,
            }
        }


class DeskRefusedError(Exception):
    """The desk does not start; the text says what stands in the way and what to do about it."""
