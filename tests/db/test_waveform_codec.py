"""Waveforms come back bit for bit, small, and damaged ones are refused."""

import hashlib
import zlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from db.waveform_codec import CODEC, pack, unpack, waveform_digest

WAVES = st.sampled_from([np.int8, np.int16]).flatmap(lambda t: hnp.arrays(t, st.integers(0, 300)))


@settings(deadline=None, max_examples=150)
@given(WAVES)
def test_any_samples_come_back_as_they_were(counts: np.ndarray) -> None:
    back = unpack(pack(counts), counts.size, counts.dtype.name, CODEC)
    assert back.dtype == counts.dtype
    assert np.array_equal(back, counts)


@pytest.mark.parametrize("dtype", [np.int8, np.int16])
def test_the_greatest_steps_of_the_range_come_back(dtype: type[np.int8 | np.int16]) -> None:
    low, high = np.iinfo(dtype).min, np.iinfo(dtype).max
    counts = np.array([low, high, low, 0, high, high, low, -1], dtype=dtype)
    assert np.array_equal(unpack(pack(counts), 8, np.dtype(dtype).name), counts)


def test_a_view_with_gaps_is_packed_as_what_it_shows() -> None:
    every_other = np.arange(100, dtype=np.int16)[::2]
    assert np.array_equal(unpack(pack(every_other), 50, "int16"), every_other)
    assert waveform_digest(every_other) == waveform_digest(every_other.copy())


def test_samples_in_the_other_byte_order_are_the_same_samples() -> None:
    plain = np.array([1, -300, 7], "<i2")
    assert waveform_digest(plain.astype(">i2")) == waveform_digest(plain)
    assert pack(plain.astype(">i2")) == pack(plain)


def test_the_digest_can_be_made_with_any_sha256_tool_and_tells_8_from_16_bits() -> None:
    counts = np.array([1, 0, -2], dtype=np.int16)
    assert waveform_digest(counts) == "sha256:" + hashlib.sha256(b"int16:\x01\x00\x00\x00\xfe\xff").hexdigest()
    assert waveform_digest(np.zeros(2, np.int8)) != waveform_digest(np.zeros(1, np.int16))


def test_a_noisy_sine_and_a_square_wave_shrink_to_less_than_half() -> None:
    # A 12-bit sine with 1.5 LSB of noise and a clean square: what a capture mostly holds.
    rng = np.random.default_rng(7)
    t = np.arange(50_000)
    sine = np.rint(1800 * np.sin(t / 300) + rng.normal(0, 1.5, t.size)).astype(np.int16)
    square = np.where(np.sin(t / 300) > 0, 100, -100).astype(np.int8)
    assert len(pack(sine)) < sine.nbytes / 2
    assert len(pack(square)) < square.nbytes / 50


@settings(deadline=None, max_examples=150)
@given(WAVES.filter(lambda w: w.size > 0), st.data())
def test_damaged_bytes_are_refused_or_do_not_pass_for_other_samples(counts: np.ndarray, data: st.DataObject) -> None:
    packed = bytearray(pack(counts))
    packed[data.draw(st.integers(0, len(packed) - 1))] ^= data.draw(st.integers(1, 255))
    try:
        back = unpack(bytes(packed), counts.size, counts.dtype.name)
    except ValueError:
        return
    # A flip in zlib's header can leave the samples as they were; never may it give others unseen.
    assert np.array_equal(back, counts)


@pytest.mark.parametrize(
    ("samples", "dtype", "codec", "sentence"),
    [
        (4, "int16", CODEC, "does not hold the 4 samples of int16"),
        (2, "int16", CODEC, "does not hold the 2 samples of int16"),
        (3, "int32", CODEC, "packed as int32 by"),
        (3, "int16", "raw-1", "by 'raw-1'; known are int8, int16 by"),
    ],
)
def test_what_was_not_packed_so_is_not_unpacked_so(samples: int, dtype: str, codec: str, sentence: str) -> None:
    with pytest.raises(ValueError, match=sentence):
        unpack(pack(np.array([1, 2, 3], np.int16)), samples, dtype, codec)


def test_bytes_that_would_fill_the_memory_are_not_unpacked() -> None:
    bomb = zlib.compress(bytes(50_000_000))
    with pytest.raises(ValueError, match="does not hold the 10 samples"):
        unpack(bomb, 10, "int8")
    with pytest.raises(ValueError, match="cannot be unpacked"):
        unpack(b"no stream at all", 10, "int8")
    with pytest.raises(ValueError, match="does not hold"):
        unpack(pack(np.arange(50, dtype=np.int8))[:-3], 50, "int8")


@pytest.mark.parametrize("counts", [np.zeros(3), np.zeros((2, 2), np.int8), np.zeros(3, np.uint8)])
def test_other_types_and_shapes_are_refused(counts: np.ndarray) -> None:
    for use in (pack, waveform_digest):
        with pytest.raises(TypeError, match="waveforms are int8 or int16 of one dimension"):
            use(counts)
