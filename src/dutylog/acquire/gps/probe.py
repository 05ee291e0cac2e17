"""What is said of a receiver to people: why it is waiting, and the lines of `dutylog check`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from dutylog.acquire.driver import Finding
from dutylog.acquire.gps.dates import guess_true_date
from dutylog.acquire.gps.fixes import Fix

LOW_SATELLITES = 6
"""Four is the least for a fix in space (four unknowns); two more leave room for a bad one. Judgement."""
DAMAGED_SHARE = 0.02
"""Share of damaged sentences above which a line is looked at; a healthy one has none after the first. Judgement."""

_TEXTS = {
    "no_fix": "no fix: antenna needs sky",
    "estimated": "the receiver only estimates: antenna needs sky",
    "incomplete": "fixes without a speed or a position; look at what the receiver sends",
    "nowhere": "position 0, 0: the receiver has none yet",
    "disagree": "RMC and GGA name different places; check for a noisy line",
    "hdop": "satellites stand badly: antenna needs more sky",
    "too_fast": "a speed that no vehicle has isn't believed; check for a noisy line",
    "time_back": "the receiver's time went back; waiting until it is steady",
    "time_jump": "the receiver's time and ours part; waiting until it is steady",
    "speed_step": "a jump of speed isn't believed; waiting until fixes agree",
    "jump": "a jump of place isn't believed; waiting until fixes agree",
    "speed_mismatch": "speed and places don't go together; waiting until fixes agree",
    "settling": "first fixes: waiting until they agree",
}
"""By the reason of `gate.REASONS`."""


@dataclass(frozen=True, slots=True)
class Glance:
    """What is known of a receiver now.

    is_garbled: bytes came for some seconds, but no sentence. reason: why its newest epoch isn't believed, '' if
    it is or none came. date_reason: the same of the newest date.
    """

    port: str
    baud: int
    is_garbled: bool
    has_rmc: bool
    has_gga: bool
    reason: str
    satellites: int | None
    hdop: float | None
    date_reason: str
    last_date: date | None


def describe_waiting(glance: Glance) -> str:
    """Return one line: why there is no fix and what to do."""
    where = f"gps {glance.port}: "
    if glance.is_garbled:
        return (
            f"{where}bytes but no sentence of NMEA 0183 at {glance.baud} baud; set the receiver's own baud, "
            "switch its text sentences on"
        )
    if not glance.has_rmc and glance.has_gga and not glance.reason:
        return f"{where}sentences but no RMC; switch RMC and GGA on in the receiver"
    text = _TEXTS.get(glance.reason, "waiting for the first fix")
    seen = "" if glance.satellites is None else f" ({glance.satellites} satellites used)"
    return f"{where}{text}{seen}"


def list_findings(
    glance: Glance, gained: Mapping[str, int], byte_count: int, seconds: float, fix: Fix | None
) -> list[Finding]:
    """Return the lines of `dutylog check`.

    Args:
        glance: what is known. gained: counters over the look of so many `seconds`. byte_count: bytes in it.
        fix: the newest one believed in it, None without.
    """
    findings = [_judge_line(glance, gained, byte_count, seconds)]
    if gained["sentences"] == 0:
        return findings
    findings.append(_judge_fix(glance, gained, fix))
    if glance.satellites is not None:
        findings.append(_judge_sky(glance))
    findings += _judge_date(glance)
    return findings


def _judge_line(glance: Glance, gained: Mapping[str, int], byte_count: int, seconds: float) -> Finding:
    subject = f"gps {glance.port}"
    sentences, damaged = gained["sentences"], gained["bad_checksums"] + gained["broken"] + gained["malformed"]
    if byte_count == 0:
        return Finding(subject, "fail", f"no byte in {seconds:.0f} s", "check power, plug and the port's name")
    if sentences == 0:
        return Finding(
            subject, "fail", f"{byte_count} bytes, no sentence at {glance.baud} baud", "set the receiver's own baud"
        )
    text = f"{sentences / seconds:.1f} sentences a second, {damaged} damaged"
    # One may be cut at the start of the look.
    if damaged > 1 and damaged > DAMAGED_SHARE * sentences:
        return Finding(subject, "look", text, "check wires, ground and baud; fewer sentences or a higher baud help")
    if gained["rmc"] == 0:
        return Finding(subject, "fail", f"{text}, no RMC among them", "switch RMC and GGA on in the receiver")
    return Finding(subject, "pass", text)


def _judge_fix(glance: Glance, gained: Mapping[str, int], fix: Fix | None) -> Finding:
    if fix is not None:
        return Finding("gps fix", "pass", f"{gained['fixes']} believed, {fix.speed_mps:.1f} m/s")
    text = _TEXTS.get(glance.reason, "no fix yet")
    return Finding("gps fix", "look", text, "give the antenna sky and wait; from cold it takes some minutes")


def _judge_sky(glance: Glance) -> Finding:
    text = f"{glance.satellites} satellites used"
    text += ", no dilution told" if glance.hdop is None else f", horizontal dilution {glance.hdop:.1f}"
    if (glance.satellites or 0) < LOW_SATELLITES:
        return Finding("gps sky", "look", text, "move the antenna to where it sees more sky, away from metal above it")
    return Finding("gps sky", "pass", text)


def _judge_date(glance: Glance) -> list[Finding]:
    if glance.last_date is None or glance.date_reason not in ("before_build", "too_late", "rollover"):
        return []
    guess = guess_true_date(glance.last_date)
    text = f"date {glance.last_date} isn't believed"
    if guess is not None:
        text += f"; if its week number rolled over it is {guess}"
    remedy = "place and speed are used all the same, its clock isn't; a newer firmware of the receiver may help"
    return [Finding("gps date", "look", text, remedy)]
