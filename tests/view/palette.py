"""Judges of colours, by published formulas: contrast, difference, and sight with a colour-vision deficiency.

- Relative luminance and contrast ratio: W3C, WCAG 2.2, definitions of those names.
- sRGB to CIE XYZ (D65): IEC 61966-2-1; XYZ to CIELAB: CIE 15.
- ΔE00: Sharma, Wu & Dalal, "The CIEDE2000 Color-Difference Formula", Color Research and Application 30 (2005). The test
  checks it against pairs of that paper's table.
- Simulation: Machado, Oliveira & Fernandes, "A Physiologically-based Model for Simulation of Color Vision Deficiency",
  IEEE TVCG 15 (2009), its matrices for severity 1.0, applied to linear RGB. The matrices are from memory; their rows
  sum to 1, so that greys stay grey, which the test checks.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Final, TypeAlias

Colour: TypeAlias = tuple[float, float, float]

MACHADO: Final[Mapping[str, tuple[Colour, Colour, Colour]]] = {
    "protanopia": (
        (0.152286, 1.052583, -0.204868),
        (0.114503, 0.786281, 0.099216),
        (-0.003882, -0.048116, 1.051998),
    ),
    "deuteranopia": (
        (0.367322, 0.860646, -0.227968),
        (0.280085, 0.672501, 0.047413),
        (-0.011820, 0.042940, 0.968881),
    ),
    "tritanopia": (
        (1.255528, -0.076749, -0.178779),
        (-0.078411, 0.930809, 0.147602),
        (0.004733, 0.691367, 0.303900),
    ),
}


def variables(css: str, selector: str) -> dict[str, str]:
    """The colours that a rule of the style sheet sets as custom properties. Raises ValueError where there is none."""
    found = re.search(re.escape(selector) + r"\s*\{([^}]*)\}", css)
    if found is None:
        raise ValueError(f"no rule `{selector}` in the style sheet")
    return dict(re.findall(r"--([a-z-]+):\s*(#[0-9a-f]{6});", found[1]))


def linear(hex_: str) -> Colour:
    """Linear RGB, each 0 to 1."""
    parts = [int(hex_[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return red, green, blue


def luminance(colour: Colour) -> float:
    """Relative luminance, 0 to 1."""
    red, green, blue = colour
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: Colour, other: Colour) -> float:
    """Contrast ratio, 1 to 21."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def seen_by(colour: Colour, matrix: tuple[Colour, Colour, Colour]) -> Colour:
    """The colour as somebody sees it whose sight the matrix stands for."""
    red, green, blue = (min(1.0, max(0.0, sum(a * b for a, b in zip(row, colour, strict=True)))) for row in matrix)
    return red, green, blue


def lab(colour: Colour) -> Colour:
    """CIELAB under D65."""
    red, green, blue = colour
    x = (0.4124564 * red + 0.3575761 * green + 0.1804375 * blue) / 0.95047
    y = 0.2126729 * red + 0.7151522 * green + 0.0721750 * blue
    z = (0.0193339 * red + 0.1191920 * green + 0.9503041 * blue) / 1.08883

    def f(t: float) -> float:
        return math.cbrt(t) if t > (6 / 29) ** 3 else t / (3 * (6 / 29) ** 2) + 4 / 29

    return 116 * f(y) - 16, 500 * (f(x) - f(y)), 200 * (f(y) - f(z))


def difference(one: Colour, other: Colour) -> float:
    """ΔE00 of two colours in CIELAB."""
    (l1, a1, b1), (l2, a2, b2) = one, other
    mean = (math.hypot(a1, b1) + math.hypot(a2, b2)) / 2
    g = 0.5 * (1 - math.sqrt(mean**7 / (mean**7 + 25**7)))
    a1, a2 = a1 * (1 + g), a2 * (1 + g)
    c1, c2 = math.hypot(a1, b1), math.hypot(a2, b2)
    h1, h2 = (math.degrees(math.atan2(b, a)) % 360 for a, b in ((a1, b1), (a2, b2)))
    grey = c1 * c2 == 0
    turn = 0.0 if grey else (h2 - h1 + 180) % 360 - 180
    d_h = 2 * math.sqrt(c1 * c2) * math.sin(math.radians(turn) / 2)
    middle = h1 + h2 if grey else (h1 + turn / 2) % 360
    l_, c_ = (l1 + l2) / 2, (c1 + c2) / 2
    t = (
        1
        - 0.17 * math.cos(math.radians(middle - 30))
        + 0.24 * math.cos(math.radians(2 * middle))
        + 0.32 * math.cos(math.radians(3 * middle + 6))
        - 0.20 * math.cos(math.radians(4 * middle - 63))
    )
    s_l = 1 + 0.015 * (l_ - 50) ** 2 / math.sqrt(20 + (l_ - 50) ** 2)
    s_c, s_h = 1 + 0.045 * c_, 1 + 0.015 * c_ * t
    r_t = -2 * math.sqrt(c_**7 / (c_**7 + 25**7)) * math.sin(math.radians(60 * math.exp(-(((middle - 275) / 25) ** 2))))
    d_l, d_c, d_h = (l2 - l1) / s_l, (c2 - c1) / s_c, d_h / s_h
    return math.sqrt(d_l**2 + d_c**2 + d_h**2 + r_t * d_c * d_h)
