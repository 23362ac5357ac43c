"""What a satellite receiver at a harbour says each second, with and without a fix: NMEA 0183 sentences. Pure."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

POSITIONS = {
    "quay": "5403.1200,N,00311.4500,W",
    "skerry": "5405.9800,N,00316.0200,W",
    "holm": "5401.3300,N,00308.8800,W",
}
"""Of the demonstration's harbours, all of them invented."""
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def sentence(body: str) -> bytes:
    """With its frame: `$`, the body, and the exclusive or of its octets."""
    value = 0
    for octet in body.encode("ascii"):
        value ^= octet
    return f"${body}*{value:02X}\r\n".encode("ascii")


def second(time_ns: int, harbour: str, *, fix: bool) -> bytes:
    """RMC, GGA, GSA and ZDA of the whole second that `time_ns` lies in.

    A jammed receiver goes on telling the time by its own clock, and says itself that it has no fix.
    """
    at = _EPOCH + timedelta(seconds=time_ns // 10**9)
    clock, date = f"{at:%H%M%S}.00", f"{at:%d%m%y}"
    position = POSITIONS[harbour] if fix else ",,,"
    bodies = (
        f"GNRMC,{clock},{'A' if fix else 'V'},{position},0.0,0.0,{date},,,{'A' if fix else 'N'}",
        f"GNGGA,{clock},{position},{1 if fix else 0},{9 if fix else 0:02d},0.9,12.0,M,50.0,M,,",
        f"GNGSA,A,{3 if fix else 1},04,05,,09,12,,,24,,,,,2.5,1.3,2.1",
        f"GNZDA,{clock},{at:%d,%m,%Y},00,00",
    )
    return b"".join(map(sentence, bodies))
