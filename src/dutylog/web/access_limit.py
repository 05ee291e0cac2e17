"""How often somebody may try a code: fewer and fewer times for an address, and so many in all."""

from __future__ import annotations

import ipaddress
from collections import OrderedDict
from dataclasses import dataclass

from dutylog.clock import Clock
from dutylog.units import NS_PER_S

FREE_COUNT = 4
"""So many wrong codes of an address are without a wait: gloves, sun, a phone that corrects words."""
FIRST_WAIT_S, LONGEST_WAIT_S = 2.0, 300.0
FORGET_S = 3600.0
"""An address that kept quiet for so long begins anew."""
MOST_ADDRESSES = 512
BURST_COUNT, REFILL_S = 30, 10.0
"""In all: so many at once, then one each so many seconds, 8640 a day. All of these are judgement."""
MOST_KNOWN = 64
_LONGEST_ADDRESS = 64


@dataclass(slots=True)
class _Tries:
    count: int = 0
    not_before_ns: int = 0
    seen_ns: int = 0


class SignInLimit:
    """Says who may try now. Each try counts as wrong from its beginning, so many at once gain nothing.

    Its tables are bounded however many addresses come; an address that signed in before isn't held up by what
    others do.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._tries: OrderedDict[str, _Tries] = OrderedDict()
        self._known: OrderedDict[str, None] = OrderedDict()
        self._left = float(BURST_COUNT)
        self._refilled_ns = clock.mono_ns()

    def wait_s(self, address: str) -> float:
        """Take a try of an address: 0 when it may go on, else how long to wait; a refused one counts for nothing."""
        now_ns, key = self._clock.mono_ns(), address_key(address)
        tries = self._tries.pop(key, None)
        if tries is None or now_ns - tries.seen_ns > FORGET_S * NS_PER_S:
            tries = _Tries()
        self._tries[key] = tries
        if len(self._tries) > MOST_ADDRESSES:
            self._tries.popitem(last=False)
        if now_ns < tries.not_before_ns:
            return (tries.not_before_ns - now_ns) / NS_PER_S
        if key not in self._known:
            wait_s = self._take_s(now_ns)
            if wait_s > 0.0:
                return wait_s
        tries.count += 1
        tries.seen_ns = now_ns
        tries.not_before_ns = now_ns + round(_wait_after_s(tries.count) * NS_PER_S)
        return 0.0

    def succeeded(self, address: str) -> None:
        """Note that the code was right."""
        key = address_key(address)
        if key not in self._known:
            self._left = min(self._left + 1.0, BURST_COUNT)
        self._tries.pop(key, None)
        self._known.pop(key, None)
        self._known[key] = None
        if len(self._known) > MOST_KNOWN:
            self._known.popitem(last=False)

    def forget_known(self) -> None:
        """Forget who signed in before: the code is another one now."""
        self._known.clear()

    @property
    def addresses_count(self) -> int:
        """Return how many addresses are remembered."""
        return len(self._tries) + len(self._known)

    def _take_s(self, now_ns: int) -> float:
        """Take one of the tries that all share; return 0, or how long until there is one [s]."""
        self._left = min(BURST_COUNT, self._left + (now_ns - self._refilled_ns) / (REFILL_S * NS_PER_S))
        self._refilled_ns = now_ns
        if self._left < 1.0:
            return (1.0 - self._left) * REFILL_S
        self._left -= 1.0
        return 0.0


def address_key(address: str) -> str:
    """Return what counts as one address: of IPv6 its first 64 bits, since a household has them all.

    Source: RFC 4291, 2.5.4 (64 bits name the interface); RFC 4291, 2.5.5.2 (IPv4 written as IPv6).
    """
    try:
        ip = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address[:_LONGEST_ADDRESS]
    if isinstance(ip, ipaddress.IPv6Address):
        if ip.ipv4_mapped is not None:
            return str(ip.ipv4_mapped)
        return str(ipaddress.IPv6Network((ip, 64), strict=False))
    return str(ip)


def _wait_after_s(count: int) -> float:
    """Return the wait after so many wrong codes: none at first, then doubling."""
    if count < FREE_COUNT:
        return 0.0
    return float(min(FIRST_WAIT_S * 2 ** min(count - FREE_COUNT, 16), LONGEST_WAIT_S))
