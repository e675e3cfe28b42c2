"""What the laboratory finds, pure: raw curves to figures, figures to verdicts, samples to sublots.

Curves come in as plain sequences of numbers, as outward/laboratory_files.py reads them. Every figure keeps the name of
the method that made it, since the standards leave room for more than one.
"""
