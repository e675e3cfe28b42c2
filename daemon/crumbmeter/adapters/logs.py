"""Logs: structlog, one event name per happening, JSON lines on stderr; on a terminal a line for people.

Foreign libraries (pymodbus, mqtt, amqtt, asyncio) log through the same lines, at most one line a minute and source with
the count of those held back (lesson 47). Tracebacks carry no locals: a password is a local.
"""

import logging
import queue
import sys
import threading
from collections.abc import Callable, MutableMapping
from datetime import UTC, datetime, timedelta
from typing import Any, TextIO

import structlog
from structlog.tracebacks import ExceptionDictTransformer

from crumbmeter.model.events import Event

FOREIGN_GAP_US = 60_000_000
"""[us] Between two lines of one foreign source."""

OWN = "crumbmeter"

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
Line = MutableMapping[str, Any]
WallClock = Callable[[], int]


LINES_WAITING = 2000
"""Lines that wait for a reader; later ones are counted and lost."""
LAST_LINES_S = 1.0
"""[s] Real time for the last lines at the end."""


class Detached(logging.Handler):
    """Writes lines in a thread of its own: a stream that nobody reads, or a slow disk, holds up nobody who logs."""

    def __init__(self, target: logging.Handler) -> None:
        super().__init__()
        self.lost = 0
        """Lines that found no room."""
        self._target = target
        self._waiting: queue.Queue[logging.LogRecord | None] = queue.Queue(LINES_WAITING)
        self._thread = threading.Thread(target=self._write, name="log", daemon=True)
        self._thread.start()

    def emit(self, record: logging.LogRecord) -> None:
        """Queue one line; never waits."""
        self._offer(record)

    def _offer(self, record: logging.LogRecord | None) -> None:
        try:
            self._waiting.put_nowait(record)
        except queue.Full:
            self.lost += 1

    def _write(self) -> None:
        while (record := self._waiting.get()) is not None:
            self._target.handle(record)

    def finish(self) -> bool:
        """Write what waits; return False where the stream does not take it."""
        self._offer(None)
        self._thread.join(LAST_LINES_S)
        drained = not self._thread.is_alive()
        if drained:
            logging.getLogger().handlers[:] = [self._target]
        return drained


def detach_logs() -> Detached:
    """Let all lines be written by a thread from now on. `set_up_logs` comes before."""
    root = logging.getLogger()
    detached = Detached(root.handlers[0])
    root.handlers[:] = [detached]
    return detached


class ForeignLimit(logging.Filter):
    """Lets one line a minute and source through; the next one tells how many were held back."""

    def __init__(self, wall_us: WallClock) -> None:
        super().__init__()
        self._wall_us = wall_us
        self._last_us: dict[str, int] = {}
        self._held: dict[str, int] = {}

    def filter(self, record: logging.LogRecord) -> bool:
        """Decide on one record. Sources are the first level of the logger's name."""
        source = record.name.partition(".")[0]
        if source == OWN:
            return True
        now_us = self._wall_us()
        last_us = self._last_us.get(source)
        if last_us is not None and 0 <= now_us - last_us < FOREIGN_GAP_US:
            self._held[source] = self._held.get(source, 0) + 1
            return False
        self._last_us[source] = now_us
        record.held_back_count = self._held.pop(source, 0)
        return True


def set_up_logs(wall_us: WallClock, stream: TextIO = sys.stderr, *, level: int = logging.INFO) -> None:
    """Route all logging, own and foreign, to one stream.

    Args:
        wall_us: [us] UTC since 1970, from the clock port; no line reads a clock of its own.
        stream: gets JSON lines, or lines for people where it is a terminal.
        level: least level of own lines; foreign ones need WARNING.
    """
    stamp = _stamp(wall_us)
    shared: list[structlog.typing.Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.stdlib.add_log_level,
        stamp,
    ]
    handler = logging.StreamHandler(stream)
    handler.addFilter(ForeignLimit(wall_us))
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=[*shared, structlog.stdlib.add_logger_name, _foreign],
            processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, *_renderers(stream)],
        )
    )
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(logging.WARNING)
    logging.getLogger(OWN).setLevel(level)
    structlog.configure(
        processors=[*shared, structlog.stdlib.ProcessorFormatter.wrap_for_formatter],
        wrapper_class=structlog.make_filtering_bound_logger(level),
        logger_factory=lambda *_: logging.getLogger(OWN),
        cache_logger_on_first_use=False,
    )


def log_event(happening: Event, *, level: int = logging.INFO, **context: str | float | None) -> None:
    """Write one event as one line: its name is the event name, its details are the keys."""
    # A detail may bear a name that the log line uses for itself.
    detail = {f"{key}_" if key in {"event", "level"} else key: value for key, value in happening.detail}
    structlog.get_logger().log(level, happening.name, **{**detail, **context})


def _stamp(wall_us: WallClock) -> structlog.typing.Processor:
    def add(_logger: Any, _method: str, line: Line) -> Line:
        moment = _EPOCH + timedelta(microseconds=wall_us())
        line["time"] = moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")
        return line

    return add


def _in_order(_logger: Any, _method: str, line: Line) -> Line:
    """Put first what every line has: when, how grave, what."""
    return {**{key: line[key] for key in ("time", "level", "event") if key in line}, **line}


def _foreign(_logger: Any, _method: str, line: Line) -> Line:
    """Give a foreign line one event name; its text becomes a detail."""
    record = line.get("_record")
    line["text"] = line.get("event")
    line["event"] = "foreign_log"
    held = getattr(record, "held_back_count", 0)
    if held:
        line["held_back_count"] = held
    return line


def _renderers(stream: TextIO) -> list[structlog.typing.Processor]:
    if stream.isatty():
        return [structlog.dev.ConsoleRenderer(exception_formatter=structlog.dev.plain_traceback)]
    plain = structlog.processors.ExceptionRenderer(ExceptionDictTransformer(show_locals=False))
    return [plain, _in_order, structlog.processors.JSONRenderer(default=str)]
