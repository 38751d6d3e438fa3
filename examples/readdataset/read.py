"""Reads a data set that `twinplate dataset` wrote: python3 read.py SET [SPLIT]. Needs numpy and OpenCV."""
import json, os, sys
os.environ["OPENCV_IO_ENABLE_OPENEXR"] = "1"  # before OpenCV is there
import cv2, numpy as np


def light(root, file):  # a file's linear light (or alpha, or sigma) as an array of height, width and, of color, red, green and blue
    v = cv2.imread(os.path.join(root, file["path"]), cv2.IMREAD_UNCHANGED)
    v = v / (2.0 ** file["depth"] - 1) if v.dtype != np.float32 else v.astype(float)
    if file["curve"] == "srgb":
        v = np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)
    return v[..., ::-1] if v.ndim == 3 else v  # OpenCV has blue first


def samples(root, split):  # yields the manifest's line, alpha, the premultiplied foreground, and each background with its composite
    for s in map(json.loads, open(os.path.join(root, "manifest.jsonl"), encoding="utf-8")):
        if s["split"] == split:
            pairs = [(light(root, c["background"]), light(root, c["comp"])) for c in s["composites"]]
            yield s, light(root, s["files"]["alpha"]), light(root, s["files"]["foreground"]), pairs


if __name__ == "__main__":
    root, split = sys.argv[1], sys.argv[2] if len(sys.argv) > 2 else "train"
    for s, alpha, foreground, pairs in samples(root, split):
        off = max(np.abs(np.minimum(foreground + (1 - alpha[..., None]) * b, 1) - comp).max() for b, comp in pairs)
        print(f'{s["take"]} frame {s["frame"]}: {s["width"]}x{s["height"]}, alpha {alpha.mean():.3f} in the mean; composites add up within {off:.6f}')
