"""What is warned of at some venues alone, where something else is warned of here."""

from __future__ import annotations

from pathlib import Path

from stagectl.errors import Advice
from stagectl.show.advice import advice_on, elsewhere
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show

RIG = """\
inputs: [{name: a, socket: 1}, {name: b, socket: 2}, {name: c, socket: 3}]
listeners:
  - {name: ann, mix: 1, own input: a}
  - {name: bob, mix: 2, own input: b}
desk: {profile: osc-decibels, host: 127.0.0.1:9000}
"""

SETLIST = """\
title: two rooms
rig: rig.yaml
base:
  ann: {a: -20, b: -3, c: -6}
  bob: {b: -3, a: -10, c: -10}
venues:
  Cave: {bob: {b: -30}}
  Barn: {ann: {b: up 1}}
songs:
  - name: One
    levels: {ann: {a: -22}, bob: {b: down 1}}
"""


def advised(folder: Path, venue: str | None) -> list[Advice]:
    """The warnings of a show at a venue, or, where none is chosen, at all of them."""
    (folder / "rig.yaml").write_text(RIG, "utf-8")
    (folder / "setlist.yaml").write_text(SETLIST, "utf-8")
    show = load_show(folder)
    return advice_on(show, compile_show(show, venue).plan, elsewhere=elsewhere(show, venue))


def test_a_warning_of_one_listener_hides_none_of_another_at_the_same_line(tmp_path: Path) -> None:
    """`a` of `ann` is -22 dB under -3 and -6 (power sum -1.24): 20.76 below. At the Cave, `b` of `bob` is -31 dB under
    -10 and -10 (-6.99): 24.01 below."""
    told, cave = advised(tmp_path, None), advised(tmp_path, "Cave")
    ann, bob = (one for one in told if "leads with" in one.text)
    assert ann.line == bob.line == SETLIST.splitlines().index("  - name: One") + 1
    assert ann.text.startswith("`a`, which `ann` leads with, stands 20.76 dB below")
    assert bob.text.startswith("`b`, which `bob` leads with, stands 24.01 dB below")
    assert bob.text.endswith(" (at `Cave`)")
    # `ann` is warned of once, though her figure is another one at the Barn.
    assert bob._replace(text=bob.text.removesuffix(" (at `Cave`)")) in cave
    assert any("21.46 dB below" in one.text for one in advised(tmp_path, "Barn"))


def test_every_warning_of_a_venue_is_told_where_none_is_chosen(tmp_path: Path) -> None:
    """By its line and its names; the figures may be others there."""
    told = {(one.line, *one.text.split("`")[1:4:2]) for one in advised(tmp_path, None)}
    for venue in ("Cave", "Barn"):
        assert {(one.line, *one.text.split("`")[1:4:2]) for one in advised(tmp_path, venue)} <= told
