"""Waveforms stored small and without loss: differences, zigzag, byte planes, then zlib's run-length strategy."""

import hashlib
import zlib
from typing import Final

import numpy as np
from numpy.typing import NDArray

CODEC: Final = "delta-zigzag-planes-zlib-1"
Counts = NDArray[np.int8] | NDArray[np.int16]


def waveform_digest(counts: Counts) -> str:
    """Digest of the samples as little-endian bytes, with their width, so that 8 and 16 bits differ."""
    plain = np.ascontiguousarray(counts, counts.dtype.newbyteorder("<"))
    return "sha256:" + hashlib.sha256(f"int{8 * plain.itemsize}:".encode() + plain.tobytes()).hexdigest()


def pack(counts: Counts) -> bytes:
    """Compress samples, shape (n,), exact over the full range of int8 and int16.

    Raises
    ------
    TypeError
        The samples are of another type or shape.
    """
    if counts.ndim != 1 or counts.dtype not in (np.dtype(np.int8), np.dtype(np.int16)):
        raise TypeError(f"waveforms are int8 or int16 of one dimension, got {counts.dtype} of {counts.ndim}")
    width = counts.itemsize
    plain = np.ascontiguousarray(counts, f"<i{width}")
    steps = plain.copy()
    # Differences wrap around in their own width and so come back exactly.
    steps[1:] -= plain[:-1]
    zigzag = (steps << 1) ^ (steps >> (8 * width - 1))
    planes = zigzag.view(np.uint8).reshape(-1, width).T
    squeeze = zlib.compressobj(6, zlib.DEFLATED, zlib.MAX_WBITS, 9, zlib.Z_RLE)
    return squeeze.compress(planes.tobytes()) + squeeze.flush()


def unpack(packed: bytes, samples: int, width: int) -> Counts:
    """Return the samples that `pack` was given.

    Raises
    ------
    ValueError
        The bytes are damaged, or do not hold so many samples.
    """
    try:
        raw = zlib.decompress(packed)
    except zlib.error as error:
        raise ValueError(f"the waveform cannot be unpacked: {error}") from None
    if len(raw) != samples * width or width not in (1, 2):
        raise ValueError(f"the waveform holds {len(raw)} bytes, due are {samples} samples of {width}")
    planes = np.frombuffer(raw, np.uint8).reshape(width, -1)
    zigzag = np.ascontiguousarray(planes.T).reshape(-1).view(f"<u{width}")
    steps = (zigzag >> 1).astype(f"<i{width}") ^ -(zigzag & 1).astype(f"<i{width}")
    summed: Counts = np.cumsum(steps, dtype=f"<i{width}")
    return summed
