"""Calibrations at the plant as guided procedures: steps as data, arithmetic in `qc`, nothing here reads or writes.

A procedure says what is to be done next from what has been entered so far, and at the end what the entries come to.
Who leads a person through it (the command line) shows, reads, asks and keeps; so an interrupted test goes on where it
was left, and a script answers the same questions as a person.
"""
