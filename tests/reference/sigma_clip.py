"""Writes masks of astropy.stats.sigma_clip for pixels of many kinds, as text, to stdout.

A pixel whose mask hangs on the last digit of a bound is of no use as a reference: masks are also
computed with 60 decimal digits, and where the two disagree the pixel is left out (counted on
stderr).
"""

import sys
from decimal import Decimal, getcontext

import astropy
import numpy as np
from astropy.stats import sigma_clip

assert (astropy.__version__, np.__version__) == ("8.0.2", "2.4.6")
getcontext().prec = 60

SETTINGS = [
    ("median", 3.0, 3.0, 5),
    ("mean", 3.0, 3.0, 5),
    ("median", 4.0, 3.0, 100),
    ("median", 3.0, 2.5, 100),
    ("mean", 2.0, 2.0, 100),
    ("median", 2.0, 2.0, 1),
    ("mean", 3.0, 2.5, 2),
    ("median", 1.0, 1.5, 100),
]


def exact(samples, centre, low, high, rounds):
    values = [Decimal(float(x)) for x in samples]
    kept = sorted(values)
    for _ in range(rounds):
        n = len(kept)
        mean = sum(kept) / n
        deviation = (sum((x - mean) ** 2 for x in kept) / n).sqrt()
        middle = mean if centre == "mean" else (kept[(n - 1) // 2] + kept[n // 2]) / 2
        lower, upper = middle - Decimal(low) * deviation, middle + Decimal(high) * deviation
        inside = [x for x in kept if lower <= x <= upper]
        if len(inside) in (0, n):
            break
        kept = inside
    return [x < lower or x > upper for x in values]


def pixels():
    rng = np.random.default_rng(20260905)
    for n in (1, 2, 3, 4, 5, 7, 8, 10, 11, 15, 16, 20, 25, 33, 40, 64, 100):
        for pedestal in (500, 30500):
            for sort in range(6):
                x = rng.normal(pedestal, 8.0, n)
                if sort == 1:  # struck once
                    x[rng.integers(n)] += rng.choice([60, 400, 20000])
                elif sort == 2:  # outliers on both sides
                    x += (rng.random(n) < 0.15) * rng.choice([-90, 150, 3000], n)
                elif sort == 3:  # coarse steps
                    x = np.round(x / 16) * 16
                elif sort == 4:  # hardly any noise
                    x = pedestal + rng.integers(0, 2, n) + (rng.random(n) < 0.1) * 3
                elif sort == 5:  # two crowds
                    x[: n // 3] += 100
                yield "u16", np.clip(np.round(x), 0, 65535)
                if n <= 40:
                    yield "f32", x.astype(np.float32).astype(float)
    for tie in ([999, 1001], [999, 1001, 999, 1001], [1000] * 9, [0, 0, 0, 65535], [10, 10, 10, 10, 14]):
        yield "u16", np.array(tie, float)
        yield "f32", np.array(tie, float)


left_out = 0
for kind, samples in pixels():
    lines = []
    for centre, low, high, rounds in SETTINGS:
        mask = sigma_clip(
            samples[:, None], sigma_lower=low, sigma_upper=high, maxiters=rounds, cenfunc=centre, axis=0
        ).mask
        mask = np.broadcast_to(mask, (len(samples), 1))[:, 0]
        if list(mask) != exact(samples, centre, low, high, rounds):
            left_out += 1
            continue
        digits = "".join("1" if m else "0" for m in mask)
        lines.append(f"mask {centre} {low:g} {high:g} {rounds} {digits}")
    text = " ".join(str(int(x)) if kind == "u16" else str(np.float32(x)) for x in samples)
    print(f"pixel {kind} {text}")
    print("\n".join(lines))
print(f"{left_out} masks left out", file=sys.stderr)
