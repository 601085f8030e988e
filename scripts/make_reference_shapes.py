#!/usr/bin/env python3
"""Writes testdata/shapes: two small frames of our own simulator, and what PyPI sep, photutils and galsim
measure on the same pixels.

    scripts/make_reference_shapes.py          (needs the program built: cargo build --release)

Last run with sep 1.4.1, photutils 3.0.0, galsim 2.8.5, numpy 2.4.6, Pillow 13.0.0. The frames come from
testdata/shapes/frames.toml by `stillpoint simulate` (16-bit linear PNG, no curve). Each table has one row
a detection and program:

sep       sep.extract at 3 sigma of the sky after its Background; place by sep.winpos, moments x2, xy, y2 of
          the pixels above the threshold; signal to noise of the light within 1.5 FWHM
photutils DAOStarFinder at 5 sigma; place by centroid_2dg on 11 x 11 pixels
galsim    hsm.FindAdaptiveMom at each of sep's places, on 41 x 41 pixels: adaptive moments

Pixel (0, 0) is the centre of the first pixel, x right, y down; moments in square pixels; a program that
gives no moments has empty cells.
"""

import shutil
import subprocess
import tempfile
from pathlib import Path

import galsim
import numpy as np
import photutils
import sep
from photutils.centroids import centroid_2dg
from photutils.detection import DAOStarFinder
from PIL import Image

ROOT = Path(__file__).resolve().parent.parent
DATA = ROOT / "testdata" / "shapes"
FWHM = 2.6
VERSIONS = f"sep {sep.__version__}, photutils {photutils.__version__}, galsim {galsim.__version__}, numpy {np.__version__}"


def render():
    with tempfile.TemporaryDirectory() as folder:
        command = [ROOT / "target/release/stillpoint", "simulate", DATA / "frames.toml", "--out", folder]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        for name in ("round", "trailed"):
            (file,) = (Path(folder) / name).glob("*.png")
            shutil.copy(file, DATA / f"{name}.png")


def by_sep(light):
    sky = sep.Background(light)
    above = light - sky
    found = sep.extract(above, 3.0, err=sky.globalrms)
    x, y, _ = sep.winpos(above, found["x"], found["y"], np.full(len(found), FWHM / 2.355))
    # Sky and photon noise: the sky's variance per unit of its light is the light's own.
    gain = sky.globalback / sky.globalrms**2
    flux, error, _ = sep.sum_circle(above, x, y, 1.5 * FWHM, err=sky.globalrms, gain=gain)
    rows = [("sep", *values) for values in zip(x, y, flux / error, found["x2"], found["xy"], found["y2"])]
    return rows, above, sky.globalrms


def by_photutils(above, rms):
    for row in DAOStarFinder(threshold=5.0 * rms, fwhm=FWHM)(above):
        names = row.colnames
        x = row["x_centroid" if "x_centroid" in names else "xcentroid"]
        y = row["y_centroid" if "y_centroid" in names else "ycentroid"]
        left, top = round(x) - 5, round(y) - 5
        stamp = above[max(top, 0) : top + 11, max(left, 0) : left + 11]
        if stamp.shape == (11, 11):
            cx, cy = centroid_2dg(stamp)
            peak_ratio = row["peak"] / rms
            yield ("photutils", cx + left, cy + top, peak_ratio, None, None, None)


def by_galsim(above, places):
    half = 20
    for _, x, y, ratio, *_ in places:
        left, top = round(x) - half, round(y) - half
        stamp = above[max(top, 0) : top + 2 * half + 1, max(left, 0) : left + 2 * half + 1]
        if stamp.shape != (2 * half + 1, 2 * half + 1):
            continue
        image = galsim.Image(stamp.astype(np.float64), xmin=left, ymin=top)
        found = galsim.hsm.FindAdaptiveMom(image, guess_centroid=galsim.PositionD(x, y), guess_sig=1.2, strict=False)
        if found.error_message:
            continue
        # Distortion e and the fourth root of the determinant give the moments.
        e1, e2 = found.observed_shape.e1, found.observed_shape.e2
        mean = found.moments_sigma**2 / np.sqrt(1.0 - e1 * e1 - e2 * e2)
        centroid = found.moments_centroid
        yield ("galsim", centroid.x, centroid.y, ratio, mean * (1 + e1), mean * e2, mean * (1 - e1))


def write(name):
    light = np.ascontiguousarray(np.asarray(Image.open(DATA / f"{name}.png")).astype(np.float32) / np.float32(65535))
    seps, above, rms = by_sep(light)
    rows = seps + list(by_photutils(above, rms)) + list(by_galsim(above, seps))
    number = lambda value, digits: "" if value is None else f"{value:.{digits}f}"
    with open(DATA / f"{name}.csv", "w") as out:
        out.write(f"# What other programs measure on {name}.png: {VERSIONS}; scripts/make_reference_shapes.py tells how.\n")
        out.write("# signal_to_noise: of sep's aperture; for photutils the peak over the sky's noise.\n")
        out.write("program,x_px,y_px,signal_to_noise,xx_px2,xy_px2,yy_px2\n")
        for program, x, y, ratio, *moments in rows:
            cells = [number(x, 3), number(y, 3), number(ratio, 1), *(number(m, 4) for m in moments)]
            out.write(",".join([program, *cells]) + "\n")


render()
for name in ("round", "trailed"):
    write(name)
