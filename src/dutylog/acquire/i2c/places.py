"""Where chips may sit: no two at one place, none at a multiplexer's address, none hidden behind another."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from dutylog.acquire.i2c.bus import HIGHEST_ADDRESS, LOWEST_ADDRESS
from dutylog.acquire.i2c.tca9548a import BRANCHES, describe
from dutylog.config.sensors import ChipPlace
from dutylog.errors import InputError


def used_addresses(places: Iterable[ChipPlace]) -> set[int]:
    """Return every address where a chip or a multiplexer is meant to be."""
    used: set[int] = set()
    for place in places:
        used.add(place.address)
        if place.multiplexer is not None:
            used.add(place.multiplexer)
    return used


def check_places(bus_number: int, places: Sequence[ChipPlace]) -> None:
    """Refuse places that can't work on one bus; InputError names the first."""
    multiplexers = {place.multiplexer for place in places if place.multiplexer is not None}
    trunk = {place.address for place in places if place.multiplexer is None}
    for place in places:
        if place.bus != bus_number:
            raise InputError(f"chip at {describe(place)} isn't on I²C bus {bus_number}")
        if not LOWEST_ADDRESS <= place.address <= HIGHEST_ADDRESS:
            raise InputError(f"chip at {describe(place)}: addresses are 0x08 to 0x77")
        if (place.multiplexer is None) != (place.branch is None) or not 0 <= (place.branch or 0) < BRANCHES:
            raise InputError(f"chip at {describe(place)}: a multiplexer and its branch 0 to 7 go together")
        if place.address in multiplexers:
            raise InputError(f"chip at {describe(place)} has the address of a multiplexer")
        if place.multiplexer is not None and place.address in trunk:
            raise InputError(f"chip at {describe(place)}: another one without a multiplexer has the same address")
        if sum(place == other for other in places) > 1:
            raise InputError(f"more than one chip at {describe(place)}")
