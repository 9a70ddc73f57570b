"""Track players, other devices, and what the feet do: the actions that move no level."""

from __future__ import annotations

from stagectl.core.actions import Nothing, StartCue, StopCue, SwitchLayer, Tell
from stagectl.core.effects import Cue, Layered, Reason, Told
from stagectl.core.plan import CueCall
from stagectl.core.work import Presser, Work, refuse


def start(work: Work, by: Presser, cue: CueCall) -> None:
    """Start a cue."""
    playing = list(work.state.playing)
    playing[cue.player] = cue.number
    work.set(playing=tuple(playing))
    work.out(Cue(at=work.at, press=by.press, player=cue.player, number=cue.number, starts=True))


def stop_all(work: Work, by: Presser) -> bool:
    """Stop whatever plays; whether anything did."""
    running = [(player, number) for player, number in enumerate(work.state.playing) if number is not None]
    for player, number in running:
        work.out(Cue(at=work.at, press=by.press, player=player, number=number, starts=False))
    if running:
        work.set(playing=(None,) * len(work.state.playing))
    return bool(running)


def start_cue(work: Work, by: Presser, _: StartCue) -> None:
    """Start the present song's cue."""
    cue = work.plan.stops[work.state.place.stop].cue
    if cue is None:
        refuse(work, by, Reason.NO_CUE)
        return
    start(work, by, cue)


def stop_cue(work: Work, by: Presser, _: StopCue) -> None:
    """Stop what plays."""
    if not stop_all(work, by):
        refuse(work, by, Reason.NOT_PLAYING)


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
