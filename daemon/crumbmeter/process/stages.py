"""Material that spreads while it travels: stirred stages in series, which stand for a drum's dispersion.

A stage gives off the share `1 / (1 + residence / dt)` in each step. With that share (backward Euler) its mean residence
is exact for every step length, which `1 - exp(-dt / residence)` is not: that one loses half a step in each stage.
The spread of N equal stages is variance = mean^2 / N (Levenspiel, Chemical Reaction Engineering, tanks in series).
"""


def share_leaving(residence_s: float, stages: int, dt_s: float, speed_ratio: float) -> float:
    """Return the share of a stage's content that leaves in one step.

    Args:
        residence_s: [s] Mean residence over all stages at nominal drum speed. Positive.
        stages: Number of stages.
        dt_s: [s] Step.
        speed_ratio: Drum speed over nominal; 0 holds everything.
    """
    moved_s = dt_s * speed_ratio
    return moved_s / (moved_s + residence_s / stages) if moved_s > 0.0 else 0.0


def cascade(content: tuple[float, ...], inflow: float, share: float) -> tuple[tuple[float, ...], float]:
    """Pass mass [kg] through stages; return their new content and what left the last one [kg]."""
    after = []
    for mass in content:
        held = mass + inflow
        inflow = held * share
        after.append(held - inflow)
    return tuple(after), inflow
