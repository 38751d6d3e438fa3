#!/usr/bin/env python3
"""Draws a take that no Go code of this project drew, and the truth beside it.

    /usr/bin/python3 film.py OUT --seed 7 --light side --fault rolling,spill --codec hevc

A performer (cut from a photograph that scikit-image ships, or in plain clothes) stands before a lit screen and is seen by
two cameras: the color plate, and the band plate of the sodium line alone. NumPy and OpenCV draw everything here; package
rig and its habits have no part in it. The capture model is package matte's:

    C(x)    = D + P(x) + g t(x) K(x)
    N(W(x)) = D + g t(x) S(W(x)) + m . P(x)

OUT gets color/ and band/ (0001.png on, or color.mov and band.mov), clean_color, clean_band, dark_color and dark_band,
background.png, recipe.json (what the crew believes: it can be wrong), and truth/:

    truth.json            everything that was drawn; sizes in pixels, light as parts of full scale
    alpha.0001.png        alpha of the color plate's pixels (of green, where the channels differ), 16 bits
    foreground.0001.png   premultiplied color, linear light, 16 bits
    floor.0001.png        what the noise does to alpha when all else is known: its standard deviation, full scale being 0.25;
                          65535 where no screen is seen. It has the cameras' own noise, that of the reference plates, what
                          is lost when the band plate is resampled (by Keys's cubic) or its albedo is another picture, and,
                          where a codec or a mosaic came between, what these really did to the files

Faults: lateral (red and blue 0.05 % larger and smaller), axial (red and blue softer than green), mosaic (the color camera
has a color filter array), bandmosaic (the band camera has one), soft (the band camera is softer by a Gaussian of 1 px),
rolling (the band camera's rows are read late: 2 px of the motion from the first to the last), partial (the screen covers
part of the frame; a stand and a lamp are beside it), spill (2 % of the screen's light falls on one side of the performer),
lowband (the band camera has two thirds of the pixels along each side), shake (the rig moves by 3 px from frame to frame),
distort (the band lens is distorted by 0.5 % at the corner), pedestal (blacks at 1.2 %, and no dark plates), bandpicture
(the performer's reflectance at 589 nm is another picture), exchanged (the two recordings are taken for each other), standin
(somebody stands in the clean plates), curve (the recipe names the wrong transfer curve).

Pixel centers are at whole numbers. The geometry goes from color to band pixels: the place is moved from the frame's middle
by 1 + k1 r^2, r being 1 at the corner, and then goes through the homography, which includes the mirror.
"""
import argparse
import json
import math
import os
import subprocess

import cv2
import numpy as np

cv2.setNumThreads(1)

FAULTS = ("lateral axial mosaic bandmosaic soft rolling partial spill lowband shake distort pedestal bandpicture exchanged "
          "standin curve").split()
PHOTOS = "chelsea coffee rocket stereo_motorcycle immunohistochemistry brick gravel grass plain".split()
CODECS = {  # of the clips: encoder, pixel format and settings
    "h264-18": ("libx264", "yuv420p", ["-crf", "18", "-preset", "fast"]),
    "h264-23": ("libx264", "yuv420p", ["-crf", "23", "-preset", "fast"]),
    "hevc": ("libx265", "yuv420p10le", ["-crf", "18", "-preset", "fast", "-x265-params", "log-level=error:pools=none", "-tag:v", "hvc1"]),
    "prores": ("prores_ks", "yuv422p10le", ["-profile:v", "hq"]),
}
FLOOR_SCALE = 0.25  # of alpha, at full scale of the floor's files
CANVAS = 2          # the performer's pixels to one of the color plate, along each axis
REFERENCES = 6      # frames that each reference plate is the mean of
STRIP = 256         # rows of a plate that are exposed at a time, which bounds the memory


# Files and curves.

def srgb(v):
    """IEC 61966-2-1: from linear light to code values."""
    return np.where(v <= 0.0031308, 12.92 * v, 1.055 * np.maximum(v, 0.0031308) ** (1 / 2.4) - 0.055)


def linear_of_srgb(v):
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


CODE = np.arange(65536) / 65535
ENCODE = {"linear": np.arange(65536, dtype=np.uint16), "srgb": (srgb(CODE) * 65535 + 0.5).astype(np.uint16)}
DECODE = {"linear": CODE.astype(np.float32), "srgb": linear_of_srgb(CODE).astype(np.float32)}


def codes(v, curve):
    return ENCODE[curve][(np.clip(v, 0, 1) * 65535 + 0.5).astype(np.uint16)]


def write_png(path, code):
    if code.ndim == 3:
        code = np.ascontiguousarray(code[..., ::-1])
    if not cv2.imwrite(path, code, [cv2.IMWRITE_PNG_COMPRESSION, 1]):
        raise OSError(f"{path}: could not be written")


def ffmpeg(args, data=None):
    return subprocess.run(["ffmpeg", "-nostdin", "-v", "error", "-y", *args], input=data, stdout=subprocess.PIPE, check=True).stdout


def raw(shape):
    return ["-f", "rawvideo", "-pix_fmt", "rgb48le" if len(shape) == 3 else "gray16le", "-s", f"{shape[1]}x{shape[0]}", "-r", "24"]


def write_clip(path, frames, codec):
    encoder, pixels, settings = CODECS[codec]
    ffmpeg([*raw(frames[0].shape), "-i", "pipe:0", "-vf", "scale=out_color_matrix=bt709:out_range=tv:flags=accurate_rnd+full_chroma_int",
            "-c:v", encoder, "-pix_fmt", pixels, *settings, "-threads", "1", "-colorspace", "bt709", "-color_primaries", "bt709",
            "-color_trc", "iec61966-2-1", "-color_range", "tv", path], b"".join(f.astype("<u2").tobytes() for f in frames))


def read_clip(path, shape):
    form = raw(shape)
    data = ffmpeg(["-i", path, "-vf", "scale=in_color_matrix=bt709:in_range=tv:out_range=pc:flags=accurate_rnd+full_chroma_int", *form[:4], "pipe:1"])
    return np.frombuffer(data, "<u2").reshape((-1, *shape))


# Geometry.

def matrix(angle=0.0, scale=1.0, move=(0, 0), about=(0, 0)):
    """Turns by an angle in radians and scales about a place, then moves."""
    c, s, (x, y) = math.cos(angle) * scale, math.sin(angle) * scale, about
    return np.array([[c, -s, x - c * x + s * y + move[0]], [s, c, y - s * x - c * y + move[1]], [0, 0, 1.0]])


def places(M, w, h):
    """Where M takes the pixels of a frame."""
    x, y = np.arange(w, dtype=np.float64), np.arange(h, dtype=np.float64)[:, None]
    d = M[2, 0] * x + M[2, 1] * y + M[2, 2]
    return (M[0, 0] * x + M[0, 1] * y + M[0, 2]) / d, (M[1, 0] * x + M[1, 1] * y + M[1, 2]) / d


class Rig:
    """The map from color to band pixels."""

    def __init__(self, rng, w, h, bw, bh, k1):
        self.size, self.band, self.k1 = (w, h), (bw, bh), k1
        self.mirror = bool(rng.integers(2))
        corners = np.array([[0, 0], [w - 1, 0], [w - 1, h - 1], [0, h - 1]], np.float64)
        middle = corners.mean(0)
        moved = matrix(math.radians(rng.uniform(-2.5, 2.5)), 0.965 + rng.uniform(-0.03, 0.03), rng.uniform(-0.015, 0.015, 2) * w, middle)
        seen = cv2.perspectiveTransform(corners[None], moved)[0] + rng.uniform(-0.004, 0.004, (4, 2)) * w
        seen = (seen + 0.5) * [bw / w, bh / h] - 0.5
        if self.mirror:
            seen[:, 0] = bw - 1 - seen[:, 0]
        self.H = cv2.getPerspectiveTransform(corners.astype(np.float32), seen.astype(np.float32))
        self.H /= self.H[2, 2]
        self.middle, self.half = middle, math.hypot(w, h) / 2

    def to_band(self, x, y):
        dx, dy = x - self.middle[0], y - self.middle[1]
        s = self.k1 * (dx * dx + dy * dy) / self.half ** 2
        x, y, H = x + dx * s, y + dy * s, self.H
        d = H[2, 0] * x + H[2, 1] * y + H[2, 2]
        return (H[0, 0] * x + H[0, 1] * y + H[0, 2]) / d, (H[1, 0] * x + H[1, 1] * y + H[1, 2]) / d

    def to_color(self, M, w, h):
        """The color places of the pixels of a w by h grid, M taking its pixels to band pixels."""
        x, y = places(np.linalg.inv(self.H) @ M, w, h)
        if self.k1:
            dx, dy = x - self.middle[0], y - self.middle[1]
            ux, uy = dx, dy
            for _ in range(6):
                s = 1 + self.k1 * (ux * ux + uy * uy) / self.half ** 2
                ux, uy = dx / s, dy / s
            x, y = ux + self.middle[0], uy + self.middle[1]
        return x, y


# Lenses. The sensor is sampled twice a pixel along each axis.

FINE = np.array([[0.5, 0, -0.25], [0, 0.5, -0.25], [0, 0, 1]])  # from samples to pixels


def spread(sigma, iris=1.1):
    """A lens's blur along one axis, in samples: an iris's square of so many pixels, softened by a Gaussian."""
    r = math.ceil(2 * (3.5 * sigma + iris / 2))
    u = np.arange(-r, r + 1) / 2
    cdf = lambda v: 0.5 * (1 + np.vectorize(math.erf)(v / (sigma * math.sqrt(2))))
    k = cdf(u + iris / 2) - cdf(u - iris / 2)
    return (k / k.sum()).astype(np.float32)


def expose(picture, M, size, kernel, rig=None):
    """Sees a picture through a lens: M takes its pixels to color pixels, or to band pixels without a rig; with a rig, that
    takes them to the band."""
    w, h = size
    ph, pw = picture.shape[:2]
    corner = np.array([[[0, 0], [pw, 0], [pw, ph], [0, ph]]], np.float64)
    c = cv2.perspectiveTransform(corner, M)[0]
    if rig is not None:
        c = np.stack(rig.to_band(c[:, 0], c[:, 1]), -1)
    pad = len(kernel) // 2 + 2
    x0, y0 = np.maximum(np.floor(c.min(0)) - pad, 0).astype(int)
    x1, y1 = np.minimum(np.ceil(c.max(0)) + pad + 1, [w, h]).astype(int)
    out = np.zeros((h, w, *picture.shape[2:]), np.float32)
    if x1 <= x0 or y1 <= y0:
        return out
    back = np.linalg.inv(M)
    for y in range(y0, y1, STRIP):  # strip by strip, with what the blur reaches around each
        a, b = y - pad if y > y0 else y, min(y + STRIP, y1)
        e = b + pad if b < y1 else b
        grid = np.array([[1, 0, x0], [0, 1, a], [0, 0, 1.0]]) @ FINE
        many = (2 * int(x1 - x0), 2 * int(e - a))
        if rig is None or not rig.k1:
            to = back @ (np.eye(3) if rig is None else np.linalg.inv(rig.H)) @ grid
            fine = cv2.warpPerspective(picture, to, many, flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP)
        else:
            u, v = rig.to_color(grid, *many)
            d = back[2, 0] * u + back[2, 1] * v + back[2, 2]
            fine = cv2.remap(picture, ((back[0, 0] * u + back[0, 1] * v + back[0, 2]) / d).astype(np.float32),
                             ((back[1, 0] * u + back[1, 1] * v + back[1, 2]) / d).astype(np.float32), cv2.INTER_CUBIC)
        fine = cv2.sepFilter2D(fine, -1, kernel, kernel, borderType=cv2.BORDER_REPLICATE)
        out[y:b, x0:x1] = cv2.resize(fine, (many[0] // 2, many[1] // 2), interpolation=cv2.INTER_AREA)[y - a:b - a]
    return out


def resampled(v, x, y):
    """v at places, by Keys's cubic (1981, a = -1/2)."""
    h, w = v.shape
    ix, iy = np.floor(x).astype(int), np.floor(y).astype(int)

    def weights(d):
        return (-0.5 * d + d ** 2 - 0.5 * d ** 3, 1 - 2.5 * d ** 2 + 1.5 * d ** 3, 0.5 * d + 2 * d ** 2 - 1.5 * d ** 3, 0.5 * (d ** 3 - d ** 2))
    wx, wy = weights(x - ix), weights(y - iy)
    return sum(wy[j] * wx[i] * v[np.clip(iy + j - 1, 0, h - 1), np.clip(ix + i - 1, 0, w - 1)] for j in range(4) for i in range(4))


def demosaic(v):
    """A frame of three channels through a filter array (red at the top left, blue at the bottom right), interpolated linearly."""
    kernel = np.float32([[1, 2, 1], [2, 4, 2], [1, 2, 1]]) / 4
    out = np.empty_like(v)
    for c, cells in enumerate([[(0, 0)], [(0, 1), (1, 0)], [(1, 1)]]):
        mask = np.zeros(v.shape[:2], np.float32)
        for y, x in cells:
            mask[y::2, x::2] = 1
        out[..., c] = cv2.filter2D(v[..., c] * mask, -1, kernel) / cv2.filter2D(mask, -1, kernel)
    return out


# The performer.

def photograph(name, rng, w, h, zoom):
    """Linear light, w by h: the photograph enlarged by zoom and laid out with its mirror images."""
    if name == "plain":
        low = rng.uniform(0.12, 0.6, (4, 3, 3)).astype(np.float32)
        return cv2.resize(low, (w, h), interpolation=cv2.INTER_CUBIC).clip(0.02, 1)
    from skimage import data
    p = getattr(data, name)()
    p = p[0] if isinstance(p, tuple) else p
    v = DECODE["srgb"][p.astype(np.uint16) * 257]
    if v.ndim == 2:  # dyed, in broad patches
        v = v[..., None] * cv2.resize(rng.uniform(0.5, 1.3, (3, 3, 3)).astype(np.float32), v.shape[::-1], interpolation=cv2.INTER_CUBIC)
    ph, pw = v.shape[:2]
    fold = lambda n, period, start: (lambda k: np.minimum(k, 2 * period - 1 - k))((np.arange(n) + start) % (2 * period))
    nw, nh = int(w / zoom) + 2, int(h / zoom) + 2
    v = v[fold(nh, ph, rng.integers(ph))][:, fold(nw, pw, rng.integers(pw))]
    v = cv2.resize(v, (w, h), interpolation=cv2.INTER_CUBIC)
    return v.clip(0.004, 1, out=v)


def cover(layers):
    rest = 1.0
    for a in layers:
        rest = rest * (1 - a)
    return 1 - rest


class Performer:
    """Premultiplied color and coverage on a canvas of its own, and what moves apart from it."""

    def __init__(self, a, rng, length):
        self.length = L = length * CANVAS
        self.w, self.h = w, h = int(1.5 * L), int(1.35 * L)
        self.top = (w / 2, 0.2 * L)  # of the head
        self.kind = a.performer
        body = self.body(rng)
        hair, mesh, smoke = self.hair(rng, body), self.mesh(rng), self.smoke(rng)
        if a.performer == "symmetric":
            hair, mesh, smoke = np.maximum(hair, hair[:, ::-1]), np.maximum(mesh, mesh[:, ::-1]), np.maximum(smoke, smoke[:, ::-1])
        alpha = cover([body, mesh, hair, smoke])
        zoom = CANVAS * rng.uniform(1.0, 2.2)
        photo = photograph(a.photo, rng, w, h, zoom)
        if a.performer == "symmetric":
            photo = 0.92 * (photo + photo[:, ::-1]) / 2 + 0.08 * photo
        # The color without its texture, and carried on beyond the outline.
        step = max(4, int(0.05 * L))
        small = (max(w // step, 2), max(h // step, 2))
        weight = cv2.resize(body, small, interpolation=cv2.INTER_AREA)
        weight = cv2.GaussianBlur(weight, (0, 0), 1.5) + 1e-4
        sums = cv2.GaussianBlur(cv2.resize(photo * body[..., None], small, interpolation=cv2.INTER_AREA), (0, 0), 1.5)
        broad = cv2.resize(sums / weight[..., None], (w, h), interpolation=cv2.INTER_CUBIC).clip(0.01, 1)
        inside = cv2.distanceTransform((body > 0.98).astype(np.uint8), cv2.DIST_L2, 5)
        if a.light == "photo":
            color = photo
            color *= body[..., None]
            for layer, dye in ((mesh, (0.5, 0.42, 0.3)), (hair, rng.uniform(0.05, 0.4, 3)), (smoke, (0.45, 0.45, 0.48))):
                for c in range(3):
                    color[..., c] += (np.float32(dye[c]) - color[..., c]) * layer
        else:
            near = (CANVAS * 6.0, CANVAS * 10.0)  # pixels from the outline: plain up to there, a photograph from there on
            deep = np.clip((inside - near[0]) / (near[1] - near[0]), 0, 1)[..., None]
            color = photo  # in place, as all that is of the canvas's size and three channels
            color -= broad
            color *= deep
            color += broad
            color *= alpha[..., None]
        del broad
        if a.light == "side":
            r = CANVAS * rng.uniform(4, 10)
            soft = cv2.GaussianBlur(body, (0, 0), r)
            gx, gy = cv2.Sobel(soft, cv2.CV_32F, 1, 0), cv2.Sobel(soft, cv2.CV_32F, 0, 1)
            from_ = rng.uniform(0, 2 * np.pi)
            faces = -(gx * math.cos(from_) + gy * math.sin(from_)) / np.maximum(np.hypot(gx, gy), 1e-3 / r)
            color *= (1 + 0.55 * faces * np.clip(1 - inside / r, 0, 1))[..., None]
        level = 0.72 / max(float(np.percentile(color[body > 0.5], 98)), 0.2)
        color *= np.float32(min(level, 2.0))
        planes = [color, alpha]
        if "bandpicture" in a.fault:
            name = "brick" if a.photo != "brick" else "gravel"
            planes.append(photograph(name, np.random.default_rng([a.seed, 5]), w, h, zoom).mean(-1) * alpha)
        self.picture = np.dstack(planes)
        self.dye = rng.uniform(0.1, 0.6, 3).astype(np.float32)

    def at(self, points):
        """Canvas places, in sixteenths of a half pixel, of points in parts of the length from the top of the head."""
        p = np.asarray(points, np.float64) * self.length + self.top
        return np.round((2 * p + 0.5) * 16).astype(np.int32)

    def sheet(self):
        return np.zeros((2 * self.h, 2 * self.w), np.uint8)

    def reduced(self, sheet):
        return cv2.resize(sheet, (self.w, self.h), interpolation=cv2.INTER_AREA).astype(np.float32) / 255

    def body(self, rng):
        s = self.sheet()
        if self.kind == "shape":
            t = np.linspace(0, 2 * np.pi, 720, endpoint=False)
            r = 0.36 * (1 + sum(rng.normal(0, 0.32 / k ** 1.1) * np.cos(k * t + rng.uniform(0, 6.3)) for k in range(2, 12)))
            r = np.clip(r, 0.12, 0.55)
            points = np.stack([1.1 * r * np.cos(t), 0.5 + r * np.sin(t)], -1)
            cv2.fillPoly(s, [self.at(points)], 255, cv2.LINE_AA, 4)
            return self.reduced(s)
        L = 2 * self.length

        def limb(points, radii):
            for (p, q), r in zip(zip(points, points[1:]), radii):
                p, q = self.at([p, q])
                cv2.line(s, p.tolist(), q.tolist(), 255, max(1, round(2 * r * L)), cv2.LINE_AA, 4)
        x, y = self.at([[0, 0.09]])[0]
        cv2.ellipse(s, (int(x), int(y)), (int(0.058 * L * 16), int(0.082 * L * 16)), 0, 0, 360, 255, -1, cv2.LINE_AA, 4)
        limb([(0, 0.14), (0, 0.24)], [0.032])
        waist, hem = rng.uniform(0.11, 0.14), rng.uniform(0.19, 0.26)  # of a long coat
        coat = [(-0.15, 0.225), (0.15, 0.225), (waist, 0.42), (hem, 0.84), (-hem, 0.84), (-waist, 0.42)]
        cv2.fillPoly(s, [self.at(coat)], 255, cv2.LINE_AA, 4)
        same = rng.uniform(-0.3, 1.2)
        for side in (-1, 1):
            up, bend = (same, 0.3) if self.kind == "symmetric" else (rng.uniform(-0.6, 1.3), rng.uniform(-0.9, 0.9))
            elbow = np.array([side * (0.13 + 0.16 * math.cos(up)), 0.245 + 0.16 * math.sin(up)])
            hand = elbow + 0.16 * np.array([side * math.cos(up + bend), math.sin(up + bend)])
            limb([(side * 0.13, 0.245), elbow, hand], [0.036, 0.028])
            out = 0.05 if self.kind == "symmetric" else rng.uniform(0, 0.12)
            limb([(side * 0.06, 0.55), (side * (0.065 + out / 2), 0.78), (side * (0.07 + out), 1.0)], [0.052, 0.04])
        if self.kind == "symmetric":  # but for something small in one hand
            cv2.circle(s, self.at([hand])[0].tolist(), int(0.035 * L * 16), 255, -1, cv2.LINE_AA, 4)
        return self.reduced(s)

    def hair(self, rng, body):
        sheets = [self.sheet() for _ in range(3)]
        edge = np.argwhere(cv2.morphologyEx((body > 0.5).astype(np.uint8), cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8)))
        edge = (edge[:, ::-1] - self.top) / self.length  # in parts of the length
        roots = edge[edge[:, 1] < 0.13] if self.kind != "shape" else edge[edge[:, 1] < 0.45]
        if len(roots) == 0:
            return np.zeros_like(body)
        center = np.array([0, 0.12 if self.kind != "shape" else 0.5])
        u = np.linspace(0, 1, 12)[:, None]
        for i, k in enumerate(rng.integers(len(roots), size=260)):
            p = roots[k]
            d = (p - center) / max(np.linalg.norm(p - center), 1e-6)
            d = d * rng.uniform(0.03, 0.12) + [0, rng.uniform(-0.01, 0.05)]
            curl = np.array([-d[1], d[0]]) * rng.normal(0, 0.5)
            line = p + d * u + curl * u * u + rng.normal(0, 0.0015) * np.sin(u * rng.uniform(4, 14))
            cv2.polylines(sheets[i % 3], [self.at(line)], False, int(rng.uniform(80, 255)), int(rng.integers(1, 3)), cv2.LINE_AA, 4)
        return cover([self.reduced(s) for s in sheets])

    def mesh(self, rng):
        """A net that hangs from one hip."""
        side = rng.choice([-1, 1])
        y, x = np.arange(self.h, dtype=np.float32)[:, None], np.arange(self.w, dtype=np.float32)
        u, v = (x - self.top[0]) / self.length * side, (y - self.top[1]) / self.length
        sway = 0.012 * np.sin(14 * v + rng.uniform(0, 6)) + 0.01 * np.cos(11 * u)
        period = rng.uniform(6, 9) * CANVAS / self.length
        thread = rng.uniform(0.6, 0.9) * CANVAS / self.length
        line = lambda p: np.exp(-((np.abs((p / period) % 1 - 0.5) * period / thread) ** 2))
        net = cover([0.9 * line(u + v + sway), 0.9 * line(u - v + sway)])
        ease = lambda p, width: np.clip(p / width + 0.5, 0, 1)
        fine = 1.5 * CANVAS / self.length
        return net * ease(u - 0.08, fine) * ease(0.36 - 0.15 * (0.75 - v) - u, fine) * ease(v - 0.45, fine) * ease(0.8 - v, fine)

    def smoke(self, rng):
        shape = np.zeros((self.h, self.w), np.float32)
        for octave in range(2, 6):
            n = 2 ** octave
            shape += cv2.resize(rng.standard_normal((n, n)).astype(np.float32), (self.w, self.h), interpolation=cv2.INTER_CUBIC) / n
        y, x = np.arange(self.h, dtype=np.float32)[:, None], np.arange(self.w, dtype=np.float32)
        at, r = self.length * np.array([rng.choice([-0.33, 0.33]), rng.uniform(0.1, 0.35)]) + self.top, 0.14 * self.length
        near = np.exp(-((x - at[0]) ** 2 + 0.6 * (y - at[1]) ** 2) / r ** 2)
        return (0.45 * near * np.clip(0.6 + shape * 1.6, 0, 1)).astype(np.float32)

    def frame(self, rng, blur):
        """The canvas of one frame: blur is the performer's motion while the shutter is open, in its pixels; a ball that is
        swung moves by far more."""
        picture = self.picture
        size = float(np.hypot(*blur))
        if size > 1:
            n = 2 * math.ceil(size / 2) + 3
            k = np.zeros((n, n), np.float32)
            mid = np.array([n // 2, n // 2]) * 16 + 8
            cv2.line(k, *[(mid + s * np.array(blur) * 8).astype(int).tolist() for s in (-1, 1)], 1, 1, cv2.LINE_8, 4)
            picture = cv2.filter2D(picture, -1, k / k.sum(), borderType=cv2.BORDER_CONSTANT)
        if self.kind == "symmetric":
            return picture
        s = np.zeros((self.h, self.w), np.float32)
        start, swing = rng.uniform(0, 2 * np.pi), rng.uniform(0.1, 0.5)
        for u in np.linspace(0, 1, 16):
            t = start + swing * u
            ball = np.zeros((self.h, self.w), np.uint8)
            place = np.array(self.top) + self.length * np.array([0.4 * math.cos(t), 0.35 + 0.4 * math.sin(t)])
            cv2.circle(ball, np.round(place * 16).astype(int).tolist(), int(0.03 * self.length * 16), 255, -1, cv2.LINE_AA, 4)
            s += ball
        s /= 16 * 255
        picture = picture.copy() if picture is self.picture else picture
        rows, columns = (np.flatnonzero(s.any(axis)) for axis in (1, 0))
        there = np.s_[rows[0]:rows[-1] + 1, columns[0]:columns[-1] + 1] if len(rows) else np.s_[:0, :0]
        for c, v in enumerate([*self.dye, 1, 0.3][:picture.shape[2]]):
            picture[there][..., c] += s[there] * (np.float32(v) - picture[there][..., c])
        return picture


# The set.

def lit(x, y, w, h, bend):
    """The screen's light at places of the color frame: two rows of lamps, from the sides."""
    u, v = x / w, y / h
    return (0.42 + 0.40 * (np.exp(-((u - 0.15 - bend) / 0.55) ** 2) + np.exp(-((u - 0.9) / 0.5) ** 2)) * (0.85 + 0.15 * np.cos(2.2 * (v - 0.4)))).astype(np.float32)


def vignette(x, y, w, h):
    return (1 - 0.18 * (((x / w - 0.5) ** 2 + (y / h - 0.5) ** 2) * 2)).astype(np.float32)


class Set:
    """What stands behind the performer, in places of the color frame at rest."""

    def __init__(self, rng, w, h, partial):
        self.w, self.h, self.bend, self.level, self.partial = w, h, rng.uniform(-0.1, 0.1), rng.uniform(0.72, 0.95), None
        self.place = [0.0, 0.0, 1.0, 1.0]
        if not partial:
            return
        l, r, t = rng.uniform(0.16, 0.24), rng.uniform(0.76, 0.84), rng.uniform(0.03, 0.08)
        self.place = [l, t, r, 1.0]
        pad = self.pad = w // 4
        W, H = w + 2 * pad, h + 2 * pad
        screen = np.zeros((H, W), np.uint8)
        edge = np.array([[l * w, t * h], [r * w, t * h + 0.01 * h], [r * w + 0.005 * w, 2 * h], [l * w - 0.004 * w, 2 * h]]) + pad
        cv2.fillPoly(screen, [np.round(edge * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
        wall = np.full((H, W, 3), 0.014, np.float32)
        stand = int((l - 0.09) * w) + pad
        cv2.line(wall, (stand, int(0.25 * h) + pad), (stand, H), (0.09, 0.085, 0.08), max(2, w // 120))
        cv2.circle(wall, (int((r + 0.1) * w) + pad, int(0.3 * h) + pad), int(0.035 * h), (1.4, 1.1, 0.8), -1)
        wall *= 1 - screen[..., None].astype(np.float32) / 255
        self.partial = np.dstack([screen.astype(np.float32) / 255, wall])
        self.to_frame = matrix(move=(-pad, -pad))

    def screen(self, x, y):
        return self.level * lit(x, y, self.w, self.h, self.bend)


# Cameras.

class Camera:
    """Electrons in wells, read with noise, in steps of 14 bits."""

    def __init__(self, seed, noise, mosaic, channels=None):
        self.rng = np.random.Generator(np.random.SFC64(seed))
        self.well, self.read, self.mosaic, self.channels = 1 / max(noise, 1e-4) ** 2, 0.3 * noise, mosaic, channels

    def variance(self, v):
        return self.read ** 2 + np.maximum(v, 0) / self.well + (1 / 16383) ** 2 / 12

    def shoot(self, light, dark, mean_of=1):
        v = np.asarray(light, np.float32)
        if self.channels is not None:
            v = v[..., None] * self.channels
        v = v + np.float32(dark)
        sigma = np.sqrt((self.read ** 2 + np.maximum(v, 0) / self.well) / mean_of)
        sigma *= self.rng.standard_normal(v.shape, dtype=np.float32)
        v += sigma
        v *= 16383 * mean_of
        np.round(v, out=v)
        v /= 16383 * mean_of
        return demosaic(v) if self.mosaic else v


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("out", help="a folder")
    ap.add_argument("--seed", type=int, default=1)
    ap.add_argument("--size", default="960x540", help="of the color plate, WxH")
    ap.add_argument("--frames", type=int, default=4)
    ap.add_argument("--performer", choices=["figure", "shape", "symmetric", "none"], default="figure")
    ap.add_argument("--height", type=float, default=0.7, help="of the performer, in parts of the frame's")
    ap.add_argument("--leaves", action="store_true", help="the performer walks out of the frame")
    ap.add_argument("--photo", choices=PHOTOS, default="chelsea")
    ap.add_argument("--light", choices=["flat", "side", "photo"], default="flat")
    ap.add_argument("--fault", default="", help="names with commas between them")
    ap.add_argument("--leak", type=float, default=0.02, help="the largest of m")
    ap.add_argument("--noise", type=float, default=0.01, help="standard deviation at full scale; in the dark 0.3 of it")
    ap.add_argument("--curve", choices=["linear", "srgb"], default="linear", help="of PNG files; clips have srgb")
    ap.add_argument("--codec", choices=["png", *CODECS], default="png")
    ap.add_argument("--without", default="", help="reference plates that nobody shot: clean, dark, with a comma between them")
    a = ap.parse_args()
    faults, without = set(a.fault.split(",")) - {""}, set(a.without.split(",")) - {""}
    w, h = map(int, a.size.split("x"))
    for bad in sorted(faults - set(FAULTS)) + sorted(without - {"clean", "dark"}):
        ap.error(f"{bad}: not one of {', '.join(FAULTS)} (faults) or clean, dark (plates)")
    if not (64 <= w <= 8192 and 64 <= h <= 8192 and 1 <= a.frames <= 64 and 0.02 <= a.height <= 1.5):
        ap.error("sizes from 64 to 8192, 1 to 64 frames, heights from 0.02 to 1.5")
    if "pedestal" in faults:
        without.add("dark")
    film(a, faults, without, w, h)


def film(a, faults, without, w, h):
    rng = np.random.default_rng([a.seed, 0xF00])
    curve = "srgb" if a.codec != "png" else a.curve
    bw, bh = (w * 2 // 3 // 2 * 2, h * 2 // 3 // 2 * 2) if "lowband" in faults else (w, h)
    rig = Rig(rng, w, h, bw, bh, rng.choice([-1, 1]) * 0.005 if "distort" in faults else 0.0)
    m = a.leak * np.array([rng.uniform(0.6, 1), rng.uniform(0.3, 1), rng.uniform(0.02, 0.4)])
    m = (m * (a.leak / m.max())).astype(np.float32)  # what is as large as a frame stays in float32 with it
    K = rng.uniform(0.002, 0.03, 3) * [1, rng.uniform(0.4, 1), 0.3]
    dark = 0.012 if "pedestal" in faults else rng.uniform(0.003, 0.01)
    stage = Set(rng, w, h, "partial" in faults)
    performer = Performer(a, rng, a.height * h) if a.performer != "none" else None

    soft = 0.45
    band_soft = math.hypot(soft, 1) if "soft" in faults else soft * 0.7 if "lowband" in faults else soft
    lens, band_lens, sharp = spread(soft), spread(band_soft, 0.75 if "lowband" in faults else 1.1), spread(soft)
    zooms = [1.0005, 1, 1 / 1.0005] if "lateral" in faults else [1, 1, 1]
    lenses = [spread(0.8), lens, spread(1.1)] if "axial" in faults else [lens] * 3
    apart = "lateral" in faults or "axial" in faults
    middle = ((w - 1) / 2, (h - 1) / 2)
    color_camera = Camera([a.seed, 1], a.noise, "mosaic" in faults)
    band_camera = Camera([a.seed, 2], a.noise, "bandmosaic" in faults, np.float32([0.9, 0.35, 0.02]) if "bandmosaic" in faults else None)
    truth_mean = np.float32([0.9, 0.35, 0.02]) / (0.9 ** 2 + 0.35 ** 2 + 0.02 ** 2)  # from its channels back to the line

    def see_color(picture, M):
        """The color plate's light from a picture, and its coverage: one plane, or one for each channel where they differ."""
        if not apart:
            p = expose(np.ascontiguousarray(picture[..., :4]), M, (w, h), lens)
            return p[..., :3], p[..., 3:4]
        both = [expose(np.ascontiguousarray(picture[..., [c, 3]]), matrix(scale=zooms[c], about=middle) @ M, (w, h), lenses[c]) for c in range(3)]
        return np.dstack([p[..., 0] for p in both]), np.dstack([p[..., 1] for p in both])

    xs, ys = np.arange(w, dtype=np.float32)[None], np.arange(h, dtype=np.float32)[:, None]
    cast = rng.uniform(-0.3, 0.3)

    def behind(J):
        """What the cameras see of the set when the rig has moved by J: the screen's own light and K, and what other things
        give them."""
        I = np.linalg.inv(J)
        at = places(I, w, h)
        ks = K.astype(np.float32) * (stage.screen(*at) * (1 + cast * (xs / w - 0.5)))[..., None]
        x, y = rig.to_color(np.eye(3), bw, bh)
        ones = I[2, 0] * x + I[2, 1] * y + I[2, 2]
        place = (I[0, 0] * x + I[0, 1] * y + I[0, 2]) / ones, (I[1, 0] * x + I[1, 1] * y + I[1, 2]) / ones
        s = stage.screen(*place) * vignette(np.arange(bw)[None], np.arange(bh)[:, None], bw, bh)
        if stage.partial is None:
            return s, 0.0, ks, 0.0
        seen = expose(stage.partial, J @ stage.to_frame, (w, h), lens)
        band = expose(stage.partial, J @ stage.to_frame, (bw, bh), band_lens, rig)
        return s * band[..., 0], band[..., 1:] @ m + 0.006 * (1 - band[..., 0]), ks * seen[..., :1], seen[..., 1:]

    def at_color(v):
        """A plane of the band plate as the color plate's pixels see it."""
        return cv2.remap(np.ascontiguousarray(v, np.float32), bx.astype(np.float32), by.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)

    def band_light(picture, A, roll, s, rest, g, kernel=band_lens, spill="spill" in faults):
        """The band plate's light."""
        if picture is None:
            return g * s + rest
        b = expose(np.ascontiguousarray(picture[..., :4]), roll @ A, (bw, bh), kernel, rig)
        leak = b[..., :3] @ m
        t = 1 - b[..., 3]
        if "bandpicture" in faults:
            q = expose(np.ascontiguousarray(picture[..., 4]), roll @ A, (bw, bh), kernel, rig)
            leak = 0.4 * leak + 0.6 * m.sum() * q
        if spill:
            side = 1 / (1 + np.exp((np.arange(picture.shape[1], dtype=np.float32) / picture.shape[1] - 0.5) * spill_side / 0.03))
            leak = leak + 0.02 * g * float(np.median(s)) * expose(picture[..., 3] * side[None], roll @ A, (bw, bh), kernel, rig)
        return t * (g * s + rest) + leak

    spill_side = rng.choice([-1, 1])
    if performer is not None:
        start, stride = rng.uniform(0.3, 0.7), rng.uniform(0.1, 0.25)
        phase = rng.uniform(0, 6.3)

    def pose(f):
        """From the canvas to the color frame at rest, and the motion while the shutter is open, in color pixels."""
        x = (start + stride * math.sin(1.9 * f + phase)) * w
        if a.leaves:
            x = (0.5 + 0.75 * f / max(a.frames - 1, 1)) * w
        lower = 1.0 if a.height < 0.8 else 1.06
        y = h * lower - a.height * h + 0.012 * h * math.sin(2.3 * f + phase)
        if a.height < 0.4:
            y -= h * (0.25 + 0.15 * math.cos(f + phase))
        A = matrix(math.radians(4 * math.sin(1.3 * f + 0.4 + phase)), (1 + 0.03 * math.sin(0.9 * f)) / CANVAS, about=(0, 0))
        top = A @ [*performer.top, 1]
        A[:2, 2] += np.array([x, y]) - top[:2]
        way = phase + 2.1 * f
        return A, np.array([math.cos(way), 0.4 * math.sin(way)]) * 1.6 * w / 960

    # The floor, and how well the texture of the performer's core could tell a displacement.
    bx, by = rig.to_band(*np.broadcast_arrays(xs.astype(np.float64), ys.astype(np.float64)))
    bx, by = bx.astype(np.float32), by.astype(np.float32)
    inside = (bx >= 0) & (bx <= bw - 1) & (by >= 0) & (by <= bh - 1)
    information, moved = np.zeros(2), np.zeros(2)
    measured = a.codec != "png" or faults & {"mosaic", "bandmosaic"}  # the noise is taken from the files

    def write_floor(f, color, band, C, N, best, P, alpha, g, s, rest, ks):
        """Takes the files' code values and what was drawn."""
        if measured:
            color = DECODE[curve][color] - dark - C
            band = DECODE[curve][band] - dark
            band = (band @ truth_mean if band.ndim == 3 else band) - N
            local = lambda e: cv2.blur(e * e, (15, 15))
            vc, vn = local(color), at_color(local(band))
        else:
            vc, vn = color_camera.variance(C), at_color(band_camera.variance(N))
        S = at_color(s)
        d = g * (S - ks @ m)
        v = vn + vc @ (m * m)
        here = alpha > 0 if "bandpicture" in faults else cv2.dilate(((alpha > 0) & (alpha < 1)).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
        wanted = (1 - alpha) * (g * S + (at_color(rest) if stage.partial is not None else 0)) + P @ m
        v[here] += (resampled(best, bx[here], by[here]) - wanted[here]) ** 2
        t = 1 - alpha
        ok = (S > 0.1 * float(S.max())) & inside
        floor = v / np.maximum(d, 1e-3) ** 2
        if "clean" not in without:
            floor += t * t * at_color(band_camera.variance(s)) / REFERENCES / np.maximum(S, 1e-3) ** 2
        floor = np.clip(np.sqrt(floor) / FLOOR_SCALE * 65535 + 0.5, 0, 65534).astype(np.uint16)
        write_png(f"{a.out}/truth/floor.{f + 1:04d}.png", np.where(ok, floor, np.uint16(65535)))
        core = cv2.erode((alpha > 0.998).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
        leak = P @ m * (0.4 if "bandpicture" in faults else 1)
        for i, (dx, dy) in enumerate(((1, 0), (0, 1))):
            slope = cv2.Sobel(leak, cv2.CV_32F, dx, dy, ksize=3) / 8
            information[i] += float((slope[core] ** 2 / v[core]).sum())
            if measured:
                moved[i] += float((slope * (at_color(band) - color @ m) / v)[core].sum())

    os.makedirs(os.path.join(a.out, "truth"), exist_ok=True)
    shots = {"color": [], "band": []}
    later, gains, motion = [], [], []
    for f in range(a.frames):
        J = np.eye(3)
        if "shake" in faults:
            J = matrix(math.radians(rng.normal(0, 0.05)), 1, rng.normal(0, 3, 2), middle)
        g = 1 + 0.04 * math.sin(2.4 * f + 1) + 0.015 * math.sin(0.37 * f) + rng.normal(0, 0.008)
        s, rest, ks, others = behind(J)
        roll, picture, A = np.eye(3), None, None
        P, cov = np.zeros((h, w, 3), np.float32), np.zeros((h, w, 1), np.float32)
        if performer is not None:
            A, v = pose(f)
            inner = np.linalg.inv(A[:2, :2]) @ v * 0.5  # the shutter is open for half of the frame
            picture = performer.frame(rng, inner)
            A = J @ A
            if "rolling" in faults:
                v = 2 * v / np.hypot(*v)
                roll = np.array([[1, v[0] / h, -v[0] / 2], [0, 1 + v[1] / h, -v[1] / 2], [0, 0, 1]])
            motion.append(v.tolist())
            P, cov = see_color(picture, A)
        C = P + (1 - cov) * (g * ks + others)
        N = band_light(picture, A, roll, s, rest, g)
        best = N  # what the band camera would have seen without its own faults
        if faults & {"soft", "rolling", "spill"}:
            best = band_light(picture, A, np.eye(3), s, rest, g, sharp, False)
        gains.append(g)
        del picture
        for name, camera, light in (("color", color_camera, C), ("band", band_camera, N)):
            shots[name].append(codes(camera.shoot(light, dark), curve))
        alpha = cov[..., cov.shape[2] // 2]  # green's, where each channel has its own
        name = f"{f + 1:04d}.png"
        write_png(f"{a.out}/truth/alpha.{name}", codes(alpha, "linear"))
        write_png(f"{a.out}/truth/foreground.{name}", codes(P, "linear"))
        ideal = (C, N, best, P, alpha, g, s, rest, ks)
        if a.codec == "png":
            write_floor(f, shots["color"][f], shots["band"][f], *ideal)
        else:
            later.append(ideal)

    ends = {}

    def put(name, frames, folder):
        if a.codec != "png":
            write_clip(f"{a.out}/{name}.mov", frames, a.codec)
            ends[name] = f"{name}.mov"
        elif folder:
            os.makedirs(f"{a.out}/{name}", exist_ok=True)
            for i, v in enumerate(frames):
                write_png(f"{a.out}/{name}/{i + 1:04d}.png", v)
            ends[name] = name
        else:
            write_png(f"{a.out}/{name}.png", frames[0])
            ends[name] = f"{name}.png"

    put("color", shots["color"], True)
    put("band", shots["band"], True)
    s, rest, ks, others = behind(np.eye(3))
    plates = {}
    if "clean" not in without:
        C, N = ks + others, s + rest
        if "standin" in faults and performer is not None:
            A, _ = pose(-1.5)
            P, cov = see_color(performer.picture, A)
            C, N = P + (1 - cov) * C, band_light(performer.picture, A, np.eye(3), s, rest, 1)
        plates.update(clean_color=(color_camera, C), clean_band=(band_camera, N))
    if "dark" not in without:
        plates.update(dark_color=(color_camera, np.zeros((h, w, 3))), dark_band=(band_camera, np.zeros((bh, bw))))
    for name, (camera, light) in plates.items():
        n = REFERENCES if a.codec != "png" else 1
        put(name, [codes(camera.shoot(light, dark, REFERENCES // n), curve) for _ in range(n)], False)

    if later:  # what the codec made of them
        seen = [read_clip(f"{a.out}/{name}.mov", shots[name][0].shape) for name in ("color", "band")]
        for f, (color, band, ideal) in enumerate(zip(*seen, later)):
            write_floor(f, color, band, *ideal)
    information = np.maximum(information, 1e-9)
    bound = float(np.hypot(np.sqrt((1 / information).sum()), np.hypot(*(moved / information))))

    back = photograph("coffee", rng, w, h, max(w / 600, 1))
    write_png(f"{a.out}/background.png", codes(0.6 * back, "srgb"))
    wrong = {"linear": "srgb", "srgb": "linear"}[curve]
    believed = wrong if "curve" in faults else curve
    recipe = {"version": 1, "color": ends["color"], "band": ends["band"], "background": "background.png", "background_curve": "srgb",
              "color_curve": believed, "band_curve": believed, **{k: ends[k] for k in plates}}
    if "exchanged" in faults:
        for one, two in (("color", "band"), ("clean_color", "clean_band"), ("dark_color", "dark_band")):
            if one in recipe:
                recipe[one], recipe[two] = recipe[two], recipe[one]
    json.dump(recipe, open(f"{a.out}/recipe.json", "w"), indent=1)
    x0, y0, x1, y1 = stage.place
    json.dump({
        "seed": a.seed, "color_size": [w, h], "band_size": [bw, bh], "frames": a.frames,
        "homography": rig.H.ravel().tolist(), "mirror": rig.mirror, "radial": rig.k1, "center": list(middle),
        "m": m.tolist(), "K": K.tolist(), "gains": gains, "pedestal": dark,
        "noise": {"full_well": color_camera.well, "read": color_camera.read, "reference_frames": REFERENCES},
        "performer": a.performer, "height": a.height, "leaves": a.leaves, "photo": a.photo, "light": a.light,
        "faults": sorted(faults), "without": sorted(without), "codec": a.codec, "curve": curve,
        "screen": [x0, y0, x1, y1], "motion": motion, "floor_scale": FLOOR_SCALE,
        # With which error, in pixels, the core's texture tells one displacement of all frames: the least standard error that
        # the noise allows, and what codec and mosaic did to these files, as a matched filter finds it that knows the texture
        # and its place. A codec that predicts a frame from the one before moves faint texture by parts of its vectors' step.
        "texture_bound": min(bound, 1e3),
    }, open(f"{a.out}/truth/truth.json", "w"), indent=1)


if __name__ == "__main__":
    main()
