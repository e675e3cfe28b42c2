"""Raw laboratory curves whose areas, slopes and crossings are known exactly. Invented; no specimen was ever tested."""

from dataclasses import dataclass

from crumbmeter.qc.laboratory.curves import Line

CREEP = Line(1e-4, 2.0)
STRIPPING = Line(7e-4, -7.0)
"""They cross at 15 000 passes and 3.5 mm."""


def two_phases(passes: float) -> float:
    """[mm] Return the rut of a specimen that creeps and strips along two straight lines."""
    return max(CREEP.at(passes), STRIPPING.at(passes))


@dataclass(frozen=True)
class Triangle:
    """A load that rises along one line and falls along another, recorded every so often."""

    peak_kn: float = 16.0
    peak_mm: float = 2.0
    end_mm: float = 6.0
    step_mm: float = 0.01
    stop_kn: float = 0.0
    """[kN] The record ends when the load behind the peak has come down to this."""

    @property
    def slope_kn_mm(self) -> float:
        """[kN/mm] Size of the slope behind the peak."""
        return self.peak_kn / (self.end_mm - self.peak_mm)

    def load_kn(self, place_mm: float) -> float:
        if place_mm <= self.peak_mm:
            return self.peak_kn * place_mm / self.peak_mm
        return self.peak_kn - self.slope_kn_mm * (place_mm - self.peak_mm)

    def behind_mm(self, share: float) -> float:
        """[mm] Return where the load is down to a share of the peak."""
        return self.peak_mm + (1.0 - share) * (self.end_mm - self.peak_mm)

    def work_j(self, to_kn: float = 0.1) -> float:
        """[J] Return the area under it to where the load is down to so much."""
        return 0.5 * self.peak_kn * self.end_mm - 0.5 * to_kn * to_kn / self.slope_kn_mm

    def record(self) -> tuple[list[float], list[float]]:
        """Return displacement [mm] and load [kN]."""
        places = [self.step_mm * i for i in range(round(self.end_mm / self.step_mm) + 1)]
        kept = [place for place in places if place <= self.peak_mm or self.load_kn(place) >= self.stop_kn - 1e-9]
        return kept, [self.load_kn(place) for place in kept]
