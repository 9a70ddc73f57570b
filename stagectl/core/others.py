"""Other devices, and what the feet do: the actions that move no level and no track."""

from __future__ import annotations

from stagectl.core.actions import Nothing, SwitchLayer, Tell
from stagectl.core.effects import Layered, Reason, Told
from stagectl.core.work import Presser, Work, refuse


def tell(work: Work, by: Presser, action: Tell) -> None:
    """Send a device its message."""
    work.out(Told(at=work.at, press=by.press, message=action.message))


def switch_layer(work: Work, by: Presser, action: SwitchLayer) -> None:
    """Lay a layer over the presser's pedal, or take it off."""
    if by.pedal is None:
        refuse(work, by, Reason.NO_PEDAL)
        return
    layers = list(work.state.layers)
    lies = layers[by.pedal]
    if lies is None and action.layer is None:
        refuse(work, by, Reason.NO_LAYER)
        return
    layers[by.pedal] = None if lies == action.layer else action.layer
    work.set(layers=tuple(layers))
    work.out(Layered(at=work.at, press=by.press, pedal=by.pedal, layer=layers[by.pedal]))


def nothing(work: Work, by: Presser, _: Nothing) -> None:
    """What is mapped to nothing counts as not mapped."""
    refuse(work, by, Reason.NOT_MAPPED)
