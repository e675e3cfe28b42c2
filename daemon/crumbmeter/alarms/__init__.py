"""Alarm catalogue and the state table of ISA-18.2 / IEC 62682. Pure."""
