"""What `still` writes, read by astropy, tifffile and Pillow."""

import hashlib
import json
import struct
import warnings
import zlib
from pathlib import Path

import numpy as np
import tifffile
from astropy.io import fits
from PIL import Image

from common import Ser, WORK, run, said, sample

warnings.simplefilter("error")


def strict_fits(path):
    """Planes (channel, row, column) and header of a FITS file that keeps every rule."""
    with fits.open(path, memmap=False) as file:
        file.verify("exception")
        (unit,) = file
        assert unit.header["BITPIX"] == -32 and unit.data.dtype.newbyteorder("=") == np.float32
        data = unit.data.astype(np.float32)
        return (data if data.ndim == 3 else data[None]), unit.header


def tiff(path, sample_format, bits):
    """Pixels of a TIFF of one page, as (row, column, channel); the tags must say what is in it."""
    with tifffile.TiffFile(path) as file:
        (page,) = file.pages
        colours = page.samplesperpixel
        assert page.sampleformat == sample_format, page.sampleformat
        assert page.bitspersample == bits, page.bitspersample
        assert page.photometric.name == ("RGB" if colours == 3 else "MINISBLACK")
        pixels = page.asarray()
        assert pixels.shape == (page.imagelength, page.imagewidth) + ((3,) if colours == 3 else ())
        assert page.description and page.software.startswith("Stillwright ")
    return pixels.reshape(pixels.shape[:2] + (colours,))


def png_samples(path):
    """Samples of a PNG, by its specification (third edition, 2025): Pillow reads 16-bit colour
    with 8 bits only. Pillow must open it, too."""
    with Image.open(path) as picture:
        picture.load()
        assert picture.format == "PNG"
    data = Path(path).read_bytes()
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    place, packed = 8, b""
    while place < len(data):
        length, kind = struct.unpack(">I4s", data[place:place + 8])
        body = data[place + 8:place + 8 + length]
        crc, = struct.unpack(">I", data[place + 8 + length:place + 12 + length])
        assert crc == zlib.crc32(kind + body)
        if kind == b"IHDR":
            width, height, bits, colour, _, _, interlace = struct.unpack(">2I5B", body)
        packed += body if kind == b"IDAT" else b""
        place += 12 + length
    assert kind == b"IEND" and bits == 16 and interlace == 0 and colour in (0, 2)
    step = 2 * (3 if colour == 2 else 1)
    rows = np.frombuffer(zlib.decompress(packed), np.uint8).reshape(height, 1 + width * step)
    out, above = [], np.zeros(width * step, int)
    for how, *row in rows.tolist():
        line = np.zeros(width * step, int)
        for i, value in enumerate(row):
            a, b, c = (line[i - step], above[i], above[i - step]) if i >= step else (0, above[i], 0)
            p = a + b - c
            paeth = min((abs(p - a), 0, a), (abs(p - b), 1, b), (abs(p - c), 2, c))[2]
            line[i] = (value + (0, a, b, (a + b) // 2, paeth)[how]) % 256
        out.append(line)
        above = line
    return np.array(out, np.uint8).view(">u2").astype(np.uint16).reshape(height, width, -1)


def no_number(word):
    raise AssertionError(f"{word} is no JSON")


def sha256(path):
    return hashlib.sha256(Path(path).read_bytes()).hexdigest()


def same_way_up(picture, frames):
    """The mean frame looks like the picture as it stands, not turned over in any way."""
    mean = frames.mean(axis=0)
    inner = (slice(8, -8), slice(8, -8))
    like = lambda turned: np.corrcoef(turned[inner].ravel(), mean[inner].ravel())[0, 1]
    upright = like(picture)
    assert upright > 0.9, upright
    for turned in (picture[::-1], picture[:, ::-1], picture[::-1, ::-1]):
        # A disc looks much like itself turned over; what differs must be told all the same.
        assert 1 - like(turned) > 4 * (1 - upright), (like(turned), upright)


def sites(layout, channel):
    """Where the samples of a colour stand in a 2 x 2 cell: (row, column) pairs."""
    return [(k // 2, k % 2) for k, letter in enumerate(layout) if letter == "rgb"[channel]]


def check(kind, *arguments):
    capture, truth, _ = sample(kind, *arguments)
    ser = Ser(capture)
    done = run("still", capture, "--out", WORK / kind, "--keep", 50, "--json",
               "--format", "tiff32,png,jpeg,fits")
    files = {Path(path).name.removeprefix(capture.stem): path
             for path in (done["still"], done["stack"], done["record"], *done["others"])}
    assert len(files) == 7, files
    for name, path in files.items():
        assert Path(path).parent == WORK / kind and Path(path).stat().st_size > 0, name

    stack, header = strict_fits(files[".stack.fits"])
    colours = 1 if ser.layout == "mono" else 3
    _, height, width = ser.frames.shape
    assert stack.shape == (colours, height, width)
    assert header["ROWORDER"] == "TOP-DOWN" and header["CAPTURE"] == capture.name
    assert header["REFFRAME"] == done["reference_frame"] and header["KEEP"] == 50
    assert header["DATE-OBS"].startswith("2027-03-14T20:15:00")
    assert np.isfinite(stack).all()

    # Rows as the header says, and light as the frames have it, colour by colour. The frames are
    # laid on the reference frame by their true shifts, to the nearest even px: a mosaic's colours
    # stay where they are.
    lit = [k for k, frame in enumerate(truth["frames"]) if frame["light"] > 0.9]
    places = np.array([[frame["shift"]["y_px"], frame["shift"]["x_px"]] for frame in truth["frames"]])
    moves = 2 * np.round((places - places[done["reference_frame"]]) / 2).astype(int)
    frames = np.array([np.roll(ser.frames[k], -moves[k], (0, 1)) for k in lit]) / (2 ** ser.depth - 1)
    for channel in range(colours):
        if colours == 1:
            same_way_up(stack[channel], frames)
            seen = frames.mean()
        else:
            where = sites(ser.layout, channel)
            own = np.mean([frames[:, y::2, x::2] for y, x in where], axis=0)
            same_way_up(stack[channel][::2, ::2], own)
            seen = own.mean()
        assert abs(stack[channel].mean() / seen - 1) < 0.1, (channel, stack[channel].mean(), seen)
    said(f"{kind}: stack FITS is strictly valid, {stack.shape}, rows top down, light as in the frames")

    # The still: one picture in five files.
    floats = tiff(files[".still-float.tif"], 3, 32)
    assert floats.dtype == np.float32
    planes, _ = strict_fits(files[".still.fits"])
    assert np.array_equal(np.moveaxis(planes, 0, -1), floats)
    # The product is one of 32-bit floats; halves are rounded up.
    product = np.clip(floats, 0, 1) * np.float32(65535)
    words = tiff(files[".still.tif"], 1, 16)
    assert words.dtype == np.uint16
    assert np.array_equal(words, np.floor(product.astype(float) + 0.5))
    assert words.max() > 40000 and words.std() > 500
    png = png_samples(files[".still.png"])
    assert png.dtype == np.uint16 and np.array_equal(png.reshape(words.shape), words)
    with Image.open(files[".still.jpg"]) as picture:
        assert picture.format == "JPEG" and picture.mode == ("RGB" if colours == 3 else "L")
        jpeg = np.asarray(picture, float).reshape(words.shape)
    assert np.sqrt(np.mean((jpeg - words / 257.0) ** 2)) < 4
    said(f"{kind}: still as 16-bit TIFF, float TIFF, FITS, 16-bit PNG and JPEG shows one picture")

    record = json.loads(Path(files[".record.json"]).read_text(), parse_constant=no_number)
    assert record["inputs"][0]["bytes"] == capture.stat().st_size
    assert record["inputs"][0]["sha256"] == sha256(capture)
    assert record["keep_percent"] == 50 and record["frames_used"] == done["frames_used"]
    blank = [k for k, frame in enumerate(truth["frames"]) if frame["blank"]]
    rejected = [frame["index"] for frame in record["found"]["rejected"]]
    assert set(blank) <= set(rejected), (blank, rejected)
    said(f"{kind}: the record is valid JSON, hash and counts are right")


check("ground", "--frames", 24, "--size", "120x90")
check("rough", "--frames", 40, "--size", "128x96")
check("disc", "--frames", 40, "--size", "112x96")
print("exports: passed")
