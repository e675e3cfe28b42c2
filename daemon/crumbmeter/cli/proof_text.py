"""The words of `crumbmeter check` on what a site can prove of its dose. Pure."""

from collections.abc import Sequence

from crumbmeter.cli.check_text import fill, table
from crumbmeter.cli.display import METRIC, US, proven_dose
from crumbmeter.model.units import UNITS
from crumbmeter.site import Site
from crumbmeter.site.provable import ProofWords

MOST_SHOWN = 3
"""Contributions in words; `--json` has all."""


def proof_text(site: Site, rows: Sequence[ProofWords]) -> str:
    """Write the section."""
    if not rows:
        return "  no mix has a dose"
    display = US if site.units == "us" else METRIC
    mass = display.mix.partition("/")[0]
    warn, alarm = rows[0].warn_fraction, rows[0].alarm_fraction
    window = f"{UNITS[mass].from_si(rows[0].window_kg):.3g} {mass}"
    lines = [
        fill(
            f"The dose of {window} of mix in steady feeding, with the expanded uncertainty of what measures it "
            f"(docs/uncertainty.md). Under each tolerance stands the error up to which a dose is proven to be inside."
        )
    ]
    cells = [["mix", "rate", "dose", f"{100 * warn:g} %", f"{100 * alarm:g} %"]]
    for row in rows:
        dose = proven_dose(row.dose_fraction, row.expanded_fraction, row.coverage_factor, row.basis, display)
        proofs = [_proof(row.accept_warn_fraction), _proof(row.accept_alarm_fraction)]
        cells.append([row.mix_id, row.rate, dose, *proofs])
    lines.append(table(cells))
    for row in rows:
        if row.rate == "normal":
            causes = ", ".join(f"{name} {100 * share:.2f} %" for name, share in row.contributions[:MOST_SHOWN])
            lines.append(fill(f"{row.mix_id}: most of it comes from {causes} of the dose (k=1)."))
    assumed = sorted({name for row in rows for name in row.assumed})
    if assumed:
        lines.append(fill(f"ASSUMED, for the site does not state it: {', '.join(assumed)}. State it in [uncertainty]."))
    never = sorted({row.mix_id for row in rows if row.accept_warn_fraction <= 0.0})
    if never:
        words = f"This plant cannot prove the tolerance of {100 * warn:g} % for {', '.join(never)}"
        lines.append(
            fill(f"{words}: its instruments are less certain than that. A better one of the largest helps most.")
        )
    return "\n".join(lines)


def _proof(acceptance: float) -> str:
    return f"{100 * acceptance:.1f} %" if acceptance > 0.0 else "NOT PROVABLE"
