"""Faults of the line between a master and a device: which there are, when they strike, what they do to the bytes."""
