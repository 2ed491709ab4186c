"""Means and temporal variances of EMVA 1288 reference set 001, nine of its levels, and three pairs of
its flats packed into compressed FITS files.

Source and licence: see dark_frames.py.

    python photon_transfer.py FOLDER_WITH_PNG photon_transfer.txt ../data/flats

A variance is that of one frame by the difference of two around its mean (release 4 of the standard),
n pixels of it. The figures by which the table is checked are those of the reference implementation
emva1288 1.0.2 on the same nine levels.
"""

import pathlib
import sys

import numpy as np
from astropy.io import fits

from dark_frames import grey16

INDICES = [0, 3, 6, 9, 12, 15, 18, 21, 25]
PACKED = [3, 15, 25]


def main(source, table, target):
    target.mkdir(parents=True, exist_ok=True)
    lines = ["# index, mean and variance of the flats, mean and variance of the darks, DN"]
    for index in INDICES:
        line = [str(index)]
        for kind in "bd":
            pair = [grey16(source / f"{kind}_{index:03}_snap_{snap:03}.png").astype(float) for snap in (1, 2)]
            line += [f"{np.mean(pair):.9f}", f"{np.var(pair[0] - pair[1]) / 2:.9f}"]
        lines.append(" ".join(line))
    table.write_text("\n".join(lines) + "\n")
    for number, index in enumerate(PACKED):
        for snap in (1, 2):
            name = f"b_{index:03}_snap_{snap:03}.png"
            header = fits.Header()
            header["IMAGETYP"] = "Flat"
            header["INSTRUME"] = "Wryneck 3"
            header["EXPTIME"] = 1.0
            header["DATE-OBS"] = f"2026-09-05T19:{2 * number + snap:02}:00"
            header["ORIGFILE"] = name
            image = fits.CompImageHDU(grey16(source / name), header, compression_type="RICE_1")
            image.writeto(target / f"flat_{index:03}_{snap}.fits.fz", overwrite=True)


if __name__ == "__main__":
    main(*map(pathlib.Path, sys.argv[1:4]))
