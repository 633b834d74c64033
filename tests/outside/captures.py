"""Captures: what `sample` writes, read by the published table of bytes; what ffmpeg writes,
read by `inspect`, `grade` and `still`."""

import subprocess

import numpy as np
import tifffile
from astropy.io import fits

from common import Ser, WORK, run, said, sample


def frames_are_true(kind, depth, layout, *arguments):
    capture, truth, truth_picture = sample(kind, *arguments)
    ser = Ser(capture)
    settings = truth["settings"]
    assert ser.id == b"LUCAM-RECORDER" and ser.depth == depth and ser.layout == layout
    assert ser.frames.shape == (settings["frames"], settings["height"], settings["width"])
    assert ser.frames.max() < 2 ** depth
    assert (ser.observer, ser.instrument, ser.telescope) == (
        truth["observer"], truth["instrument"], truth["telescope"])
    # One time a frame, and the file ends there.
    assert ser.times.tolist() == [frame["ticks_utc"] for frame in truth["frames"]]
    assert (np.diff(ser.times) > 0).all() and ser.utc == ser.times[0]

    # Moved back by its true shift, every frame shows the true picture, and the mean of all shows
    # it clearly; moved the other way it does not. A whole pixel is near enough.
    picture = tifffile.imread(truth_picture)
    picture = picture.reshape(picture.shape[:2] + (-1,))[:, :, :1 if layout == "mono" else 3]
    margin, edge = truth["margin_px"], 16
    height, width = ser.frames.shape[1:3]
    light = picture.mean(axis=2) if layout == "mono" else picture @ [0.25, 0.5, 0.25]
    seen = {1: 0.0, -1: 0.0}
    lit = [k for k, frame in enumerate(truth["frames"]) if frame["light"] > 0.9]
    assert len(lit) >= len(ser.frames) / 2
    for k in lit:
        shift = truth["frames"][k]["shift"]
        x, y = round(shift["x_px"]), round(shift["y_px"])
        raw = ser.frames[k].astype(float)
        if layout != "mono":
            raw = (raw + np.roll(raw, -1, 0) + np.roll(raw, -1, 1) + np.roll(raw, (-1, -1), (0, 1))) / 4
        for way in seen:
            seen[way] = seen[way] + np.roll(raw, (-way * y, -way * x), (0, 1)) / len(lit)
    inner = np.s_[edge:height - edge, edge:width - edge]
    true = light[margin:margin + height, margin:margin + width][inner]
    like = {way: np.corrcoef(seen[way][inner].ravel(), true.ravel())[0, 1] for way in seen}
    # The mean of all is blurred (a rough night more than others), but in its place.
    assert like[1] > 0.8 and 1 - like[-1] > 2 * (1 - like[1]), like

    # Blank frames are dark, the others are not.
    mean = ser.frames.reshape(len(ser.frames), -1).mean(axis=1)
    for k, frame in enumerate(truth["frames"]):
        assert (mean[k] < 0.2 * np.median(mean)) == frame["blank"], (k, mean[k])
    said(f"{kind}: {len(ser.frames)} frames of {width} x {height} px, {depth} bit {layout}, "
         f"{len(lit)} of them {like[1]:.3f} like the truth when moved back")
    return capture, ser


def avi(name, pixel_format, frames):
    """Frames (count, row, column[, blue-green-red]) as an uncompressed AVI, by ffmpeg."""
    path = WORK / name
    count, height, width = frames.shape[:3]
    subprocess.run(
        ["ffmpeg", "-loglevel", "error", "-f", "rawvideo", "-pix_fmt", pixel_format,
         "-s", f"{width}x{height}", "-r", "20", "-i", "-", "-c:v", "rawvideo",
         "-pix_fmt", pixel_format, path],
        input=np.ascontiguousarray(frames).tobytes(), check=True)
    found = run("inspect", path, "--json")
    assert (found["format"], found["width"], found["height"]) == ("AVI", width, height), found
    assert found["frames"] == count and found["bit_depth"] == 8 and found["warnings"] == [], found
    assert abs(found["duration_s"] - count / 20) < 0.06, found["duration_s"]
    return path, found


def same_grades(a, b):
    for one, other in zip(a["frames"], b["frames"], strict=True):
        for name in ("grade", "shift_x", "shift_y", "brightness", "rejected"):
            assert one[name] == other[name], (one, other)


small, ser = frames_are_true("ground", 8, "mono", "--frames", 30, "--size", "122x90")
frames_are_true("rough", 12, "mono", "--frames", 60, "--size", "128x96")
frames_are_true("disc", 8, "rggb", "--frames", 30, "--size", "112x96")

# Grey rows of 122 px are padded to 124 bytes in an AVI, colour rows of 366 bytes to 368.
path, found = avi("grey.avi", "gray", ser.frames)
assert found["layout"] == "mono", found
same_grades(run("grade", path, "--json"), run("grade", small, "--json"))
said("ffmpeg's grey AVI gives the grades and shifts of the same frames in SER")

# Three colours of different brightness and contrast: a swap of any two would show.
red, green, blue = ser.frames, ser.frames // 2, ser.frames // 4 + 100
colours = np.stack([blue, green, red], axis=-1)
path, found = avi("colour.avi", "bgr24", colours)
assert found["layout"] in ("bgr", "rgb"), found
grades = run("grade", path, "--json")
assert len(grades["frames"]) == len(red) and not any(f["rejected"] for f in grades["frames"])
done = run("still", path, "--keep", 100, "--json", "--out", WORK / "colour", "--format", "fits")
stack = fits.getdata(done["stack"])
for plane, frames in zip(stack, (red, green, blue), strict=True):
    like = np.corrcoef(plane.ravel(), frames.mean(axis=0).ravel())[0, 1]
    assert like > 0.8 and abs(plane.mean() * 255 / frames.mean() - 1) < 0.05, like
said("ffmpeg's colour AVI is read with its colours and rows in their places")
print("captures: passed")
