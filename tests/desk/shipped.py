"""The shipped desk profiles, and invented ones of every other kind, each with as many sockets and mixes as it has room
for in a test."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Final

from stagectl.core.levels import Level
from stagectl.desk.speak import Speaker
from stagectl.desk.virtual import VirtualDesk
from stagectl.show.load import load_profile
from stagectl.show.profile import ProfileModel
from stagectl.where import shipped
from stagectl.wire.laws import Law

SHIPPED: Final = sorted(path.stem for path in (shipped("mappings") / "desks").glob("*.yaml"))
INVENTED: Final = {path.stem: path for path in sorted((Path(__file__).parent / "profiles").glob("*.yaml"))}
PROFILES: Final = [*SHIPPED, *INVENTED]

# Numbers with gaps and out of order, as a rig may name them.
SOCKETS: Final = (5, 1, 2, 24, 9)
MIXES: Final = (3, 1, 16)


@cache
def profile_of(name: str) -> ProfileModel:
    """A profile, loaded once."""
    return load_profile(path_of(name))


def path_of(name: str) -> str:
    """What a command is given for a profile: the name of a shipped one, the path of an invented one."""
    return str(INVENTED[name]) if name in INVENTED else name


def pair(name: str) -> tuple[Speaker, VirtualDesk]:
    """A speaker and a desk that have the same rig."""
    profile = profile_of(name)
    return Speaker(profile, SOCKETS, MIXES), VirtualDesk(profile, SOCKETS, MIXES)


def columns(name: str) -> int:
    """The columns of a mix that the profile can say: the inputs, and the whole mix where it has one."""
    return len(SOCKETS) + (profile_of(name).whole_mix is not None)


def spot_of(send: int) -> tuple[int, int | None]:
    """The mix and the socket (None for the whole mix) of a send's number."""
    listener, column = divmod(send, len(SOCKETS) + 1)
    return MIXES[listener], SOCKETS[column] if column < len(SOCKETS) else None


def sends(name: str) -> list[int]:
    """Every send that the profile can say."""
    return [at * (len(SOCKETS) + 1) + column for at in range(len(MIXES)) for column in range(columns(name))]


def law_of(name: str, send: int) -> Law:
    """The value law of a send."""
    profile = profile_of(name)
    part = profile.send if spot_of(send)[1] is not None else profile.whole_mix
    assert part is not None
    return part.law()


def picture(desk: VirtualDesk) -> dict[tuple[int, int | None], Level]:
    """Every level of the desk."""
    return {(one.mix, one.socket): one.level for one in desk.levels()}
