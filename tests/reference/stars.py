"""Writes the stars of the fields in ../data/statistics/fields to stdout, the brightest first.

The sparse field's are sep's, the crowded one's photutils'. A line holds column, row, flux above the
background in ADU, and 1 where no other of the field's stars lies within ten pixels.
"""

import sys
from pathlib import Path

import numpy as np
import photutils
import sep
from photutils.detection import DAOStarFinder

assert (sep.__version__, np.__version__, photutils.__version__) == ("1.4.1", "2.4.6", "3.0.0")

FIELDS = [("sparse", 256, 2.92273835509, 3713.66692596), ("crowded", 300, 1.0, 0.0)]

for name, side, scale, zero in FIELDS:
    raw = np.fromfile(Path(sys.argv[1]) / "fields" / f"{name}.i16", ">i2").reshape(side, side)
    pixels = (raw.astype(float) * scale + zero).astype(np.float32)
    background = sep.Background(pixels)
    above = pixels - background.back()
    if name == "sparse":
        found = sep.extract(above, 5.0, err=background.globalrms)
        stars = np.column_stack([found["x"], found["y"], found["flux"]])
    else:
        finder = DAOStarFinder(threshold=5.0 * background.globalrms, fwhm=3.0)
        found = finder(above)
        stars = np.column_stack([found["x_centroid"], found["y_centroid"], found["flux"]])
    stars = stars[np.argsort(-stars[:, 2])]
    print(f"field {name} {side} {scale!r} {zero!r} {len(stars)}")
    for x, y, flux in stars:
        alone = np.sum(np.hypot(stars[:, 0] - x, stars[:, 1] - y) < 10.0) == 1
        print(f"{x:.3f} {y:.3f} {flux:.1f} {int(alone)}")
