"""The composition root: the only room that knows all the others, and builds one daemon out of them."""

from crumbmeter.app.daemon import Daemon
from crumbmeter.app.startup import StartRefusedError

__all__ = ["Daemon", "StartRefusedError"]
