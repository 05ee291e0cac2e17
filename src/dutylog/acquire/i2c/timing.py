"""How long transfers take and what rate of travel a bus truly reaches.

A byte on the wire is eight bits and an acknowledge; a transfer has a start and a stop, a register's read another start.
Source: I²C-bus specification (UM10204), data transfer; SMBus specification, byte and word protocols; from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from dutylog.errors import InputError

BUS_HZ = 100_000
"""The thermocouple converter allows no more (reference/10: bus_note)."""
READ_BYTE = WRITE_BYTE = 2 * 9 + 2
WRITE8, READ8 = 3 * 9 + 2, 4 * 9 + 3
WRITE16, READ16 = 4 * 9 + 2, 5 * 9 + 3
"""Bits of each kind of transfer."""
OVERHEAD_S = 0.1e-3
"""What the kernel adds to a transfer: a system call and interrupts; judgement, to be compared with `dutylog check`."""
TRAVEL_RATES_HZ = (200, 125, 100, 50, 25)
SLOW_HZ = 10
"""Readings a second of all that is slow."""
MOST_LOAD = 0.9
"""Share of the time that may be planned; the rest is for set-up and retries. Judgement."""
MULTIPLEXER = (WRITE_BYTE, READ_BYTE)
THERMOCOUPLE = (READ16, READ8, READ8, READ16, WRITE8)
"""A reading in its longest form: identity, status, one register in turn, hot junction, status cleared. The cold
junction in its turn is 9 bits more."""


@dataclass(frozen=True, slots=True)
class Budget:
    """What a bus is planned to do. rate_hz: of travel, 0 without. busy_ratio: share of time the wires are in use.

    round_s: from the start of a travel slot to the end of its last reading. sample_s: when the conversion of each step
    of a round is half done, behind the slot's instant.
    """

    rate_hz: int
    round_s: float
    sample_s: tuple[float, ...]
    busy_ratio: float


def transfer_s(bits: int) -> float:
    """Return the time of one transfer with what the kernel adds [s]."""
    return bits / BUS_HZ + OVERHEAD_S


def thermocouple_s(is_behind_multiplexer: bool) -> float:
    """Return the time of one thermocouple's reading [s]."""
    transfers = [*THERMOCOUPLE, *(MULTIPLEXER if is_behind_multiplexer else ())]
    return sum(map(transfer_s, transfers)) + 9 / BUS_HZ


def register_s(is_behind_multiplexer: bool) -> float:
    """Return the time of one look at a 16-bit register [s]."""
    return transfer_s(READ16) + (sum(map(transfer_s, MULTIPLEXER)) if is_behind_multiplexer else 0.0)


def conversion_s(longest_s: float, is_behind_multiplexer: bool) -> float:
    """Return the time of one conversion started, waited for and read [s]."""
    extra_s = sum(map(transfer_s, MULTIPLEXER)) if is_behind_multiplexer else 0.0
    return transfer_s(WRITE16) + longest_s + 2 * transfer_s(READ16) + extra_s


def plan_budget(travel: Sequence[tuple[int, float, bool]], slow_s: Sequence[float], slow_bits: int) -> Budget:
    """Return the highest rate of travel that leaves room for what is slow.

    A round starts the same step of all converters, waits once, then reads all; it is as long as that takes.
    Between two rounds at least one slow reading must fit, and a tenth of a second must have room for all of them.

    Args:
        travel: for each converter with travel inputs: number of them, longest conversion [s], behind a multiplexer.
        slow_s: time of each slow reading [s]. slow_bits: their bits in all, without the rest of their time.
    Raises:
        InputError: even the lowest rate leaves no room.
    """
    round_s, sample_s, bits = _plan_round(travel)
    if not travel:
        return Budget(0, 0.0, (), slow_bits * SLOW_HZ / BUS_HZ)
    for rate_hz in TRAVEL_RATES_HZ:
        gap_s = 1 / rate_hz - round_s
        fits_in_gap = int(gap_s / max(slow_s)) if slow_s else 0
        has_room = gap_s >= 0 and fits_in_gap * (rate_hz // SLOW_HZ) >= len(slow_s)
        if has_room and round_s * rate_hz + sum(slow_s) * SLOW_HZ <= MOST_LOAD:
            busy_ratio = (bits * rate_hz + slow_bits * SLOW_HZ) / BUS_HZ
            return Budget(rate_hz, round_s, tuple(sample_s), busy_ratio)
    raise InputError(
        f"{sum(count for count, _, _ in travel)} travel inputs and {len(slow_s)} slow readings are more than one "
        f"I²C bus at {BUS_HZ // 1000} kHz has time for; use a second bus, or the bridge for travel"
    )


def _plan_round(travel: Sequence[tuple[int, float, bool]]) -> tuple[float, list[float], int]:
    """Return a round's length [s], when each step's conversions are half done [s], and its bits."""
    round_s, sample_s, bits = 0.0, [], 0
    for step in range(max((count for count, _, _ in travel), default=0)):
        taking = [(longest_s, is_behind) for count, longest_s, is_behind in travel if count > step]
        switches = sum(is_behind for _, is_behind in taking)
        switch_s = switches * sum(map(transfer_s, MULTIPLEXER))
        started_s = round_s + len(taking) * transfer_s(WRITE16) + switch_s
        longest_s = max(longest for longest, _ in taking)
        sample_s.append(started_s + longest_s / 2)
        round_s = started_s + longest_s + len(taking) * 2 * transfer_s(READ16) + switch_s
        bits += len(taking) * (WRITE16 + 2 * READ16) + 2 * switches * sum(MULTIPLEXER)
    return round_s, sample_s, bits
