"""Finding travel from a recorded run: what drum, line and auger really take, with an interval, and what it rests on."""
