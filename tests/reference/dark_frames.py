"""Packs dark frames of EMVA 1288 reference set 001 into compressed FITS files.

Source: repository EMVA1288/datasets, revision 82e5430, folder
EMVA1288_ReferenceSet_001_CCD_12Bit (C) 2011 Basler AG, author M. Grimm, licence CC BY-SA 3.0
(https://creativecommons.org/licenses/by-sa/3.0/). The files made here are under the same licence.

    python dark_frames.py FOLDER_WITH_PNG ../data/darks

Pixels are those of the PNG files, losslessly compressed; the headers are invented.
"""

import pathlib
import struct
import sys
import zlib

import astropy
import numpy as np
from astropy.io import fits

assert astropy.__version__ == "8.0.2", astropy.__version__

# The exposures are of 0.04 to 7.2 ms: no dark charge to speak of, so they count as bias frames.
INDICES = [0, 3, 6, 9, 12, 15, 18, 21, 25]


def grey16(path):
    """Pixels of a 16-bit grey PNG without interlacing."""
    data = path.read_bytes()
    place, packed = 8, b""
    while place < len(data):
        length, kind = struct.unpack(">I4s", data[place : place + 8])
        chunk = data[place + 8 : place + 8 + length]
        if kind == b"IHDR":
            width, height, depth, colour, _, _, interlace = struct.unpack(">IIBBBBB", chunk)
            assert (depth, colour, interlace) == (16, 0, 0), path
        elif kind == b"IDAT":
            packed += chunk
        place += 12 + length
    lines = np.frombuffer(zlib.decompress(packed), np.uint8).reshape(height, 1 + 2 * width)
    above = [0] * (2 * width)
    rows = []
    for line in lines:
        kind, row = line[0], [int(byte) for byte in line[1:]]
        for x in range(2 * width):
            a = row[x - 2] if x >= 2 else 0
            b = above[x]
            c = above[x - 2] if x >= 2 else 0
            p = a + b - c
            nearest = min((abs(p - a), 0, a), (abs(p - b), 1, b), (abs(p - c), 2, c))[2]
            row[x] = (row[x] + [0, a, b, (a + b) // 2, nearest][kind]) & 255
        above = row
        rows.append(np.array(row, np.uint8))
    return np.array(rows).view(">u2").astype(np.uint16)


def main(source, target):
    target.mkdir(parents=True, exist_ok=True)
    names = [f"d_{index:03}_snap_{snap:03}.png" for index in INDICES for snap in (1, 2)]
    for number, name in enumerate(names):
        pixels = grey16(source / name)
        header = fits.Header()
        header["IMAGETYP"] = "Bias"
        header["INSTRUME"] = "Wryneck 3"
        header["EXPTIME"] = 0.0
        header["DATE-OBS"] = f"2026-09-05T20:{number:02}:00"
        header["ORIGFILE"] = name
        image = fits.CompImageHDU(pixels, header, compression_type="RICE_1")
        image.writeto(target / f"dark_{number:02}.fits.fz", overwrite=True)


if __name__ == "__main__":
    main(pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2]))
