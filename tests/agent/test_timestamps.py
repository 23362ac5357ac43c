from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from noonmark.agent.timestamps import (
    SECOND_NS,
    WireError,
    decode_error_estimate,
    decode_ntp,
    decode_ptp,
    decode_timestamp,
    encode_error_estimate,
    encode_ntp,
    encode_ptp,
)

ERA = 2**32 * SECOND_NS
times = st.integers(min_value=-60 * 365 * 86400 * SECOND_NS, max_value=500 * 365 * 86400 * SECOND_NS)
near = st.integers(min_value=-ERA // 2 + SECOND_NS, max_value=ERA // 2 - SECOND_NS)


@given(times, near)
def test_ntp_keeps_every_nanosecond_within_68_years_of_the_pivot(time_ns: int, away_ns: int) -> None:
    assert decode_ntp(encode_ntp(time_ns), time_ns + away_ns) == time_ns


@given(times, near)
def test_ptp_keeps_every_nanosecond_within_68_years_of_the_pivot(time_ns: int, away_ns: int) -> None:
    assert decode_ptp(encode_ptp(time_ns), time_ns + away_ns) == time_ns


def test_ntp_rounds_up_to_a_whole_second_when_decoding() -> None:
    assert decode_ntp(0xE8FE6F80_FFFFFFFF, 1_700_000_000 * SECOND_NS) == 1_700_000_001 * SECOND_NS


def test_ntp_passes_the_era_of_2036() -> None:
    rollover_s = 2**32 - 2_208_988_800  # 2036-02-07T06:28:16Z, RFC 5905 figure 4
    assert encode_ntp(rollover_s * SECOND_NS) == 0
    assert decode_ntp(0, (rollover_s - 5) * SECOND_NS) == rollover_s * SECOND_NS


def test_ptp_with_a_second_of_nanoseconds_is_refused() -> None:
    with pytest.raises(WireError, match="nanoseconds"):
        decode_ptp(SECOND_NS, 0)


@given(st.integers(min_value=0, max_value=2**63 * SECOND_NS))
def test_error_estimate_is_never_below_and_at_most_a_128th_above(error_ns: int) -> None:
    decoded = decode_error_estimate(encode_error_estimate(error_ns, synchronized=True))
    limit = 255 * 2**31 * SECOND_NS
    if error_ns <= limit:
        assert decoded.error_ns >= error_ns
        assert decoded.error_ns <= error_ns + error_ns // 127 + 1
    else:
        assert (decoded.scale, decoded.multiplier) == (63, 255)


@given(st.integers(min_value=0, max_value=0xFFFF))
def test_error_estimate_field_is_read_or_refused(field: int) -> None:
    if field & 0xFF == 0:
        with pytest.raises(WireError, match="multiplier"):
            decode_error_estimate(field)
        return
    decoded = decode_error_estimate(field)
    again = decoded.synchronized << 15 | decoded.ptp << 14 | decoded.scale << 8 | decoded.multiplier
    assert again == field


def test_error_estimate_names_the_format_of_its_packet() -> None:
    at = 1_700_000_000_123_456_789
    assert decode_timestamp(encode_ptp(at), encode_error_estimate(1, synchronized=False, ptp=True), at) == at
    assert decode_timestamp(encode_ntp(at), encode_error_estimate(1, synchronized=False), at) == at
