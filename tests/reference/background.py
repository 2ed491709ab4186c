"""Writes sep's global background and noise of the fields in ../data/statistics/fields to stdout."""

import sys
from pathlib import Path

import numpy as np
import sep

assert (sep.__version__, np.__version__) == ("1.4.1", "2.4.6")

FIELDS = [("sparse", 256, 2.92273835509, 3713.66692596), ("crowded", 300, 1.0, 0.0)]

for name, side, scale, zero in FIELDS:
    raw = np.fromfile(Path(sys.argv[1]) / "fields" / f"{name}.i16", ">i2").reshape(side, side)
    found = sep.Background((raw.astype(float) * scale + zero).astype(np.float32))
    print(f"{name} {side} {scale!r} {zero!r} {found.globalback:.6f} {found.globalrms:.6f}")
