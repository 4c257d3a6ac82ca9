"""Waveforms stored small and without loss: differences, zigzag, byte planes, then zlib's run-length strategy."""

import hashlib
import zlib
from typing import Final

import numpy as np
from numpy.typing import NDArray

CODEC: Final = "delta-zigzag-planes-zlib-1"
"""Kept with every waveform: a later codec gets another name, and this one stays readable."""
Counts = NDArray[np.int8] | NDArray[np.int16]
_WIDTHS: Final = {"int8": 1, "int16": 2}
# 1032:1 is the most that deflate can do (zlib's technical notes, from memory).
_MOST_SAMPLES_A_BYTE: Final = 1032


def waveform_digest(counts: Counts) -> str:
    """Return `sha256:` and the SHA-256 of the type's name, a colon and the samples as little-endian bytes.

    Raises
    ------
    TypeError
        The samples are neither int8 nor int16 of one dimension.
    """
    _refuse_other_types(counts)
    plain = np.ascontiguousarray(counts, f"<i{counts.itemsize}")
    return "sha256:" + hashlib.sha256(f"{counts.dtype.name}:".encode() + plain.tobytes()).hexdigest()


def pack(counts: Counts) -> bytes:
    """Compress samples, shape (n,), exact over the full range of int8 and int16.

    Raises
    ------
    TypeError
        The samples are neither int8 nor int16 of one dimension.
    """
    _refuse_other_types(counts)
    width = counts.itemsize
    plain = np.ascontiguousarray(counts, f"<i{width}")
    steps = plain.copy()
    # Differences wrap around in their own width and so come back exactly.
    steps[1:] -= plain[:-1]
    zigzag = (steps << 1) ^ (steps >> (8 * width - 1))
    planes = zigzag.view(np.uint8).reshape(-1, width).T
    squeeze = zlib.compressobj(6, zlib.DEFLATED, zlib.MAX_WBITS, 9, zlib.Z_RLE)
    return squeeze.compress(planes.tobytes()) + squeeze.flush()


def unpack(packed: bytes, samples: int, dtype: str, codec: str = CODEC) -> Counts:
    """Return the samples that `pack` was given.

    Raises
    ------
    ValueError
        The bytes are damaged or do not hold so many samples, or the type or codec is not known.
    """
    if codec != CODEC or dtype not in _WIDTHS:
        raise ValueError(f"the waveform is packed as {dtype} by {codec!r}; known are {', '.join(_WIDTHS)} by {CODEC!r}")
    width = _WIDTHS[dtype]
    if not isinstance(samples, int) or not 0 <= samples <= _MOST_SAMPLES_A_BYTE * len(packed):
        raise ValueError(f"the waveform cannot hold {samples!r} samples in {len(packed)} bytes")
    due = samples * width
    try:
        # Never more than is due, so that damaged bytes cannot ask for all memory.
        stream = zlib.decompressobj()
        raw = stream.decompress(packed, due + 1)
    except zlib.error as error:
        raise ValueError(f"the waveform cannot be unpacked: {error}") from None
    if len(raw) != due or not stream.eof or stream.unused_data:
        raise ValueError(f"the waveform does not hold the {samples} samples of {dtype} that are due")
    planes = np.frombuffer(raw, np.uint8).reshape(width, samples)
    zigzag = np.ascontiguousarray(planes.T).reshape(-1).view(f"<u{width}")
    steps = (zigzag >> 1).astype(f"<i{width}") ^ -(zigzag & 1).astype(f"<i{width}")
    summed: Counts = np.cumsum(steps, dtype=f"<i{width}")
    return summed


def _refuse_other_types(counts: Counts) -> None:
    if counts.ndim != 1 or counts.dtype.name not in _WIDTHS:
        raise TypeError(f"waveforms are int8 or int16 of one dimension, got {counts.dtype} of {counts.ndim}")
