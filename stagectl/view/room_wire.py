"""The messages of the rehearsal room: what goes to the desk, the players, the devices and the lamps, what the desk
makes of it, and how long it takes on the desk's wire."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Any, Final, NamedTuple

from stagectl.story.wire import Sent, osc_words
from stagectl.wire.midi import hex_text

SHOWN_MAX: Final = 30
"""Messages that are shown, the last of them."""

HEX_MAX: Final = 24
"""Bytes of a message that are written out."""


class Sum(NamedTuple):
    """What one press has sent to one place: messages, bytes, their time on the wire (ns, None where that link is not
    known), and the times of the first and the last, ns."""

    press: int
    to: str
    messages: int
    size: int
    takes: int | None
    first: int
    last: int


SUMS_MAX: Final = 8
"""Sums that are shown: of the last presses, link by link."""


class Wire:
    """Follows the messages. `takes`: how long a message takes on the desk's link, ns; `means`: what the desk makes of
    it, in words; both are asked in the order of the messages."""

    def __init__(self, takes: Callable[[bytes], int], means: Callable[[bytes], str]) -> None:
        self._takes, self._means = takes, means
        self._shown: deque[dict[str, Any]] = deque(maxlen=SHOWN_MAX)
        self._sums: dict[tuple[int, str], Sum] = {}
        self.count = 0

    def go_on_from(self, other: Wire) -> None:
        """Messages go on by edited files; `other` has followed them by those of before."""
        self._shown.extend(other._shown)
        self._sums.update(other._sums)
        self.count = other.count

    def hear(self, sent: Sent) -> None:
        """One more message."""
        is_desk = sent.to == "desk"
        takes = self._takes(sent.packet) if is_desk else None
        self.count += 1
        self._shown.append(
            {
                "at": sent.at // 1_000_000,
                "to": sent.to,
                "bytes": written(sent.packet),
                "means": self._means(sent.packet) if is_desk else "",
                "takes": None if takes is None else takes // 1_000,
                "press": sent.press,
            }
        )
        if sent.press is None:
            # What lamps show is nobody's press.
            return
        key = (sent.press, sent.to)
        one = self._sums.pop(key, Sum(sent.press, sent.to, 0, 0, None if takes is None else 0, sent.at, sent.at))
        self._sums[key] = one._replace(
            messages=one.messages + 1,
            size=one.size + len(sent.packet),
            takes=None if takes is None or one.takes is None else one.takes + takes,
            last=sent.at,
        )
        while len(self._sums) > SUMS_MAX:
            del self._sums[next(iter(self._sums))]

    def board(self, now: int) -> dict[str, Any]:
        """The last messages, and what the last presses came to. Times since the night began in ms, `takes` in µs."""
        sums = [
            {
                "press": one.press,
                "to": one.to,
                "messages": one.messages,
                "bytes": one.size,
                "takes": None if one.takes is None else one.takes // 1_000,
                "at": one.first // 1_000_000,
                "over": (one.last - one.first) // 1_000_000,
            }
            for one in self._sums.values()
        ]
        return {"now": now, "count": self.count, "messages": list(self._shown), "sums": sums}


def written(packet: bytes) -> str:
    """A message as people read it: OSC in words, else its bytes in hexadecimal, the first of many."""
    words = osc_words(packet)
    if words is not None:
        return words
    more = len(packet) - HEX_MAX
    return hex_text(packet[:HEX_MAX]) + (f" and {more} more" if more > 0 else "")
