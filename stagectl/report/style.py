"""How a report looks: one style sheet, and the sizes that the drawings count with.

Ink on paper, one tint. Colour never says anything by itself: shapes and words do, so that it reads the same in black
and white. Contrasts of text are at least 4.5 to 1, of lines that mean something 3 to 1 (WCAG 2.2, 1.4.3 and 1.4.11; the
tests work them out).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

WIDTH: Final = 720
"""How wide drawings are, CSS pixels: 190 mm, which is A4 between margins of 10 mm; Letter has 6 mm more."""

SIZES: Final[Mapping[str, float]] = {"s": 8.0, "m": 9.5, "l": 11.0}
"""The sizes of text in drawings by class, CSS pixels."""

SHADES: Final = 8
"""Shades of a cell by its level, from almost none to SHADE_MAX of the tint."""

SHADE_MAX: Final = 0.3

LIGHT: Final[Mapping[str, str]] = {
    "paper": "#ffffff",
    "ink": "#1c1c1a",
    "soft": "#585852",
    "line": "#7d7d75",
    "faint": "#dddcd4",
    "band": "#f1f0ea",
    "tint": "#1d5c63",
}
DARK: Final[Mapping[str, str]] = {
    "paper": "#161817",
    "ink": "#ecebe4",
    "soft": "#b4b3aa",
    "line": "#8b8a82",
    "faint": "#3a3b38",
    "band": "#212422",
    "tint": "#86c5cb",
}
PRINT: Final[Mapping[str, str]] = {
    **LIGHT,
    "ink": "#000000",
    "soft": "#3c3c3c",
    "line": "#666666",
    "faint": "#cccccc",
    "band": "#f0f0f0",
    "tint": "#333333",
}
"""Colours by what they are for. `band` and `faint` only part things that words and lines part as well."""


def _colours(colours: Mapping[str, str]) -> str:
    return "".join(f"--{name}:{value};" for name, value in colours.items())


_RULES: Final = """
*{box-sizing:border-box}
body{margin:0;background:var(--paper);color:var(--ink);font:16px/1.5 system-ui,sans-serif}
main{width:760px;max-width:100%;margin:0 auto;padding:28px 20px 60px}
h1{font-size:28px;line-height:1.2;font-weight:600;margin:0 0 4px;overflow-wrap:anywhere}
h2{font-size:19px;font-weight:600;margin:44px 0 6px;padding-top:10px;border-top:2px solid var(--ink)}
h3{font-size:16px;font-weight:600;margin:22px 0 4px;overflow-wrap:anywhere}
p{margin:6px 0;max-width:68ch;overflow-wrap:anywhere}
.lead{color:var(--soft);margin:0 0 14px}
.soft,figcaption,caption{color:var(--soft);font-size:13.5px}
caption{text-align:left;padding-bottom:4px}
nav{margin:18px 0 0;font-size:14.5px;display:flex;flex-wrap:wrap;gap:4px 18px}
a{color:var(--tint);text-underline-offset:3px}
dl.sum{display:grid;grid-template-columns:repeat(4,1fr);gap:0;margin:16px 0 0;border-top:1px solid var(--line)}
dl.sum div{padding:8px 10px 8px 0;border-bottom:1px solid var(--line)}
dl.sum dt{color:var(--soft);font-size:13.5px}
dl.sum dd{margin:0;font-size:20px;font-variant-numeric:tabular-nums}
figure{margin:8px 0 14px}
figcaption{margin-top:2px;max-width:74ch}
svg{display:block;max-width:100%;height:auto}
table{border-collapse:collapse;width:100%;font-size:14.5px;margin:8px 0 12px}
th,td{text-align:left;vertical-align:top;padding:4px 12px 4px 0;border-bottom:1px solid var(--faint);
overflow-wrap:anywhere}
thead th{color:var(--soft);font-weight:600;font-size:13.5px;border-bottom:1px solid var(--line);
overflow-wrap:normal}
tbody th{font-weight:400;min-width:6.5em}
tbody th.n,tbody th.t{min-width:0}
.n{text-align:right;font-variant-numeric:tabular-nums;white-space:nowrap}
.t{font-variant-numeric:tabular-nums;white-space:nowrap}
td svg{margin-top:6px;max-width:none}
ul{margin:6px 0;padding-left:20px}
li{overflow-wrap:anywhere}
.care{border:1px solid var(--line);border-left-width:6px;padding:6px 12px;margin:12px 0}
svg text{font-family:ui-monospace,monospace;fill:var(--ink);white-space:pre}
svg .q{fill:var(--soft)}
svg .b{font-weight:700}
svg .i{unicode-bidi:isolate}
svg .bar{fill:var(--tint)}
svg .ink{fill:var(--ink)}
svg .band{fill:var(--band)}
svg .open{fill:var(--paper);stroke:var(--ink);stroke-width:1}
svg .box{fill:var(--band);stroke:var(--line);stroke-width:.75}
svg .hair{stroke:var(--faint);stroke-width:.75;fill:none}
svg .line{stroke:var(--line);stroke-width:1;fill:none}
svg .strong{stroke:var(--ink);stroke-width:2;fill:none}
svg .thick{stroke:var(--tint);stroke-width:4;fill:none}
svg .dash{stroke:var(--ink);stroke-width:1;stroke-dasharray:3 2;fill:none}
svg .dots{stroke:var(--line);stroke-width:1;stroke-dasharray:1 3;fill:none}
@media (max-width:640px){dl.sum{grid-template-columns:repeat(2,1fr)}}
@media print{
body{font-size:10.5pt}
main{width:auto;padding:0}
nav{display:none}
h2{break-after:avoid;margin-top:22px}
h3{break-after:avoid;margin-top:12px}
h2+p,h3+p,caption{break-after:avoid}
figure,tr,li,p,dl.sum div,.care{break-inside:avoid}
thead{display:table-header-group}
a{color:inherit;text-decoration:none}
h1{font-size:20pt}
h2{font-size:14pt}
h3{font-size:11.5pt}
table,.soft,figcaption,caption,dl.sum dt,thead th{font-size:9pt}
dl.sum dd{font-size:13pt}
}
@page{margin:12mm 10mm 14mm}
"""


def style_sheet() -> str:
    """The whole style sheet."""
    sizes = "".join(f"svg .{name}{{font-size:{size:g}px}}" for name, size in SIZES.items())
    step = SHADE_MAX / SHADES
    sizes += "".join(f"svg .h{at}{{fill:var(--tint);fill-opacity:{step * (at + 1):.3f}}}" for at in range(SHADES))
    return (
        f":root{{color-scheme:light dark;{_colours(LIGHT)}}}"
        f"@media (prefers-color-scheme:dark){{:root{{{_colours(DARK)}}}}}"
        f"@media print{{:root{{color-scheme:light;{_colours(PRINT)}}}}}{_RULES}{sizes}"
    )
