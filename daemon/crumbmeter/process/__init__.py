"""Arithmetic of the plant: dry rates, mix, dose, travel of material. Pure."""
