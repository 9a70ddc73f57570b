"""A song's stems and click, added up for the outputs of a sound device: block by block, so that the memory stays the
same however long the song is.

What comes out is the count-in, `lead` frames long, and then the track: frames × outputs of 32-bit floats. A stem's
rate is converted by soxr, whose delay is taken out, so that its first frame stays its first. The count-in may go on
over the stems, up to bar 1: where a click is made for an output, that is its own click there. Where a track is cut at
the length that the setlist says, it fades out; full scale is never passed.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from math import log10
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from stagectl.tracks.song import SongTrack, Stem
from stagectl.tracks.sound.click import Click, frames_of
from stagectl.tracks.sound.files import BLOCK, TRACK_MAX_S, BadSound, SoundFacts, blocks, clock, opened
from stagectl.tracks.sound.needed import library

QUALITY: Final = "VHQ"
"""soxr's quality of conversion: of its ready-made ones the best."""

CUT_FADE_S: Final = 0.015
"""How long a stem fades that is cut off at the track's length, s."""

NOTE_DB: Final = 0.1
"""Full scale may be passed by so much before anybody is told: conversion of a rate alone passes it by a little, dB."""


class Blend:
    """A track for a device of so many outputs and frames a second. A context that closes the files; raises BadSound
    where one of them cannot be played, or the track does not fit the device."""

    def __init__(self, track: SongTrack, rate: int, outputs: int) -> None:
        self._track = track
        self._rate = rate
        self._outputs = outputs
        self._files = ExitStack()
        self._peak, self._peak_at = 1.0, (0, 0)
        with ExitStack() as stack:
            _fits(track, outputs)
            self._sources = [_Source(stem, rate, stack) for stem in track.stems]
            self._files = stack.pop_all()
        self.lead = frames_of(track.lead, rate)
        natural = max((source.frames for source in self._sources), default=0)
        self.length = natural if track.length is None else frames_of(track.length, rate)
        self._cut = self.length if self.length < natural else None
        click = track.tempo if track.click or track.counted else None
        self._click = None if click is None else Click(click, rate, self.lead)
        self._counted = self._count_in()

    def __enter__(self) -> Blend:
        return self

    def __exit__(self, *_: object) -> None:
        self._files.close()

    @property
    def frames(self) -> int:
        """All of it, the count-in included."""
        return self.lead + self.length

    def blocks(self) -> Iterator[NDArray[np.float32]]:
        """All of it, in order, frames × outputs. Raises BadSound where a file turns out to be damaged."""
        for begins in range(0, self.frames, BLOCK):
            ends = min(begins + BLOCK, self.frames)
            out = np.zeros((ends - begins, self._outputs), np.float32)
            first = max(begins, self.lead)
            if first < ends:
                self._add_stems(out[first - begins :], first - self.lead)
            if self._click is not None:
                click = self._click.between(begins, ends)
                before = max(0, min(self.lead - begins, len(out)))
                first, last = (max(0, min(frame - begins, len(out))) for frame in self._counted)
                made = set(self._track.click)
                for output in set(self._track.counted):
                    until = before if output in made else last
                    out[first:until, output - 1] += click[first:until]
                for output in made:
                    out[before:, output - 1] += click[before:]
            yield self._within_full_scale(out, begins)

    def _count_in(self) -> tuple[int, int]:
        """The frames from the first of the count-in up to bar 1."""
        begins, tempo = self._track.counts_from, self._track.tempo
        if begins is None or tempo is None:
            return 0, self.lead
        return self.lead + frames_of(begins, self._rate), self.lead + frames_of(tempo.at_bar(1), self._rate)

    def _add_stems(self, out: NDArray[np.float32], at: int) -> None:
        for source in self._sources:
            block = source.take(len(out))
            if self._cut is not None:
                _fade(block, self._cut - at, round(CUT_FADE_S * self._rate))
            for column, output in source.way:
                out[: len(block), output - 1] += block[:, column]

    def _within_full_scale(self, out: NDArray[np.float32], begins: int) -> NDArray[np.float32]:
        peak = float(np.abs(out).max(initial=0))
        if peak > self._peak:
            where = np.unravel_index(int(np.abs(out).argmax()), out.shape)
            self._peak, self._peak_at = peak, (begins + int(where[0]), int(where[1]) + 1)
        return np.clip(out, -1, 1, out=out) if peak > 1 else out

    @property
    def notes(self) -> list[str]:
        """What is worth telling of the blocks so far, in sentences."""
        notes = []
        above = 20 * log10(self._peak)
        if above > NOTE_DB:
            frame, output = self._peak_at
            at = clock(max(0, frame - self.lead) * 1_000_000_000 // self._rate)
            notes.append(
                f"the stems of {self._track.name} add up to {above:.1f} dB above full scale at output {output}, "
                f"most at {at}: what is above is cut off, which distorts; make them quieter"
            )
        notes += [
            f"{source.no_numbers:,} samples of `{source.path}` are no numbers: they are played as silence"
            for source in self._sources
            if source.no_numbers
        ]
        return notes


def _fits(track: SongTrack, outputs: int) -> None:
    """Raises BadSound where a track cannot be played on so many outputs, whatever its files are."""
    used = [(f"stem `{stem.path}`", stem.outputs) for stem in track.stems]
    used += [("click", outputs) for outputs in (track.click, track.counted) if outputs]
    for what, wanted in used:
        wrong = [output for output in wanted if not 1 <= output <= outputs]
        if wrong:
            raise BadSound(
                f"the {what} of {track.name} goes to output {wrong[0]}; the sound device has outputs 1 to {outputs}"
            )
        if not wanted:
            raise BadSound(f"the {what} of {track.name} goes to no output")
    if (track.click or track.counted) and track.tempo is None:
        raise BadSound(f"{track.name} has a click and no tempo")
    if track.length is None and not track.stems:
        raise BadSound(f"{track.name} has neither stems nor a length")
    for what, ns in (("length", track.length), ("count-in", track.lead)):
        if ns is not None and not 0 <= ns <= TRACK_MAX_S * 1_000_000_000:
            raise BadSound(f"the {what} of {track.name} is {ns / 1e9:g} s; 0 to {TRACK_MAX_S:,} s are played")


def _fade(block: NDArray[np.float32], left: int, length: int) -> None:
    """Fade a block, of which `left` frames come before the cut, over the `length` frames before it."""
    if left < len(block) + length:
        away = np.clip((left - np.arange(len(block))) / length, 0, 1)
        block *= ((1 - np.cos(np.pi * away)) / 2).astype(np.float32)[:, None]


class _Source:
    """A stem as it is read: in the rate of the device, as many frames as are asked for."""

    def __init__(self, stem: Stem, rate: int, stack: ExitStack) -> None:
        told, file = stack.enter_context(opened(stem.path))
        if told.channels not in (1, len(stem.outputs)):
            raise BadSound(
                f"`{stem.path}` has {told.channels} channels for {len(stem.outputs)} outputs: each channel needs its "
                "own; only a mono file goes to several"
            )
        self.path = stem.path
        self.way = tuple((0 if told.channels == 1 else at, output) for at, output in enumerate(stem.outputs))
        self.frames = -(-told.frames * rate // told.rate)
        self.no_numbers = 0
        self._blocks = self._converted(told, file, rate)
        self._left: NDArray[np.float32] = np.zeros((0, told.channels), np.float32)

    def take(self, frames: int) -> NDArray[np.float32]:
        """The next frames; fewer at the end."""
        parts, there = [self._left], len(self._left)
        while there < frames and (block := next(self._blocks, None)) is not None:
            parts.append(block)
            there += len(block)
        whole: NDArray[np.float32] = np.concatenate(parts)
        self._left = whole[frames:]
        return whole[:frames].copy()

    def _converted(self, told: SoundFacts, file: Any, rate: int) -> Iterator[NDArray[np.float32]]:
        stream = None
        if told.rate != rate:
            stream = library("soxr").ResampleStream(told.rate, rate, told.channels, dtype="float32", quality=QUALITY)
        left = told.frames
        for block in blocks(self.path, told, file):
            left -= len(block)
            # Before the conversion, which would spread them.
            bad = ~np.isfinite(block)
            if bad.any():
                block[bad] = 0
                self.no_numbers += int(bad.sum())
            yield block if stream is None else stream.resample_chunk(np.ascontiguousarray(block), last=left == 0)
