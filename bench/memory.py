#!/usr/bin/env python3
"""make memory: the peak memory of comp on a long take must be within a part of that on a short one.

    python3 memory.py [--size 1920x1080] [--frames 50,1000] [--part 0.1] [--files tif|png]

The takes are those of scale.py: one pair of plates, linked under as many numbers as there are frames, as TIFF without
compression, so that little time goes into files. Each number of frames is a
run of its own, and its peak the kernel's (ru_maxrss). Exits with 1 where the last peak is more than the first by more than the part.
"""
import argparse
import sys
import tempfile

import scale


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--size", default="1920x1080")
    parser.add_argument("--frames", default="50,1000")
    parser.add_argument("--part", type=float, default=0.1)
    parser.add_argument("--files", default="tif", choices=["tif", "png"])
    args = parser.parse_args()
    peaks = []
    with tempfile.TemporaryDirectory() as work:
        program = scale.build(work)
        for n in map(int, args.frames.split(",")):
            seconds, mb = scale.comp(program, work, args.size, n, args.files)
            peaks.append(mb)
            print(f"{n} frames of {args.size}: {seconds['total']:.0f} s, peak memory {mb:.0f} MB, {mb / peaks[0] - 1:+.1%}", flush=True)
    sys.exit(peaks[-1] > peaks[0] * (1 + args.part))


if __name__ == "__main__":
    main()
