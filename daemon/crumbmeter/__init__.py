"""Meter crumb rubber into a dry-process asphalt plant in step with the mix, and keep the record that proves it."""

from importlib.metadata import version

__version__ = version("crumbmeter")
