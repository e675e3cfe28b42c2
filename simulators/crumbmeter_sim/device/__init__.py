"""Devices that misbehave, and the instruments whose ways of going wrong are known."""
