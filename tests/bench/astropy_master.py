"""The yardstick that astronomers know: the same master by numpy and astropy, on the same files.

    astropy_master.py FOLDER OUTPUT

Reads every frame of FOLDER through memory maps, clips with astropy.stats.sigma_clip around the
median (4 and 3 standard deviations, at most 5 rounds), takes the mean, writes it with checksums,
and prints the seconds that took without the start of Python. A few rows at a time, since 40 frames
of 26 megapixels as floating point do not fit the memory of most machines.
"""

import sys
import time
from pathlib import Path

import numpy as np
from astropy.io import fits
from astropy.stats import sigma_clip

ROWS = 64

files = sorted(Path(sys.argv[1]).glob("*.fits"))
begun = time.perf_counter()
images = [fits.open(file, memmap=True, do_not_scale_image_data=True)[0] for file in files]
height, width = images[0].data.shape
master = np.empty((height, width), np.float32)
for first in range(0, height, ROWS):
    stored = np.stack([image.data[first : first + ROWS] for image in images])
    samples = stored.astype(np.float32) + 32768
    clipped = sigma_clip(samples, sigma_lower=4, sigma_upper=3, maxiters=5, axis=0, copy=False)
    master[first : first + ROWS] = clipped.mean(axis=0)
fits.PrimaryHDU(master).writeto(sys.argv[2], overwrite=True, checksum=True)
print(time.perf_counter() - begun)
