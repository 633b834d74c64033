"""The same steps as a still takes, by plain means: numpy and OpenCV, one pass of tile correlation.

    python3 -m venv env && env/bin/pip install -r requirements.txt
    env/bin/python plain.py CAPTURE.ser KEEP_PERCENT OUT.tif

Reads mono SER files (178 bytes of header; width, height, depth and frames as 32-bit numbers at 26, 30,
34 and 38; samples little-endian). Prints the seconds of each step.
"""

import struct
import sys
import time

import cv2
import numpy as np

TILE, SPACING, CELL = 64, 48, 32


def capture(path):
    head = open(path, "rb").read(178)
    width, height, depth, frames = struct.unpack_from("<iiii", head, 26)
    kind = np.uint8 if depth <= 8 else np.dtype("<u2")
    frames = np.memmap(path, kind, "r", 178, (frames, height, width))
    return frames, float(2**depth - 1)


def reduced(frame, white):
    small = cv2.resize(frame, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    small = small.astype(np.float32) / white
    return cv2.GaussianBlur(small, (0, 0), 1.5) - cv2.GaussianBlur(small, (0, 0), 10)


def grade(frame, white):
    light = cv2.GaussianBlur(frame.astype(np.float32) / white, (5, 5), 1.0)
    dx, dy = np.diff(light[:-1], axis=1), np.diff(light[:, :-1], axis=0)
    energy = dx * dx + dy * dy
    height, width = energy.shape
    return cv2.resize(energy, (width // CELL, height // CELL), interpolation=cv2.INTER_AREA)


def band(light):
    return cv2.GaussianBlur(light, (0, 0), 1.2) - cv2.GaussianBlur(light, (0, 0), 8)


def tiles(light, places):
    return np.stack([light[y : y + TILE, x : x + TILE] for y, x in places])


def main(path, keep, out):
    frames, white = capture(path)
    count, height, width = frames.shape
    begun = time.perf_counter()

    def lap(what):
        print(f"{what:12} {time.perf_counter() - begun:8.2f} s")

    window = cv2.createHanningWindow((width // 4, height // 4), cv2.CV_32F)
    first = reduced(frames[count // 2], white)
    shifts, grades = [], []
    for frame in frames:
        shifts.append(cv2.phaseCorrelate(first, reduced(frame, white), window)[0])
        grades.append(grade(frame, white))
    shifts = 4 * np.array(shifts)
    whole = np.array([g.mean() for g in grades])
    lap("graded")

    best = np.argsort(-whole)[: max(1, round(count * keep / 100))]
    rows, columns = np.mgrid[0:height, 0:width].astype(np.float32)

    def moved(index, shift):
        frame = frames[index].astype(np.float32) / white
        matrix = np.float32([[1, 0, shift[0]], [0, 1, shift[1]]])
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        return cv2.warpAffine(frame, matrix, (width, height), flags=flags, borderMode=cv2.BORDER_REFLECT_101)

    reference = np.mean([moved(i, shifts[i]) for i in best[:48]], axis=0)
    lap("reference")

    xs = np.linspace(0, width - TILE, -(-(width - TILE) // SPACING) + 1).astype(int)
    ys = np.linspace(0, height - TILE, -(-(height - TILE) // SPACING) + 1).astype(int)
    places = [(y, x) for y in ys for x in xs]
    hann = np.outer(np.hanning(TILE), np.hanning(TILE)).astype(np.float32)
    conjugate = np.conj(np.fft.rfft2(tiles(band(reference), places) * hann))
    total = np.zeros((height, width), np.float32)
    for index in best:
        dx, dy = shifts[index]
        light = moved(index, (dx, dy))
        surface = np.fft.irfft2(np.fft.rfft2(tiles(band(light), places) * hann) * conjugate)
        peak = surface.reshape(len(places), -1).argmax(axis=1)
        py, px = peak // TILE, peak % TILE
        k = np.arange(len(places))

        def vertex(before, here, after):
            curve = before - 2 * here + after
            return np.where(curve < 0, 0.5 * (before - after) / np.minimum(curve, -1e-12), 0)

        fx = vertex(surface[k, py, px - 1], surface[k, py, px], surface[k, py, (px + 1) % TILE])
        fy = vertex(surface[k, py - 1, px], surface[k, py, px], surface[k, (py + 1) % TILE, px])
        field = []
        for place, part in ((px, fx), (py, fy)):
            grid = np.where(place > TILE // 2, place - TILE, place) + part
            grid = grid.reshape(len(ys), len(xs)).astype(np.float32)
            grid = cv2.GaussianBlur(cv2.medianBlur(np.clip(grid, -12, 12), 3), (0, 0), 0.8)
            field.append(cv2.resize(grid, (width, height), interpolation=cv2.INTER_CUBIC))
        frame = frames[index].astype(np.float32) / white
        at_x, at_y = columns + field[0] + np.float32(dx), rows + field[1] + np.float32(dy)
        total += cv2.remap(frame, at_x, at_y, cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REFLECT_101)
    stack = total / len(best)
    lap("stacked")

    still = stack
    for sigma, gain in ((1, 1.0), (2, 0.8), (4, 0.4)):
        still = still + gain * (stack - cv2.GaussianBlur(stack, (0, 0), sigma))
    low, high = np.percentile(still, (0.1, 99.9))
    cv2.imwrite(out, np.clip((still - low) / (high - low) * 65535, 0, 65535).astype(np.uint16))
    lap("written")


if __name__ == "__main__":
    main(sys.argv[1], float(sys.argv[2]), sys.argv[3])
