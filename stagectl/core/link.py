"""The desk's link: how long its messages take, and what the desk says of itself."""

from __future__ import annotations

from msgspec import Struct


class Link(Struct, frozen=True, kw_only=True):
    """The desk's link, by the time that its messages take on the wire, ns (three bytes at 31,250 baud: 960,000).
    `message_ns`: telling an input's level in a mix; `whole_ns`: telling the level of a whole mix, `stored_ns`:
    recalling a scene that the desk stores, each as long as `message_ns` where left out; `burst_ns`: how much of that
    time may be handed over at once."""

    message_ns: int = 20_000
    whole_ns: int | None = None
    stored_ns: int | None = None
    burst_ns: int = 1_000_000

    def takes(self, *, whole: bool) -> int:
        """How long telling one level takes, ns: of a whole mix, or of an input in it."""
        return self.whole_ns if whole and self.whole_ns is not None else self.message_ns

    @property
    def recall_ns(self) -> int:
        """How long recalling a stored scene takes, ns."""
        return self.message_ns if self.stored_ns is None else self.stored_ns


class Answers(Struct, frozen=True, kw_only=True):
    """What the desk says of itself. `each`: the level of each input in a mix can be asked for, `whole`: that of a whole
    mix too; `all`: all of them at once; `reports`: it says what hands move; `echoes`: it says back what it is told."""

    each: bool = False
    whole: bool = True
    all: bool = False
    reports: bool = False
    echoes: bool = False

    @property
    def reads(self) -> bool:
        """Whether its levels can be known before it is told any."""
        return self.each or self.all

    @property
    def confirms(self) -> bool:
        """Whether what it was told can be made sure of."""
        return self.each or self.echoes
