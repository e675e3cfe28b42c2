"""Exit codes, the same for every command (docs/commands.md)."""

OK = 0
FAILED = 1
"""What was asked for was done and came out badly: a chain that is broken, a replay that differs, a scan that failed."""
REFUSED = 2
"""Nothing was started: a site file, a journal or an option is not in order."""
NO_DAEMON = 3
NOT_AT_REST = 4
"""The daemon stopped, and an output could not be confirmed at rest."""
