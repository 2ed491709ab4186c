"""Writes digests of a million masks of astropy.stats.sigma_clip, as text, to stdout.

The pixels are made of whole numbers only, by the rules in `sample`, which the test repeats. astropy
gets them as float64, so that nothing but clipping is compared.

A sample that lies exactly on a bound is kept by arithmetic without rounding, and by astropy where
its roundings happen to allow it. The script works out each mask in whole numbers as well and stops
where the two disagree, so that no digest hangs on a last digit.
"""

import astropy
import numpy as np
from astropy.stats import sigma_clip

assert (astropy.__version__, np.__version__) == ("8.0.2", "2.4.6")

COUNTS = [5, 8, 10, 11, 15, 20, 25, 32]
PEDESTALS = [500, 30500]
PIXELS = 62_500  # of each number of exposures at each pedestal: a million in all
ROUNDS = 5
# Limits in halves of a standard deviation.
SETTINGS = [("median", 6, 6), ("mean", 6, 5), ("median", 4, 3)]
# Steps of one ADU.
STEPS = 512


def mix(z):
    """The finaliser of SplitMix64 (Steele, Lea, Flood 2014) on its Weyl sequence."""
    z = (z + np.uint64(1)) * np.uint64(0x9E3779B97F4A7C15)
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return z ^ (z >> np.uint64(31))


def sample(block, exposure, pixel, pedestal):
    """Steps of 1/512 ADU: near normal with 9.2 ADU; one in 16 is struck, mostly upwards."""
    counter = (np.uint64(block) << np.uint64(40)) + (pixel << np.uint64(8)) + np.uint64(exposure)
    noise, strike = mix(np.uint64(2) * counter), mix(np.uint64(2) * counter + np.uint64(1))
    words = sum(((noise >> np.uint64(shift)) & np.uint64(0xFFFF)).astype(np.int64) for shift in (0, 16, 32, 48))
    steps = pedestal * STEPS + ((words - 131070) >> 3)
    far = ((strike >> np.uint64(8)) & np.uint64(0x3FFFFF)) >> ((strike >> np.uint64(40)) & np.uint64(7))
    kind = (strike & np.uint64(63)).astype(np.int64)
    signed = np.where(kind < 3, 1, np.where(kind == 3, -1, 0)) * far.astype(np.int64)
    return np.maximum(steps + signed, 0)


def exact(x, centre, low, high):
    """The mask in whole numbers; x has one row per exposure. The last bounds decide about all."""
    kept = np.ones(x.shape, bool)
    x = x - np.sort(x, axis=0)[len(x) // 2]
    for _ in range(ROUNDS):
        n = kept.sum(axis=0)
        total = np.where(kept, x, 0).sum(axis=0)
        variance = n * np.where(kept, x * x, 0).sum(axis=0) - total * total
        if centre == "mean":
            middle = 2 * total  # of 2 n x
        else:
            ranked = np.sort(np.where(kept, x, np.iinfo(np.int64).max), axis=0)
            at = np.arange(x.shape[1])
            middle = n * (ranked[(n - 1) // 2, at] + ranked[n // 2, at])
        away = 2 * n * x - middle  # in units of 1/(2 n); limits are halves
        # |away| > limit / 2 * 2 sqrt(variance)
        beyond = lambda limit: away * away > limit * limit * variance
        mask = np.where(away < 0, beyond(low), beyond(high))
        kept &= ~mask
    return mask


def digest(mask):
    """Sum of the mixed mask of each pixel."""
    bits = sum(row.astype(np.uint64) << np.uint64(at) for at, row in enumerate(mask))
    index = np.arange(len(bits), dtype=np.uint64)
    return int(np.sum(mix(bits ^ mix(index)), dtype=np.uint64))


for kind in ("u16", "f32"):
    for block, (count, pedestal) in enumerate((c, p) for c in COUNTS for p in PEDESTALS):
        pixel = np.arange(PIXELS, dtype=np.uint64)
        steps = np.array([sample(block, exposure, pixel, pedestal) for exposure in range(count)])
        if kind == "u16":
            whole = steps // STEPS
            values = whole.astype(np.uint16).astype(float)
        else:
            values = (steps / STEPS).astype(np.float32).astype(float)
            whole = (values * STEPS).astype(np.int64)
        for centre, low, high in SETTINGS:
            mask = sigma_clip(
                values, sigma_lower=low / 2, sigma_upper=high / 2, maxiters=ROUNDS, cenfunc=centre, axis=0
            ).mask
            mask = np.broadcast_to(mask, values.shape)
            assert (mask == exact(whole, centre, low, high)).all(), (kind, count, pedestal, centre)
            limits = f"{low / 2:g} {high / 2:g} {ROUNDS}"
            print(kind, count, pedestal, centre, limits, int(mask.sum()), f"{digest(mask):016x}")
