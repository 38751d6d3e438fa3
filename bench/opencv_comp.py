#!/usr/bin/env python3
"""What a person would write with OpenCV for a whole take, file to file, on all cores.

Reads 16-bit PNG plates, decodes sRGB by a table, brings the band plate into the color camera's frame (cubic, by
maps that are prepared once), solves, composites over the background, and writes the composite and the matte as
8-bit PNG. The geometry, the crosstalk, the gains and the clean plates are given, by a take's recipe: nothing is
estimated, on this side or the other. Frames go to as many processes as there are cores, each with one thread.

    python3 opencv_comp.py TAKE RECIPE OUT

Prints one JSON object: frames, and the seconds from the first plate read to the last file written.
"""
import json
import multiprocessing
import os
import sys
import time

import cv2
import numpy as np

TAKE, RECIPE, OUT = sys.argv[1:4]


def srgb_to_linear():
    v = np.arange(65536) / 65535
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)


def linear_to_srgb():
    v = np.arange(65536) / 65535
    return np.round(255 * np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055)).astype(np.uint8)


DECODE, ENCODE = srgb_to_linear(), linear_to_srgb()


def read(path):
    m = cv2.imread(path, cv2.IMREAD_UNCHANGED)
    if m.dtype == np.uint8:
        m = m.astype(np.uint16) * 257
    return DECODE[m]


def maps(g):
    """The band plate's place of every color pixel: radial terms, homography, mirror."""
    w, h = g["color_size"]
    x, y = np.meshgrid(np.arange(w, dtype=np.float64), np.arange(h, dtype=np.float64))
    dx, dy = x - g["center"][0], y - g["center"][1]
    r2 = (dx * dx + dy * dy) / ((w * w + h * h) / 4)
    s = r2 * (g["radial"][0] + r2 * g["radial"][1])
    x, y = x + dx * s, y + dy * s
    m = g["homography"]
    d = m[6] * x + m[7] * y + m[8]
    bx, by = (m[0] * x + m[1] * y + m[2]) / d, (m[3] * x + m[4] * y + m[5]) / d
    if g["mirror"]:
        bx = g["band_size"][0] - 1 - bx
    return bx.astype(np.float32), by.astype(np.float32)


def prepare():
    global MX, MY, INVERSE, K, M, BACKGROUND, DARK_BAND, DARK_COLOR, GAIN
    cv2.setNumThreads(1)
    r = json.load(open(RECIPE))
    MX, MY = maps(r["geometry"])
    warp = lambda p: cv2.remap(p, MX, MY, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    plate = lambda name: read(os.path.join(TAKE, name + ".png"))
    DARK_BAND, DARK_COLOR = warp(plate("dark_band")), plate("dark_color")
    M = np.float32(r["crosstalk"][::-1]).reshape(1, 3)
    K = plate("clean_color") - DARK_COLOR
    INVERSE = 1 / np.maximum(warp(plate("clean_band")) - DARK_BAND - cv2.transform(K, M), 1e-3)
    BACKGROUND = plate("background")
    GAIN = r["gain"]


def frame(name):
    c = cv2.subtract(read(os.path.join(TAKE, "color", name)), DARK_COLOR)
    b = cv2.remap(read(os.path.join(TAKE, "band", name)), MX, MY, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    g = np.float32(GAIN[str(int(name.split(".")[0]))])
    t = cv2.multiply(cv2.subtract(cv2.subtract(b, cv2.transform(c, M)), DARK_BAND), INVERSE, scale=1 / float(g))
    p = cv2.subtract(c, cv2.multiply(cv2.merge([t, t, t]), K, scale=float(g)))
    t = cv2.min(cv2.max(t, 0.0), 1.0)
    out = cv2.add(p, cv2.multiply(cv2.merge([t, t, t]), BACKGROUND))
    code = np.clip(out * 65535 + 0.5, 0, 65535).astype(np.uint16)
    cv2.imwrite(os.path.join(OUT, "comp", name), ENCODE[code])
    cv2.imwrite(os.path.join(OUT, "matte", name), cv2.convertScaleAbs(1 - t, alpha=255))


def main():
    for d in ("comp", "matte"):
        os.makedirs(os.path.join(OUT, d), exist_ok=True)
    names = sorted(os.listdir(os.path.join(TAKE, "color")))
    start = time.perf_counter()
    with multiprocessing.Pool(os.cpu_count(), prepare) as pool:
        pool.map(frame, names, 1)
    seconds = time.perf_counter() - start
    print(json.dumps({"frames": len(names), "seconds": round(seconds, 3), "opencv": cv2.__version__}))


if __name__ == "__main__":
    main()
