"""The JACK server, for the tests of this folder."""

from __future__ import annotations

from jack import jack_server as jack_server
