"""How the feed factor depends on the head in the weigh hopper, learned between refills and used during them.

The map holds ratios to the mean factor, one for each band of content. It is read by interpolation between the middles
of the bands and never extrapolated. It learns slowly: one fill changes it by a part of what that fill showed.
"""

from crumbmeter.model.frozen import dataclass

BANDS = 12


@dataclass(frozen=True, slots=True)
class LevelMap:
    """Relative feed factor by content."""

    ratios: tuple[float, ...] = (1.0,) * BANDS
    weights: tuple[float, ...] = (0.0,) * BANDS
    """How much each band has learned, 0 to 1."""

    def ratio(self, share: float) -> float:
        """Return the relative factor.

        Args:
            share: Content as a share of the span from low to full; outside 0..1 the end bands hold.
        """
        place = share * BANDS - 0.5
        if place <= 0.0:
            return self.ratios[0]
        if place >= BANDS - 1:
            return self.ratios[-1]
        below = int(place)
        part = place - below
        return self.ratios[below] * (1.0 - part) + self.ratios[below + 1] * part

    def learned(self, share: float, ratio: float, gain: float) -> "LevelMap":
        """Return the map after one look at the factor.

        Args:
            share: Content as a share of the span.
            ratio: Observed factor over the mean factor.
            gain: How far to move towards it, 0 to 1 (dt over the time constant).
        """
        band = min(BANDS - 1, max(0, int(share * BANDS)))
        # A band that has seen little follows quickly, one that has seen much slowly.
        weight = min(1.0, self.weights[band] + gain)
        step = max(gain, gain / max(weight, gain) * 0.5) if weight < 1.0 else gain
        moved = self.ratios[band] + (ratio - self.ratios[band]) * min(1.0, step)
        ratios = (*self.ratios[:band], moved, *self.ratios[band + 1 :])
        weights = (*self.weights[:band], weight, *self.weights[band + 1 :])
        return LevelMap(ratios if all(weights) else _filled(ratios, weights), weights)


def _filled(ratios: tuple[float, ...], weights: tuple[float, ...]) -> tuple[float, ...]:
    """Let bands that have seen nothing hold what the nearest seen one does.

    While the mean factor is still wrong, all ratios are wrong by the same share, which does no harm: only their
    quotients are used. A band left at one would pull the factor back to the wrong mean as the content falls into it.
    """
    filled = list(ratios)
    below = -1  # nearest seen band so far
    for band, weight in enumerate(weights):
        if weight <= 0.0:
            continue
        # Between two seen bands each unseen one takes the nearer; before the first, the first.
        for empty in range(below + 1, band):
            nearer_below = below >= 0 and empty - below <= band - empty
            filled[empty] = ratios[below if nearer_below else band]
        below = band
    filled[below + 1 :] = [ratios[below]] * (BANDS - 1 - below)
    return tuple(filled)
