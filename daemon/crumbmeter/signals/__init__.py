"""Settle: samples become readings in SI with quality and age. Stale, frozen and out-of-range values are found here."""
