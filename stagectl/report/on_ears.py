"""What the night came to at the ears: HTML from the figures, with the cautions that belong to them."""

from __future__ import annotations

from math import isfinite

from stagectl.ears import report as ears
from stagectl.report.draw_bars import dose_bar
from stagectl.report.figures import Exposure
from stagectl.report.tables import table
from stagectl.report.words import named, safe


def exposure(found: Exposure | None) -> str:
    """The exposure of each listener, with its cautions."""
    if found is None:
        return (
            "<p>Nothing is said of the ears without the show: <code>--setlist</code> names it, and its rig says what "
            "was measured at whose ear.</p>"
        )
    head, *rest = (line.strip() for line in ears.lines(found.criterion, found.figures, found.notes))
    caution = f'<p class="care">{safe(ears.CAUTION)}</p>'
    if not rest:
        return f"<p>{safe(head.removeprefix('Ears: '))}</p>{caution}"
    rows, told = [], iter(rest)
    for one in found.figures:
        says = named(next(told).removeprefix(f"{one.listener.name}: "))
        if one.listener.measured is not None:
            says += f'<br><span class="soft">{named(next(told))}</span>'
        rows.append((named(one.listener.name), _dose(one.dose), says))
    drawn = table(
        f"Share of the dose of a {found.criterion.period} by {found.criterion.name}; the upright line is 100 %",
        ("whose ears", "used up", "in words"),
        rows,
    )
    notes = "".join(f"<li>{named(line)}</li>" for line in told if line != ears.CAUTION)
    return f"<p>{safe(head.removeprefix('Ears: '))}</p>{drawn}<ul>{notes}</ul>{caution}"


def _dose(dose: float | None) -> str:
    if dose is None or not isfinite(dose):
        return "not measured"
    return dose_bar(dose, f"{dose:.3g} % of the dose")
