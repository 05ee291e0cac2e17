"""Plays bytes or sentences through splitter, epochs and gate, without a line or a driver."""

from __future__ import annotations

from dutylog.acquire.gps.epochs import EpochBuilder
from dutylog.acquire.gps.fixes import GateLimits
from dutylog.acquire.gps.gate import Gate
from dutylog.acquire.gps.sentences import parse_sentence
from dutylog.acquire.gps.splitter import Splitter
from dutylog.errors import FrameError


class Chain:
    """From bytes to believed fixes; `malformed` counts sentences with odd fields."""

    def __init__(self, limits=None):
        self.splitter = Splitter()
        self.epochs = EpochBuilder()
        self.gate = Gate(limits or GateLimits())
        self.malformed = 0

    def push(self, data, mono_s):
        """Return the fixes believed of what these bytes end."""
        mono_ns = round(mono_s * 1e9)
        ended = []
        for body, arrival_ns in self.splitter.push(data, mono_ns):
            try:
                sentence = parse_sentence(body)
            except FrameError:
                self.malformed += 1
                continue
            if sentence is not None:
                ended += self.epochs.add(sentence, arrival_ns)
        return self._judge(ended)

    def finish(self):
        """Return the fix believed of what is still open."""
        return self._judge(self.epochs.flush())

    def _judge(self, epochs):
        fixes = [self.gate.judge(epoch) for epoch in epochs]
        return [fix for fix in fixes if fix is not None]


def play(pieces, start_s=100.0, step_s=1.0, limits=None):
    """Play one piece of bytes a step; return the chain and, for each piece, the fixes believed."""
    chain = Chain(limits)
    return chain, [chain.push(piece, start_s + i * step_s) for i, piece in enumerate(pieces)]
