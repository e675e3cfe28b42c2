"""The journal: append, chain, seals, segments, retention. It knows bytes, not subjects; only this room has apsw."""
