"""Phantom power: the verdicts on every small patch beside the circuit that it makes, and what `check` warns of."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product
from pathlib import Path
from typing import Any

import pytest
from demo_copies import RIG, Copy

from stagectl.errors import Advice, Fault
from stagectl.show.advice import advice_on
from stagectl.show.compile import compile_show
from stagectl.show.patch_fit import NAMES_MAX, feed, patch_faults
from stagectl.show.rig import RigModel
from stagectl.show.source import Source
from stagectl.show.yamltext import Text

VOLTS = 48.0
OHMS = 6_800 / 2
"""A P48 supply, IEC 61938: 48 V through 6.8 kilohms a leg, the two legs side by side."""

NONE = Source(path=Path("rig.yaml"), text=Text(None, {}, []))


def short_circuit(gives: list[tuple[bool, bool]]) -> float:
    """The current, mA, that flows where a line is shorted: each end that has its supply on and is joined to the line
    for direct current (no transformer between, common practice, no source) adds its own."""
    return sum(VOLTS / OHMS * 1_000 for on, joined in gives if on and joined)


def patches() -> Iterator[tuple[dict[str, Any], list[tuple[bool, bool]]]]:
    """Every rig of one input, as it is written, and what each end is in the circuit: (switched on, joined)."""
    sides = ("direct", "isolated")
    for phantom, this, through in product((None, "needed", "never"), (False, True), (False, True)):
        line = {"name": "mic", "socket": 3, "phantom": phantom, "split": "yes" if through else "no"}
        rig = {
            "inputs": [line],
            "listeners": [{"name": "ada", "mix": 1}],
            "desk": {"profile": "x", "port": "y", "phantom": [3] if this else [4]},
        }
        yield rig, [(this, True)]
        for side, other_side, other, itself in product(sides, (None, *sides), (False, True), (False, True)):
            split: dict[str, Any] = {"side": side, "other phantom": ["mic"] * other, "phantom": ["mic"] * itself}
            if other_side is not None:
                split["other side"] = other_side
            there = other_side or ("isolated" if side == "direct" else "direct")
            if through:
                ends = [(this, side == "direct"), (other, there == "direct"), (itself, True)]
                yield {**rig, "split": split}, ends
            elif not other and not itself:
                yield {**rig, "split": split}, [(this, True)]


def test_the_verdicts_are_those_of_the_circuit() -> None:
    one_supply = VOLTS / OHMS * 1_000
    seen = set()
    for written, ends in patches():
        rig = RigModel.model_validate(written)
        current = short_circuit(ends)
        found: list[Fault] = list(patch_faults(rig, NONE))
        phantom = written["inputs"][0]["phantom"]
        wrong = (phantom == "needed" and current == 0) or (phantom == "never" and current > 0)
        assert len(found) == wrong, (written, found)
        line = feed(rig, rig.inputs[0])
        assert len(line.reach) == pytest.approx(current / one_supply)
        assert len(line.reach) + len(line.stopped) == sum(on for on, _ in ends)
        seen.add((phantom, len(line.reach), wrong))
    # A line with none, one, two and three supplies, each with every wish.
    assert len(seen) == 3 * 4


def warned(copy: Copy) -> list[tuple[str, str]]:
    """The marked line that each warning stands on, and its sentence."""
    show = copy.show()
    found: list[Advice] = advice_on(show, compile_show(show).plan)
    rows = (copy.folder / RIG).read_text("utf-8").splitlines()
    assert {Path(one.file).name for one in found} <= {RIG}
    return [(rows[one.line - 1].partition("#!")[2].partition("#")[0].strip(), one.text) for one in found]


SPLIT = "  side: isolated\n  other side: isolated\n  phantom: [overheads, acoustic]"


def nine(folder: Path, phantom: str, split: str) -> Copy:
    """The nine songs with phantom power at some sockets of the desk, and another split."""
    copy = Copy(folder, "nine-songs")
    copy.plant(RIG, "  link: din\n", f"  link: din\n  phantom: [{phantom}] #! desk\n")
    copy.plant(RIG, SPLIT, split)
    return copy


def test_whom_this_desk_feeds(tmp_path: Path) -> None:
    copy = nine(tmp_path, "1, 6, 9", "  side: direct")
    says = "this desk gives `overheads`, `acoustic` phantom power (48 V), and the other desk hears the same inputs"
    assert warned(copy) == [("desk", f"{says}: this desk must stay on for both")]


def test_who_feeds_this_desk(tmp_path: Path) -> None:
    copy = nine(tmp_path, "", "  side: isolated\n  other phantom: [kick, overheads, acoustic] #! other")
    says = "the other desk gives `overheads`, `acoustic` phantom power (48 V): that desk must stay on for this one"
    assert warned(copy) == [("other", says)]


def test_what_only_this_desk_hears_concerns_nobody_else(tmp_path: Path) -> None:
    copy = nine(tmp_path, "6, 9", "  side: direct")
    for name in ("overheads, socket: 6", "acoustic, socket: 9"):
        copy.plant(RIG, f"{name}, ", f"{name}, split: no, ")
    assert warned(copy) == []


def test_two_supplies_on_one_line(tmp_path: Path) -> None:
    split = (
        "  side: direct\n  other side: direct\n  other phantom: [kick, overheads] #! other\n  phantom: [acoustic] #!"
    )
    copy = nine(tmp_path, "1, 6, 9", split)
    hint = "IEC 61938 counts on one supply, so switch all but one off, unless the manuals say otherwise"
    assert warned(copy) == [
        ("other", f"this desk and the other desk give `kick`, `overheads` phantom power (48 V) at once; {hint}"),
        ("", f"this desk and the split give `acoustic` phantom power (48 V) at once; {hint}"),
    ]


def test_what_only_a_transformer_keeps_away(tmp_path: Path) -> None:
    copy = nine(tmp_path, "10", SPLIT)
    copy.plant(RIG, "phantom: never}\n  - {name: lead", "phantom: never} #! keys\n  - {name: lead")
    says = "`keys` must not get phantom power (48 V), and only the split keeps it away: socket 10 gives it"
    assert warned(copy) == [("keys", f"{says}; switch it off there")]


def test_a_sentence_names_a_dozen_inputs(tmp_path: Path) -> None:
    copy = nine(tmp_path, ", ".join(map(str, range(1, 17))), "  side: direct")
    text = (copy.folder / RIG).read_text("utf-8")
    (copy.folder / RIG).write_text(text.replace(", phantom: needed}", "}").replace(", phantom: never}", "}"))
    for socket in range(1, 17):
        copy.plant(RIG, f"socket: {socket}}}", f"socket: {socket}, phantom: needed}}")
    ((_, says),) = warned(copy)
    assert says.count("`") == 2 * NAMES_MAX
    assert " and 4 more phantom power" in says
