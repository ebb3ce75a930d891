from __future__ import annotations

from uuid import RFC_4122

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.record.uuid7 import uuid7


def test_the_example_of_rfc_9562() -> None:
    # RFC 9562 appendix A.6 (from memory): 2022-02-22T19:22:22Z, rand_a CC3, rand_b 18C4DC0C0C07398F
    random = ((0xCC3 << 68) | 0x18C4DC0C0C07398F).to_bytes(10, "big")
    assert str(uuid7(1645557742000, random)) == "017f22e2-79b0-7cc3-98c4-dc0c0c07398f"


@given(st.integers(0, 2**48 - 1), st.binary(min_size=10, max_size=10))
def test_version_variant_and_time_are_where_section_5_7_puts_them(unix_ms: int, random: bytes) -> None:
    made = uuid7(unix_ms, random)
    assert (made.version, made.variant) == (7, RFC_4122)
    assert made.int >> 80 == unix_ms


def test_later_sorts_later() -> None:
    assert str(uuid7(5, b"\xff" * 10)) < str(uuid7(6, b"\x00" * 10))


@pytest.mark.parametrize(("unix_ms", "random"), [(-1, b"0" * 10), (2**48, b"0" * 10), (1, b"0" * 9)])
def test_refuses_what_does_not_fit(unix_ms: int, random: bytes) -> None:
    with pytest.raises(ValueError):
        uuid7(unix_ms, random)
