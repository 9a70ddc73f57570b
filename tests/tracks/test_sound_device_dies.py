"""The sound device goes away under the player, or never was there: it says so and ends, and hangs in nothing."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from needs import needs_module
from sound_stage import RATE, jack_server, player, stem

from stagectl.tracks.song import SongTrack

pytestmark = [pytest.mark.ports, pytest.mark.slow]

NOISE = np.random.default_rng(8).uniform(0.05, 0.2, (20 * RATE, 1))


def song(folder: Path) -> SongTrack:
    return SongTrack(song=1, name="Lanterns", stems=(stem(folder / "a", NOISE, [1, 2]),))


def test_a_server_that_dies_ends_it_in_a_moment(tmp_path: Path) -> None:
    with jack_server() as server, player() as other:
        other.event("here")
        other.keep(song(tmp_path))
        other.start(1)
        server.kill()
        server.wait(10)
        assert other.event("gone")["text"] == "the sound device `system` has gone: it asks for no sound any more"
        assert other.process.wait(10) == 3
    with jack_server():
        # The place of a server that was killed is taken in JACK's registry, until one of its name comes and goes.
        pass


def test_without_a_server_and_a_sound_card_it_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    needs_module("rtmixer")
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "nobody")
    with player() as other:
        told = json.loads(other.line())
        if told["is"] == "here":
            pytest.skip("this machine has a sound card")
        assert told["is"] == "gone"
        assert told["text"].startswith("there is no sound device to play on")
        assert other.process.wait(10) == 3
