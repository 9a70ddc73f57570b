"""How a sheet looks: black on white, for any printer. Shades only say again what words and numbers say.

Contrast of text is at least 4.5 to 1, of lines that mean something 3 to 1 (WCAG 2.2, 1.4.3 and 1.4.11), also on the
darkest shade; the tests work them out. All colours are greys, so that nothing is lost in black and white.
"""

from __future__ import annotations

from collections.abc import Mapping
from html import unescape
from typing import Final

from stagectl.report.words import clipped, safe
from stagectl.sheet.map_table import SHADES

INK: Final = "#000000"
SOFT: Final = "#404040"
LINE: Final = "#707070"
FAINT: Final = "#b8b8b8"
BAND: Final = "#eeeeee"
PAPER: Final = "#ffffff"
"""Greys by what they are for. FAINT and BAND only part what spaces and lines part as well."""

SHADE_TOP: Final = 0xA8
"""The grey of the highest level; the lowest has almost none."""

SIZES: Final[Mapping[str, str]] = {"a4": "A4", "letter": "letter"}
"""Papers by their names in CSS (CSS Paged Media Module Level 3, 7.1): 210 × 297 mm, 8.5 × 11 in."""

FOOT_CELLS: Final = 56
"""Characters of title and venue that the foot of a page has room for."""

_RULES: Final = """
*{box-sizing:border-box;print-color-adjust:exact;-webkit-print-color-adjust:exact}
html{color-scheme:light}
body{margin:0;background:VAR_PAPER;color:VAR_INK;font:10pt/1.35 sans-serif}
h1{font-size:20pt;line-height:1.15;margin:0 0 1mm;overflow-wrap:anywhere}
h2{font-size:15pt;line-height:1.2;margin:0 0 2mm;padding-top:1.5mm;border-top:0.6mm solid VAR_INK;
overflow-wrap:anywhere}
h3{font-size:10.5pt;margin:3mm 0 1mm}
h1,h2,h3,caption{break-after:avoid}
p{margin:1mm 0;overflow-wrap:anywhere}
header p,span,caption{color:VAR_SOFT}
span,caption{font-size:8.5pt;font-weight:400}
.part{break-before:page}
.part.first{break-before:auto}
.care{border:0.3mm solid VAR_LINE;border-left-width:1.5mm;margin:2mm 0;padding:1mm 2.5mm;font-size:8.5pt;
break-inside:avoid}
.facts{overflow-wrap:anywhere}
dl.times{display:flex;flex-wrap:wrap;gap:1mm 7mm;margin:1mm 0}
dl.times dt{color:VAR_SOFT;font-size:8.5pt}
dl.times dd{margin:0;font-size:13pt}
ul.run{list-style:none;margin:0;padding:0}
ul.run li{display:inline-block;margin:0 4mm 0.5mm 0;max-width:100%;overflow-wrap:anywhere}
table{border-collapse:collapse;width:100%;table-layout:fixed;margin:3mm 0 4mm}
caption{text-align:left;padding-bottom:1mm}
thead{display:table-header-group}
tr{break-inside:avoid}
th,td{text-align:left;vertical-align:top;padding:0.9mm 1.6mm 0.9mm 0.8mm;border-bottom:0.2mm solid VAR_FAINT;
overflow-wrap:anywhere;font-weight:400}
thead th{font-weight:700;font-size:8.5pt;border-bottom:0.4mm solid VAR_INK;vertical-align:bottom}
td:last-child{border-left:0.2mm solid VAR_FAINT}
.feet td:last-child,.sockets td:last-child,.mixes td:last-child{border-left:none}
tr.song{background:VAR_BAND}
tr.song th,tr.song td:nth-child(2),.inputs td:nth-child(2){font-weight:700}
.cues tbody tr{height:9mm}.changes tbody tr{height:7mm}
tr.song td:last-child{background:VAR_PAPER}
.cues td:nth-child(n+3),.feet td:nth-child(n+3),.changes td:nth-child(n+3){font-size:9pt}
.feet .c0{width:24%}.feet .c1{width:24%}
.cues .c0{width:5.5%}.cues .c1{width:24%}.cues .c2{width:34%}
.both .c0{width:5.5%}.both .c1{width:22%}.both .c2{width:26%}.both .c3{width:22%}
.inputs .c0{width:5.5%}.inputs .c1{width:19%}.inputs .c2{width:9%}.inputs .c3{width:14%}.inputs .c4{width:19%}
.inputs .c5{width:11%}.inputs td:nth-child(3){font-weight:700}
.sockets{width:50%}.sockets .c0{width:22%}
.mixes .c0{width:7%}
.ends .c0{width:14%}.ends .c2{width:28%}.ends .c4{width:18%}
.changes .c0{width:6%}.changes .c1{width:25%}.changes .c3{width:22%}
.wide{page:wide}
table.map{font-size:7pt;line-height:1.2;border-collapse:separate;border-spacing:0}
.map .who{width:34mm}
.map th,.map td{padding:0.45mm 0.5mm;border:solid VAR_LINE;border-width:0 0.15mm 0.15mm 0;
overflow:hidden;white-space:nowrap}
.map tr>:first-child{border-left-width:0.15mm}
.map tbody th{overflow-wrap:normal;text-overflow:ellipsis}
.map tr.who th{font-size:9.5pt;font-weight:700;border:none;border-bottom:0.4mm solid VAR_INK;
padding-top:1.6mm;white-space:normal;overflow-wrap:anywhere}
.map tr.who span{font-size:7.5pt}
.map tr.who{break-after:avoid}
.map tbody{break-inside:avoid}
.map .own{font-weight:700}
.map thead th{border-width:0.15mm 0.15mm 0 0;padding:0 0 0.5mm 0.5mm;font-size:7.5pt}
.map thead .part{font-weight:400}
.up{height:30mm;width:8.4mm;overflow:hidden}
.up div{width:30mm;height:8.4mm;line-height:1.15;white-space:normal;overflow:hidden;
transform-origin:0 0;transform:translate(0,30mm) rotate(-90deg)}
.map .off{color:VAR_SOFT}
.map td:empty,.map td:last-child:empty{border:none}
@media screen{
body{max-width:200mm;margin:0 auto;padding:8mm 5mm 20mm;font-size:11pt}
.part{margin-top:12mm;overflow-x:auto}
.part table{min-width:165mm}
.part table.map{min-width:277mm}
}
"""


def style_sheet(paper: str, title: str, dated: str) -> str:
    """The whole style sheet. `title`, `dated`: what the foot of each page says, beside its number."""
    rules = _RULES
    for name, grey in (
        ("INK", INK),
        ("SOFT", SOFT),
        ("LINE", LINE),
        ("FAINT", FAINT),
        ("BAND", BAND),
        ("PAPER", PAPER),
    ):
        rules = rules.replace(f"VAR_{name}", grey)
    rules += "".join(f".map .h{at}{{background:{shade(at)}}}" for at in range(SHADES))
    size = SIZES[paper]
    left, right = text_of(clipped(title, FOOT_CELLS)), text_of(dated)
    foot = "font:8pt sans-serif;vertical-align:top;padding-top:2mm;border-top:0.2mm solid"
    pages = (
        f"@page{{size:{size};margin:12mm 10mm 16mm;"
        f"@bottom-left{{content:{left};width:55%;text-align:left;{foot} {LINE}}}"
        f"@bottom-right{{content:{right} ', page ' counter(page) ' of ' counter(pages);width:45%;text-align:right;"
        f"{foot} {LINE}}}}}"
        f"@page wide{{size:{size} landscape}}"
    )
    return pages + rules


def shade(at: int) -> str:
    """The grey of a cell, from the lowest level to the highest."""
    grey = 0xF8 - round((0xF8 - SHADE_TOP) * at / (SHADES - 1))
    return f"#{grey:02x}{grey:02x}{grey:02x}"


def text_of(text: str) -> str:
    """A text as a string of CSS, set apart in its direction (Unicode Standard Annex 9: FSI and PDI). All but letters,
    digits and spaces goes by its number and a space (CSS Syntax Module Level 3, 4.3.7): no text ends the string, or the
    style sheet."""
    said = f"\u2068{unescape(safe(text))}\u2069"
    return '"' + "".join(c if (c.isascii() and c.isalnum()) or c == " " else f"\\{ord(c):x} " for c in said) + '"'
