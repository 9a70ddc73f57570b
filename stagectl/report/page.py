"""The page: one file of HTML that needs nothing else, and lets a browser load nothing."""

from __future__ import annotations

import base64
import hashlib
from typing import Final

from stagectl.report import on_clock, on_ears, on_levels, on_links
from stagectl.report.figures import Report
from stagectl.report.style import style_sheet
from stagectl.report.wall import Wall
from stagectl.report.words import named, safe

MARK: Final = '<meta name="generator" content="stagectl report">'
"""What shows a file to be a report of this program: it stands near its beginning."""


def page(report: Report, wall: Wall) -> str:
    """The whole page."""
    style = style_sheet()
    where = f", {report.venue}" if report.venue else ""
    title = f"{report.setlist}{where}, {wall.day.isoformat()}"
    ends = wall.text(report.times.end)
    venue = f"{named(report.venue)}, " if report.venue else ""
    lead = f"{venue}{wall.day:%A} {wall.day.isoformat()}, {wall.text(0)} to {ends} ({named(wall.zone_text)})"
    parts = (
        ("The clock", "clock", on_clock.clock(report, wall)),
        ("Levels by song", "levels", on_levels.levels(report)),
        ("At a ceiling, or another bound", "bounds", on_levels.bounds(report, wall)),
        ("Refusals", "refusals", on_levels.refusals(report)),
        ("From the press to the first byte", "delay", on_links.delay(report, wall)),
        ("Connections", "links", on_links.links(report, wall)),
        ("At the ears", "ears", on_ears.exposure(report.exposure)),
        ("Troubles", "troubles", on_links.said(report, wall)),
    )
    nav = "".join(f'<a href="#{place}">{safe(head)}</a>' for head, place, _ in parts)
    body = "".join(
        f'<section aria-labelledby="{place}"><h2 id="{place}">{safe(head)}</h2>{html}</section>'
        for head, place, html in parts
    )
    notes = "".join(f"<li>{named(note)}</li>" for note in report.notes)
    told = f'<ul class="soft">{notes}</ul>' if notes else ""
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        f"{MARK}"
        f'<meta http-equiv="Content-Security-Policy" content="{policy(style)}">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{safe(title)}</title><style>{style}</style></head>"
        f"<body><main><header><h1>{named(report.setlist)}</h1>"
        f'<p class="lead">{lead}</p>{told}{on_clock.summary(report)}'
        f'<nav aria-label="Sections">{nav}</nav></header>{body}'
        f'<footer><p class="soft">Made by stagectl from the journal of the night, which version {safe(report.program)} '
        "kept.</p></footer></main></body></html>\n"
    )


def policy(style: str) -> str:
    """The content security policy (W3C, Content Security Policy Level 3): nothing is loaded or run, nothing is sent;
    the one style sheet counts by its digest."""
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    return f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
