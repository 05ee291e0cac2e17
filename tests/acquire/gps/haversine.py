"""Distance by a formula that the program doesn't use."""

from __future__ import annotations

import math


def haversine_m(a_deg, b_deg):
    """Great-circle distance [m], on its own: haversine formula, mean radius of WGS 84."""
    lat1, lon1, lat2, lon2 = map(math.radians, (*a_deg, *b_deg))
    h = math.sin((lat2 - lat1) / 2) ** 2 + math.cos(lat1) * math.cos(lat2) * math.sin((lon2 - lon1) / 2) ** 2
    return 2 * 6_371_008.8 * math.asin(min(1.0, math.sqrt(h)))
