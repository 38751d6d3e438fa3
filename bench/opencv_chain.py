#!/usr/bin/env python3
"""One frame of this job in float32, by a general-purpose library's own optimized calls.

    b   = band plate resampled into the color camera's frame (cubic, by a homography)
    t   = clamp((b - m.C) / (S - m.K), 0, 1)
    out = (C - t K) + t B

The plates are given by formulas, so that BenchmarkFrame in ../take does the same work and is held to the values
that are printed under "probe" (TestChainAgainstOpenCV). What does not change from frame to frame, 1/(S - m.K) and
B - K, is prepared outside the timed part, on both sides.

    python3 opencv_chain.py [--size 4096x2160] [--runs 9] [--threads 0]     (0: all cores)

Prints one JSON object with the least and the median milliseconds of the resampling, of the rest, and of both.
"""
import argparse
import json
import statistics
import time

import cv2
import numpy as np

HOMOGRAPHY = np.array([[1.001, 0.002, 3.3], [-0.002, 0.999, -2.1], [1e-7, 2e-7, 1.0]])
M = np.array([0.03, 0.02, 0.005], np.float32)
K = np.array([0.01, 0.02, 0.001], np.float32)


def plates(w, h):
    """Color, band, clean band and background, float32, linear light, rows x columns x channels."""
    x, y = np.arange(w)[None, :].astype(float), np.arange(h)[:, None].astype(float)
    color = np.stack([0.25 + 0.15 * np.sin(0.013 * x + c) * np.cos(0.017 * y - c) for c in range(3)], -1)
    band = 0.50 + 0.35 * np.sin(0.011 * x + 0.007 * y)
    clean = 0.85 + 0.10 * np.cos(0.003 * x) * np.cos(0.004 * y)
    background = np.stack([0.40 + 0.30 * np.cos(0.005 * x + 2 * c) * np.sin(0.006 * y + c) for c in range(3)], -1)
    return [np.ascontiguousarray(p, np.float32) for p in (color, band, clean, background)]


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--size", default="4096x2160")
    parser.add_argument("--runs", type=int, default=9)
    parser.add_argument("--threads", type=int, default=0)
    args = parser.parse_args()
    w, h = map(int, args.size.split("x"))
    if args.threads:
        cv2.setNumThreads(args.threads)
    color, band, clean, background = plates(w, h)
    inverse = (1 / (clean - float(M @ K))).astype(np.float32)
    lift = background - K
    weights = M.reshape(1, 3)
    resample, chain = [], []
    for _ in range(args.runs + 1):
        t0 = time.perf_counter()
        b = cv2.warpPerspective(band, HOMOGRAPHY, (w, h), flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
                                borderMode=cv2.BORDER_REPLICATE)
        t1 = time.perf_counter()
        t = cv2.multiply(cv2.subtract(b, cv2.transform(color, weights)), inverse)
        t = cv2.min(cv2.max(t, 0.0), 1.0)
        out = cv2.add(color, cv2.multiply(cv2.merge([t, t, t]), lift))
        t2 = time.perf_counter()
        resample.append(1e3 * (t1 - t0))
        chain.append(1e3 * (t2 - t1))
    both = [a + c for a, c in zip(resample, chain)]
    probes = [(i * w // 8, j * h // 8) for i, j in ((1, 1), (4, 4), (7, 2), (3, 6))]
    report = {"size": args.size, "threads": cv2.getNumThreads(), "opencv": cv2.__version__}
    for name, ms in (("resample", resample), ("composite", chain), ("frame", both)):
        report[name] = {"least_ms": round(min(ms[1:]), 2), "median_ms": round(statistics.median(ms[1:]), 2)}
    report["probe"] = {f"{x},{y}": [round(float(v), 5) for v in (t[y, x], *out[y, x])] for x, y in probes}
    print(json.dumps(report))


if __name__ == "__main__":
    main()
