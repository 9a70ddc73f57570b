"""Can the OSC pedals that share a UDP port be told apart?

Over MIDI every pedal has a port of its own. Over OSC several may send to one: then the host that they are heard `from`
tells them apart, and else their messages have to.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from stagectl.errors import Fault
from stagectl.show.hearing import HearOsc
from stagectl.show.mapping import MappingModel
from stagectl.show.rig import PedalModel, RigModel
from stagectl.show.source import Source


def sender_faults(rig: RigModel, mappings: Mapping[str, MappingModel], source: Source) -> Iterator[Fault]:
    """Pedals that send the same to the same port from the same host: the later of two would never be heard. At most one
    fault a pedal."""
    for at, pedal in enumerate(rig.pedals):
        for other in rig.pedals[:at]:
            both = sorted(_said(pedal, mappings) & _said(other, mappings)) if _one_end(pedal, other) else []
            if both:
                more = f" and {len(both) - 1} more" if both[1:] else ""
                what = f"`{pedal.name}` and `{other.name}` both send `{both[0]}`{more} to UDP port {pedal.osc_port}"
                yield source.fault(f"{what}{_and(pedal, other)}", "pedals", at, "osc port")
                break


def _one_end(one: PedalModel, other: PedalModel) -> bool:
    """Whether both are heard at one port, and what is heard of one could be of the other: of a host with a name it is
    not known at every moment which address it has."""
    same = one.osc_port is not None and one.osc_port == other.osc_port
    return same and (one.from_ == other.from_ or None in (one.from_, other.from_))


def _and(one: PedalModel, other: PedalModel) -> str:
    if one.from_ is not None and other.from_ is not None:
        return f" from `{one.from_}`: they cannot be told apart; give one of them another `osc port`"
    return ": they cannot be told apart; say of both `from` which host they come, or give one another `osc port`"


def _said(pedal: PedalModel, mappings: Mapping[str, MappingModel]) -> set[str]:
    mapping = mappings.get(pedal.mapping)
    controls = [] if mapping is None else mapping.controls.values()
    return {control.sends.osc for control in controls if isinstance(control.sends, HearOsc)}
