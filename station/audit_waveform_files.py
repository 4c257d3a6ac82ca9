"""Waveforms as files that other programs read."""

import io
from collections.abc import Iterator, Sequence
from itertools import groupby

import numpy as np

from db.store import StoredWaveform


def waveform_files(waveforms: Sequence[StoredWaveform], form: str) -> Iterator[tuple[str, bytes]]:
    """Return names and contents of a record's waveforms.

    Parameters
    ----------
    waveforms
        In the order of the record, by captures and in each by channels.
    form
        `csv`: one file a capture, with the time and for each channel counts and volts; `numpy`: counts, one file a
        channel.
    """
    for capture, group in groupby(waveforms, key=lambda w: w.capture):
        channels = list(group)
        if form == "csv":
            yield f"capture-{capture:03}.csv", _csv(channels)
            continue
        for place, waveform in enumerate(channels, start=1):
            raw = io.BytesIO()
            little = waveform.counts.astype(waveform.counts.dtype.newbyteorder("<"))
            np.lib.format.write_array(raw, little, version=(1, 0), allow_pickle=False)
            yield f"capture-{capture:03}-{place}.npy", raw.getvalue()


def _csv(channels: Sequence[StoredWaveform]) -> bytes:
    first = channels[0]
    columns = [[f"{i * first.interval_s:.9g}" for i in range(first.counts.size)]]
    heads = ["t_s"]
    for waveform in channels:
        signal = "".join(c if c.isalnum() or c in "-_" else "_" for c in waveform.signal)
        heads += [f"{signal} {waveform.counts.dtype.name} counts", f"{signal} V"]
        # Few values occur, often: each is written out once.
        values, places = np.unique(waveform.counts, return_inverse=True)
        cells = [f"{v},{v * waveform.scale_v + waveform.offset_v:.7g}" for v in values.tolist()]
        columns.append([cells[place] for place in places.tolist()])
    rows = [",".join(heads), *map(",".join, zip(*columns, strict=True))]
    return ("\n".join(rows) + "\n").encode()
