"""The same frames in every container and variant, written by ffmpeg, astropy, tifffile and Pillow:
each must give the grades, shifts and brightness of the plain capture that they came from."""

import subprocess

import numpy as np
import tifffile
from astropy.io import fits
from PIL import Image

from common import Ser, WORK, run, said, sample


def ffmpeg(path, frames, given, *arguments):
    """Frames as ffmpeg writes them; `given` is the pixel format that they come in."""
    height, width = frames.shape[1:3]
    subprocess.run(
        ["ffmpeg", "-loglevel", "fatal", "-f", "rawvideo", "-pix_fmt", given,
         "-s", f"{width}x{height}", "-r", "25", "-i", "-", *arguments, path],
        input=np.ascontiguousarray(frames).tobytes(), check=True)
    return path


def recoded(path, code):
    """ffmpeg has no code for a mosaic or for deep grey in AVI: its samples, under the code that
    cameras use (compression in the bitmap head, 16 bytes in)."""
    data = bytearray(path.read_bytes())
    at = data.index(b"strf") + 8 + 16
    data[at:at + 4] = code
    path.write_bytes(data)


def same(path, plain, share=0.0, pixels=0.0, **facts):
    """Facts as expected; grades within a share of the mean, shifts within so many px."""
    found = run("inspect", path, "--json")
    for name, value in facts.items():
        assert found[name] == value, (path, name, found[name], value)
    ours, theirs = run("grade", path, "--json")["frames"], plain["frames"]
    assert len(ours) == len(theirs), (path, len(ours), len(theirs))
    for one, other in zip(ours, theirs):
        # The mean grade is 1; a lossy container changes dull frames as much as sharp ones.
        for name, bound in ("grade", share), ("brightness", share / 10):
            off = abs(one[name] - other[name])
            assert off <= bound + 1e-6, (path, name, one, other)
        off = np.hypot(one["shift_x"] - ours[0]["shift_x"] - other["shift_x"] + theirs[0]["shift_x"],
                       one["shift_y"] - ours[0]["shift_y"] - other["shift_y"] + theirs[0]["shift_y"])
        assert off <= pixels + 1e-4, (path, off, one, other)


# 8 bits.
capture, _, _ = sample("ground", "--frames", 24, "--size", "128x96")
grey = Ser(capture).frames
plain = run("grade", capture, "--json")
rgb = np.repeat(grey[..., None], 3, axis=-1)
# ffmpeg squeezes 256 steps into 219 on the way to YUV, and rounds down: noise that was not there.
coarse, count = dict(share=0.12, pixels=0.1), len(grey)

for code in ("yuyv422", "uyvy422", "yuv420p", "nv12"):
    path = ffmpeg(WORK / f"{code}.avi", grey, "gray", "-c:v", "rawvideo", "-pix_fmt", code)
    same(path, plain, **coarse, format="AVI", frames=count, layout="mono", warnings=[])
ffmpeg(WORK / "bgra.avi", rgb, "rgb24", "-c:v", "rawvideo", "-pix_fmt", "bgra")
same(WORK / "bgra.avi", plain, 0.001, 0.01, format="AVI", frames=count, layout="bgr", warnings=[])
ffmpeg(WORK / "palette.avi", rgb, "rgb24", "-c:v", "rawvideo", "-pix_fmt", "pal8")
assert run("inspect", WORK / "palette.avi", "--json")["frames"] == count
ffmpeg(WORK / "mjpeg.avi", grey, "gray", "-c:v", "mjpeg", "-q:v", "1", "-pix_fmt", "yuvj420p")
same(WORK / "mjpeg.avi", plain, 0.6, 1.0, format="AVI", frames=count, layout="mono", warnings=[])
said("ffmpeg's AVI in YUV 4:2:2 and 4:2:0, 32-bit colour, palette and motion JPEG: passed")

# Lossless codecs come back bit by bit, lossy ones nearly.
for name, arguments in [
        ("ffv1.mkv", ["-c:v", "ffv1", "-pix_fmt", "gray"]),
        ("huffyuv.avi", ["-c:v", "ffvhuff", "-pix_fmt", "rgb24"]),
        ("lossless.mp4", ["-c:v", "libx264", "-qp", "0", "-pix_fmt", "gray", "-color_range", "pc"])]:
    ffmpeg(WORK / name, grey, "gray", *arguments)
    same(WORK / name, plain, 0.001, 0.01, format="video", frames=count, layout="mono", warnings=[])
for name, arguments in [
        ("h264.mov", ["-c:v", "libx264", "-crf", "8", "-pix_fmt", "yuv420p", "-g", "12"]),
        ("hevc.mp4", ["-c:v", "libx265", "-crf", "8", "-pix_fmt", "yuv420p10le",
                      "-x265-params", "log-level=none"])]:
    ffmpeg(WORK / name, grey, "gray", *arguments)
    same(WORK / name, plain, 0.6, 1.0, format="video", frames=count, warnings=[])
said("ffmpeg's MP4, MOV, MKV and compressed AVI, lossless and lossy: passed")

# Bayer of 8 bits.
capture, _, _ = sample("disc", "--frames", 16, "--size", "112x96")
mosaic, coloured = Ser(capture).frames, run("grade", capture, "--json")
ffmpeg(WORK / "bayer.avi", mosaic, "gray", "-c:v", "rawvideo", "-pix_fmt", "gray")
recoded(WORK / "bayer.avi", b"RGGB")
same(WORK / "bayer.avi", coloured, format="AVI", layout="rggb", frames=len(mosaic), warnings=[])
unit = fits.PrimaryHDU(mosaic)
unit.header["BAYERPAT"] = "RGGB"
unit.writeto(WORK / "bayer.fits")
same(WORK / "bayer.fits", coloured, format="FITS", layout="rggb", frames=len(mosaic), warnings=[])
said("Bayer in AVI (ffmpeg) and FITS (astropy): passed")

# 12 bits in 16.
capture, _, _ = sample("rough", "--frames", 20, "--size", "128x96")
deep = Ser(capture).frames
plain = run("grade", capture, "--json")
scaled = deep << 4
lit = dict(share=0.002, pixels=0.01)
ffmpeg(WORK / "grey16.avi", scaled.astype("<u2"), "gray16le", "-c:v", "rawvideo",
       "-pix_fmt", "gray16le")
recoded(WORK / "grey16.avi", b"Y16 ")
same(WORK / "grey16.avi", plain, **lit, format="AVI", bit_depth=16, layout="mono", frames=len(deep))
ffmpeg(WORK / "grey12.avi", deep.astype("<u2"), "gray16le", "-c:v", "rawvideo",
       "-pix_fmt", "gray16le")
recoded(WORK / "grey12.avi", b"Y12 ")
same(WORK / "grey12.avi", plain, **lit, format="AVI", bit_depth=12, layout="mono", frames=len(deep))
ffmpeg(WORK / "grey16.mkv", scaled.astype("<u2"), "gray16le", "-c:v", "ffv1", "-pix_fmt", "gray16le")
same(WORK / "grey16.mkv", plain, **lit, format="video", bit_depth=16, layout="mono")
for name, cube in [("u16", scaled), ("i32", scaled.astype("i4")), ("f32", deep / np.float32(4095)),
                   ("f64", deep / 4095.0), ("counts", deep.astype("f4"))]:
    fits.PrimaryHDU(cube).writeto(WORK / f"{name}.fits")
    same(WORK / f"{name}.fits", plain, **lit, format="FITS", frames=len(deep), layout="mono")
scaled_unit = fits.PrimaryHDU(deep.astype("f4") / np.float32(4095))
scaled_unit.scale("int16", "minmax")
scaled_unit.writeto(WORK / "scaled.fits")
same(WORK / "scaled.fits", plain, **lit, format="FITS", frames=len(deep), layout="mono")
units = [fits.PrimaryHDU()] + [fits.ImageHDU(frame) for frame in scaled]
fits.HDUList(units).writeto(WORK / "units.fits")
same(WORK / "units.fits", plain, **lit, format="FITS", frames=len(deep), layout="mono")
said("astropy's FITS cubes of integers and floats, scaled ones and extensions: passed")

# Sequences.
def sequence(name, write):
    folder = WORK / name
    folder.mkdir()
    for index, frame in enumerate(deep):
        write(folder, index, frame)
    return folder


for name, write in [
        ("png16", lambda d, i, f: Image.fromarray(f << 4).save(d / f"f{i}.png")),
        ("tiff16", lambda d, i, f: tifffile.imwrite(d / f"f_{i:04}.tif", f << 4)),
        ("tiff-big-endian", lambda d, i, f: tifffile.imwrite(d / f"{i}.tif", f << 4, byteorder=">")),
        ("tiff32", lambda d, i, f: tifffile.imwrite(d / f"f_{i:04}.tiff", (f / 4095).astype("f4"))),
        ("tiff-deflate", lambda d, i, f: tifffile.imwrite(d / f"f{i}.tif", f << 4, compression="zlib")),
        ("tiff-bigtiff", lambda d, i, f: tifffile.imwrite(d / f"f{i}.tif", f << 4, bigtiff=True)),
        ("fits", lambda d, i, f: fits.PrimaryHDU(f << 4).writeto(d / f"moon_{i:03}_x.fit"))]:
    folder = sequence(name, write)
    same(folder, plain, **lit, frames=len(deep), layout="mono", warnings=[])
    member = sorted(folder.iterdir())[3]
    assert run("inspect", member, "--json")["frames"] == len(deep), member
# A gap is said; a file of another size costs only itself.
gone = sorted((WORK / "tiff16").iterdir())
gone[4].unlink()
tifffile.imwrite(gone[9], np.zeros((10, 10), "u2"))
found = run("inspect", WORK / "tiff16", "--json")
assert found["frames"] == len(deep) - 1 and any("4" in w for w in found["warnings"]), found
said("PNG, TIFF and FITS sequences by Pillow, tifffile and astropy: passed")

folder = WORK / "jpeg"
folder.mkdir()
for index, frame in enumerate(grey):
    Image.fromarray(frame).save(folder / f"IMG_{index:04}.JPG", quality=98)
found = run("inspect", folder, "--json")
assert (found["format"], found["frames"], found["layout"]) == ("JPEG", count, "mono"), found
assert not any(frame["rejected"] for frame in run("grade", folder, "--json")["frames"])
said("JPEG sequence by Pillow: passed")
print("containers: passed")
