"""Sizes and rates as people write them."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from refreshd.sizes import (
    RATE_EXAMPLES,
    RATE_PATTERN,
    SIZE_EXAMPLES,
    SIZE_PATTERN,
    parse_rate,
    parse_size,
    rate_text,
    size_text,
)

NONSENSE = ["", "4", "MiB", "0 MiB", "-4 MiB", "1.5 MiB", "4 mib", "4 Mb", "4 M", "4 MiB 3 KiB"]


@pytest.mark.parametrize(
    ("text", "size_bytes"),
    [
        ("4 MiB", 4_194_304),
        ("4 MB", 4_000_000),
        ("64 KiB", 65_536),
        ("64 kB", 64_000),
        ("1 GiB", 1_073_741_824),
        ("2 TB", 2_000_000_000_000),
        ("512 bytes", 512),
        ("4MiB", 4_194_304),
    ],
)
def test_binary_and_decimal_units_are_told_apart(text: str, size_bytes: int) -> None:
    """MiB is 1024 x 1024 bytes, MB a million (IEC 80000-13, SI)."""
    assert parse_size(text) == size_bytes
    assert parse_rate(f"{text}/s") == size_bytes


@pytest.mark.parametrize("text", [*NONSENSE, "4 MiB/s"])
def test_what_is_no_size_is_refused_with_the_allowed_forms(text: str) -> None:
    """Zero, fractions and bare numbers are refused; the message names the units."""
    with pytest.raises(ValueError, match=r"Allowed: .*KiB.*MiB.*4 MiB"):
        parse_size(text)


@pytest.mark.parametrize("text", [*NONSENSE, "150 MB", "150 MB/", "150 MB/h", "150 MBps"])
def test_what_is_no_rate_is_refused_with_the_allowed_forms(text: str) -> None:
    """A rate has its "/s"; without it nobody knows what was meant."""
    with pytest.raises(ValueError, match=r"Allowed: .*MB/s.*150 MB/s"):
        parse_rate(text)


@given(st.integers(1, 10**15))
def test_a_written_size_reads_back_as_itself(size_bytes: int) -> None:
    """Nothing is rounded away when a size is written out."""
    assert parse_size(size_text(size_bytes)) == size_bytes
    assert parse_rate(rate_text(size_bytes)) == size_bytes
    assert re.fullmatch(SIZE_PATTERN, size_text(size_bytes))
    assert re.fullmatch(RATE_PATTERN, rate_text(size_bytes))


@given(st.text(max_size=20))
def test_any_text_is_a_size_or_refused_with_a_reason(text: str) -> None:
    """No text makes the readers fail otherwise."""
    for parse in (parse_size, parse_rate):
        try:
            parse(text)
        except ValueError as err:
            assert "Allowed" in str(err)  # noqa: PT017 - either way is right, this one has a message


def test_every_example_that_is_offered_is_accepted() -> None:
    """A message never proposes what the reader would refuse."""
    assert all(parse_size(example) for example in SIZE_EXAMPLES)
    assert all(parse_rate(example) for example in RATE_EXAMPLES)


def test_a_size_is_written_in_the_unit_that_suits_it() -> None:
    """4194304 bytes are 4 MiB, 150000000 bytes are 150 MB."""
    assert size_text(4_194_304) == "4 MiB"
    assert rate_text(150_000_000) == "150 MB/s"
    assert size_text(1000) == "1 kB"
