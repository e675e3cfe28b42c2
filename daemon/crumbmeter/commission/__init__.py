"""Commissioning: what an integrator proves at a plant before it makes mix, step by step, for the quality record."""
