"""Opens every FITS file below a folder with astropy and holds it to what it says of itself.

    python verify_products.py FOLDER

Checksums must hold, no warning may be given, and the level and noise that a header states must be
those of its pixels. Exits with 1 where a file fails and with 2 where there is none.
"""

import json
import pathlib
import sys
import warnings

import astropy
import numpy as np
from astropy.io import fits
from astropy.stats import mad_std, sigma_clipped_stats

assert (astropy.__version__, np.__version__) == ("8.0.2", "2.4.6")

# Side of a cell in which a light's background is measured.
CELL = 64


def background(pixels, wanted):
    """Level and noise of a light: medians over a mesh of cells whose stars are clipped away. Each
    node is the median of its cell and of those around it that have one opposite."""
    rows, columns = (-(-side // CELL) for side in pixels.shape)
    cells = np.empty((rows, columns, 2))
    for row, column in np.ndindex(rows, columns):
        part = np.s_[row * CELL : (row + 1) * CELL, column * CELL : (column + 1) * CELL]
        mean, median, sd = sigma_clipped_stats(pixels[part][wanted[part]], sigma=3, maxiters=None)
        skewed = abs(mean - median) >= 0.3 * sd
        cells[row, column] = (median if skewed else 2.5 * median - 1.5 * mean, sd)
    nodes = []
    for row, column in np.ndindex(rows, columns):
        down, right = min(row, rows - 1 - row, 1), min(column, columns - 1 - column, 1)
        around = cells[row - down : row + down + 1, column - right : column + right + 1]
        nodes.append(np.median(around, axis=(0, 1)))
    return np.median(nodes, axis=0)


def photosites(shape, cfa, colour):
    if cfa is None:
        return np.ones(shape, bool)
    unit = np.array(list(cfa)).reshape(2, 2) == colour
    return np.tile(unit, (shape[0] // 2 + 1, shape[1] // 2 + 1))[: shape[0], : shape[1]]


def statistics(header, pixels):
    """What the header states against what astropy and numpy find: name, stated, found, tolerance."""
    method, cfa = header["DLMETHOD"], json.loads(header["DLFACTS"])["camera"]["cfa"]
    if method.startswith("line/"):
        cfa = None
    yield "pixels", header["DLPIX"], pixels.size, 0
    if method.startswith(("light/", "line/")):
        # Of integers, the mode estimate multiplies half a step of the median by 2.5.
        added = header.get("DLADDED")
        level, noise = background(pixels - (added or 0), photosites(pixels.shape, cfa, "G"))
        yield "level", header["DLLEVEL"], level, 1e-3 * noise if added is None else 1.25
        yield "noise", header["DLNOISE"], noise, (1e-3 if added is None else 5e-3) * noise
        return
    # Of a master: from pixel to pixel of the same colour, in a part of the rows.
    apart = 1 if cfa is None else 2
    differences = (pixels[:, apart:] - pixels[:, :-apart]).ravel()
    noise = mad_std(differences) / np.sqrt(2)
    yield "noise", header["DLNOISE"], noise, 0.05 * noise
    if method.startswith("flat/"):
        for colour in sorted(set(cfa or "-")):
            mean = pixels[photosites(pixels.shape, cfa, colour)].mean()
            yield f"mean of {colour}", 1.0, mean, 1e-4
    else:
        yield "level", header["DLLEVEL"], np.median(pixels), 0.1 * noise


def halves(plane, master):
    """Rows of two half masters: their mean is near the master, whatever combined them."""
    rows = [int(row) for row in plane.header["DLROWS"].split()]
    one, other = np.split(plane.data.astype(float), 2)
    if one.shape != (len(rows), master.shape[1]):
        yield "DLHALVES: not two halves of the rows it names"
    elif np.median(abs((one + other) / 2 - master[rows])) > np.median(abs(one - other)):
        yield "DLHALVES: halves are not those of the master"


def stored_sums(path):
    """Keywords of each unit as it is stored."""
    with fits.open(path, disable_image_compression=True) as units:
        return [set(unit.header) for unit in units]


def faults(path):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with fits.open(path, checksum=True) as units:
            for unit in units:
                unit.verify("exception")
            # A compressed image stands behind an empty primary.
            planes = [unit for unit in units if unit.data is not None]
            for plane in planes:
                if plane.name == "DLHALVES":
                    yield from halves(plane, planes[0].data)
                elif plane.data.shape != planes[0].data.shape:
                    yield f"{plane.name}: no plane of the image's size"
            header, pixels = planes[0].header, planes[0].data.astype(float)
        for number, sums in enumerate(stored_sums(path)):
            if not sums >= {"DATASUM", "CHECKSUM"}:
                yield f"unit {number}: no checksum"
        if not np.isfinite(pixels).all():
            yield "some pixels are no numbers"
        for name, stated, found, tolerance in statistics(header, pixels):
            if not abs(found - stated) <= tolerance:
                yield f"{name} {found}, stated {stated}, tolerance {tolerance}"


paths = sorted(pathlib.Path(sys.argv[1]).rglob("*.fits*"))
failed = False
for path in paths:
    try:
        found = list(faults(path))
    except Exception as error:
        found = [str(error)]
    for fault in found:
        failed = True
        print(f"{path}: {fault}", file=sys.stderr)
print(f"astropy {astropy.__version__}: {len(paths)} products")
sys.exit(2 if not paths else failed)
