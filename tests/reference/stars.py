"""Writes sep's isolated bright stars of the fields in ../data/statistics/fields to stdout."""

import sys
from pathlib import Path

import numpy as np
import sep

assert (sep.__version__, np.__version__) == ("1.4.1", "2.4.6")

FIELDS = [("sparse", 256, 2.92273835509, 3713.66692596), ("crowded", 300, 1.0, 0.0)]

for name, side, scale, zero in FIELDS:
    raw = np.fromfile(Path(sys.argv[1]) / "fields" / f"{name}.i16", ">i2").reshape(side, side)
    pixels = (raw.astype(float) * scale + zero).astype(np.float32)
    background = sep.Background(pixels)
    above = pixels - background
    stars = sep.extract(above, 5.0, err=background.globalrms)
    print(f"field {name} {side} {scale!r} {zero!r} {len(stars)}")
    radius, _ = sep.flux_radius(above, stars["x"], stars["y"], 12.0 * np.ones(len(stars)), 0.5)
    order = np.argsort(-stars["flux"])
    for at in order:
        star = stars[at]
        print(f"{star['x']:.3f} {star['y']:.3f} {star['flux']:.1f} {star['a']:.3f} {star['b']:.3f} {2 * radius[at]:.3f} {star['flag']}")
