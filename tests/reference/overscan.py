"""Gives every frame below a folder an overscan: columns behind its image that see no light.

    python overscan.py FOLDER COLUMNS LEVEL

Frames that cannot be read whole stay as they are.
"""

import pathlib
import sys
import warnings

import numpy as np
from astropy.io import fits
from astropy.utils.exceptions import AstropyUserWarning

# A frame that was cut off is only warned of.
warnings.simplefilter("error", AstropyUserWarning)
folder, columns, level = pathlib.Path(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3])
paths = [path for path in folder.rglob("*") if path.name.endswith((".fits", ".fits.gz"))]
for number, path in enumerate(sorted(paths)):
    try:
        pixels, header = fits.getdata(path, header=True)
    except (OSError, AstropyUserWarning):
        continue
    shape = (pixels.shape[0], columns)
    unlit = np.random.default_rng(number).normal(level, 4, shape).round().astype(np.uint16)
    fits.writeto(path, np.hstack([pixels, unlit]), header, overwrite=True)
