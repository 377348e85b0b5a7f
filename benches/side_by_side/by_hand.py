"""Stacks a folder of raws with general-purpose libraries: what a photographer who programs writes.

rawpy develops each frame linearly, sep finds its stars, a homography through them is
fitted, OpenCV warps with a Lanczos kernel, and astropy's sigma clip combines. Nothing is
measured, no defect is looked for, no ground kept apart.

    python by_hand.py FOLDER OUT.tif
"""

import sys
from pathlib import Path

import cv2
import numpy as np
import rawpy
import sep
import tifffile
from astropy.stats import sigma_clip
from scipy.spatial import cKDTree

STARS = 400
ROWS_AT_ONCE = 64


def develop(path):
    """Linear RGB of a raw, float32, [row, column, channel]."""
    with rawpy.imread(str(path)) as raw:
        rgb = raw.postprocess(
            demosaic_algorithm=rawpy.DemosaicAlgorithm.LINEAR,
            output_color=rawpy.ColorSpace.raw,
            user_wb=[1, 1, 1, 1],
            gamma=(1, 1),
            no_auto_bright=True,
            no_auto_scale=True,
            output_bps=16,
            user_flip=0,
        )
    return rgb.astype(np.float32)


def stars(rgb):
    """Places of the brightest stars, px."""
    luminance = np.ascontiguousarray(rgb.mean(axis=2))
    background = sep.Background(luminance)
    found = sep.extract(luminance - background, 5.0, err=background.globalrms)
    found = found[np.argsort(-found["flux"])][:STARS]
    return np.stack([found["x"], found["y"]], axis=1)


def homography(reference, own):
    """Reference places to a frame's own, by the shift most pairs agree on."""
    steps = (own[None, :60] - reference[:60, None]).reshape(-1, 2)
    near = cKDTree(steps).query_ball_point(steps, 2.0, return_length=True)
    shift = steps[np.argmax(near)]
    distance, index = cKDTree(own).query(reference + shift)
    good = distance < 5.0
    matrix, _ = cv2.findHomography(reference[good], own[index[good]], cv2.RANSAC, 1.0)
    return matrix


def main(folder, out):
    files = sorted(p for p in Path(folder).iterdir() if p.suffix.lower() == ".dng")
    first = develop(files[0])
    height, width = first.shape[:2]
    reference = stars(first)
    warped = np.lib.format.open_memmap(
        str(out) + ".warped.npy", "w+", np.float32, (len(files), height, width, 3)
    )
    for i, path in enumerate(files):
        rgb = first if i == 0 else develop(path)
        matrix = homography(reference, stars(rgb))
        flags = cv2.INTER_LANCZOS4 | cv2.WARP_INVERSE_MAP
        warped[i] = cv2.warpPerspective(
            rgb, matrix, (width, height), flags=flags, borderValue=(np.nan,) * 3
        )
    stack = np.empty((height, width, 3), np.float32)
    for row in range(0, height, ROWS_AT_ONCE):
        strip = warped[:, row : row + ROWS_AT_ONCE]
        stack[row : row + ROWS_AT_ONCE] = sigma_clip(strip, sigma=3, axis=0).mean(axis=0)
    tifffile.imwrite(out, stack, photometric="rgb")
    Path(str(out) + ".warped.npy").unlink()


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2])
