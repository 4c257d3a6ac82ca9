"""Whether a mains line meets the harmonics of an EMF."""

HARMONICS = range(1, 8)
LEAST_BINS = 1.5


def mains_rule(f_e_hz: float, mains_hz: float, duration_s: float) -> bool:
    """Say whether the mains frequency keeps 1.5 bins of the record from the first seven harmonics of the EMF."""
    return all(abs(mains_hz - k * f_e_hz) >= LEAST_BINS / duration_s for k in HARMONICS)


def bins_from_odd_harmonics(f_e_hz: float, mains_hz: float, duration_s: float) -> float:
    """Distance of the mains frequency from the nearest odd harmonic of the EMF, in bins of the record.

    Only these matter to the mean of both zeros: near an even harmonic rising and falling zeros move oppositely.
    """
    odd = 2 * round((mains_hz / f_e_hz - 1) / 2) + 1
    return abs(mains_hz - odd * f_e_hz) * duration_s
