"""How fast material moves in a drum that holds more or less than it does at its normal rate.

A drum's content rises less than in proportion to its rate: a full bed moves on faster. Here the pace follows the
present content and not the rate, so an empty drum after a start is slow until it has filled (the hold-up of a rotating
cylinder lags a step of its feed: Scott et al., Ind. Eng. Chem. Res. 48, 2009, 159). The linear form is our own.
"""

MOST_LOAD = 1.5
"""Times the normal content: beyond it material moves no faster still."""


def pace(load: float, load_effect: float) -> float:
    """Return the speed of material in the drum over that at its normal content.

    Args:
        load: Present content over the content at the normal rate; 0 for an empty drum.
        load_effect: Share by which the pace rises from an empty drum to the normal content.
    """
    return 1.0 + load_effect * (min(MOST_LOAD, max(0.0, load)) - 1.0)
