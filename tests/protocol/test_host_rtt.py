"""The retransmission timeout against RFC 6298, worked by hand."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocol.host.rtt import RoundTrip
from protocol.host.tuning import LinkTuning

WIDE = LinkTuning(rto_least_s=0.0, rto_most_s=1000.0)


def test_the_first_timeout_is_that_of_section_9() -> None:
    assert RoundTrip(LinkTuning()).rto_s == 0.25


def test_two_samples_by_hand() -> None:
    rtt = RoundTrip(WIDE)
    rtt.sample(0.1, 100)
    # RFC 6298 (2.2): SRTT = R, RTTVAR = R/2, RTO = SRTT + max(G, 4 RTTVAR) = 0.1 + 0.2
    assert rtt.rto_s == pytest.approx(0.3)
    rtt.sample(0.2, 100)
    # (2.3): RTTVAR = 3/4 0.05 + 1/4 |0.1 - 0.2| = 0.0625; SRTT = 7/8 0.1 + 1/8 0.2 = 0.1125
    assert rtt.rttvar_s == pytest.approx(0.0625)
    assert rtt.srtt_s == pytest.approx(0.1125)
    assert rtt.rto_s == pytest.approx(0.1125 + 0.25)


@given(st.lists(st.integers(1, 2000), min_size=1, max_size=60))
def test_any_samples_follow_the_formulas(samples_ms: list[int]) -> None:
    rtt = RoundTrip(WIDE)
    srtt, rttvar = Fraction(samples_ms[0]), Fraction(samples_ms[0], 2)
    rtt.sample(samples_ms[0] / 1000, 100)
    for sample in samples_ms[1:]:
        rttvar = Fraction(3, 4) * rttvar + Fraction(1, 4) * abs(srtt - sample)
        srtt = Fraction(7, 8) * srtt + Fraction(1, 8) * sample
        rtt.sample(sample / 1000, 100)
    assert rtt.srtt_s == pytest.approx(float(srtt) / 1000)
    assert rtt.rto_s == pytest.approx(float(srtt + max(1, 4 * rttvar)) / 1000)


def test_each_expiry_doubles_up_to_two_seconds_and_a_sample_ends_it() -> None:
    rtt = RoundTrip(LinkTuning())
    seen = [rtt.rto_s]
    for _ in range(6):
        rtt.back_off()
        seen.append(rtt.rto_s)
    assert seen == [0.25, 0.5, 1.0, 2.0, 2.0, 2.0, 2.0]
    rtt.sample(0.1, 100)
    assert rtt.rto_s == pytest.approx(0.3)


def test_the_floor_is_60_ms_and_a_pulse() -> None:
    rtt = RoundTrip(LinkTuning())
    rtt.sample(0.001, 100)
    assert rtt.rto_s == pytest.approx(0.06)
    rtt.set_pulse(0.05)
    assert rtt.rto_s == pytest.approx(0.11)
    rtt.back_off()
    assert rtt.rto_s == pytest.approx(0.22)


def test_the_line_is_as_fast_as_it_has_shown() -> None:
    rtt = RoundTrip(LinkTuning())
    # 10 bits a byte at 115200 baud until the line has shown better (SPEC H7).
    assert rtt.line_s(1152) == pytest.approx(0.1)
    rtt.sample(0.012, 1000)
    assert rtt.line_s(1000) == pytest.approx(0.012)
    rtt.sample(0.5, 1000)
    assert rtt.line_s(1000) == pytest.approx(0.012)
