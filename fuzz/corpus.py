"""Makes the kept corpus: small files of every format, by ffmpeg and by the formats' byte tables.

Run from anywhere: python3 fuzz/corpus.py. Needs ffmpeg. What fuzzing found stands beside them as found-*, what led it to
further code as covered-*.
"""

import pathlib
import struct
import subprocess
import tempfile

HERE = pathlib.Path(__file__).parent / "corpus"


def keep(target, name, data):
    (HERE / target).mkdir(parents=True, exist_ok=True)
    (HERE / target / name).write_bytes(data)


def ffmpeg(target, name, *options, size="18x10", frames=2):
    with tempfile.TemporaryDirectory() as home:
        out = pathlib.Path(home) / name
        subprocess.run(
            ["ffmpeg", "-v", "error", "-f", "lavfi", "-i", f"testsrc=size={size}:rate=5", "-frames:v", str(frames),
             "-fflags", "+bitexact", "-flags", "+bitexact", *options, str(out)], check=True)
        keep(target, name, out.read_bytes())


def ser(colour, depth, width, height, frames, little=0, trailer=True):
    samples = width * height * (3 if colour >= 100 else 1)
    head = b"LUCAM-RECORDER" + struct.pack("<7i", 0, colour, little, width, height, depth, frames)
    head += b"A".ljust(40) + b"B".ljust(40) + b"C".ljust(40) + struct.pack("<2q", 637000000000000000, 637000000000000000)
    body = b""
    for frame in range(frames):
        for i in range(samples):
            value = (i * 37 + frame * 5) % (1 << depth)
            body += struct.pack("<H", value) if depth > 8 else struct.pack("B", value)
    if trailer:
        body += b"".join(struct.pack("<q", 637000000000000000 + 200000 * i) for i in range(frames))
    return head + body


for colour in (0, 8, 11, 16, 19, 100, 101):
    for depth in (8, 12, 16):
        keep("ser", f"{colour}-{depth}.ser", ser(colour, depth, 12, 8, 3))
keep("ser", "cut.ser", ser(0, 8, 12, 8, 4)[:-80])
for pixel in ("bgr24", "bgra", "gray", "pal8", "yuyv422", "uyvy422", "yuv420p", "nv12", "gray16le"):
    ffmpeg("avi", f"{pixel}.avi", "-pix_fmt", pixel, "-c:v", "rawvideo")
ffmpeg("avi", "mjpeg.avi", "-pix_fmt", "yuvj422p", "-c:v", "mjpeg")
for pixel in ("gray", "gray16be", "rgb24", "rgb48be", "pal8", "rgba", "monob"):
    ffmpeg("png", f"{pixel}.png", "-pix_fmt", pixel, frames=1)
for pixel in ("gray", "gray16le", "rgb24", "rgb48le", "pal8"):
    for packing in ("raw", "packbits", "lzw", "deflate"):
        ffmpeg("tiff", f"{pixel}-{packing}.tiff", "-pix_fmt", pixel, "-compression_algo", packing, frames=1)
for pixel in ("gray", "yuvj420p", "yuvj444p"):
    ffmpeg("jpeg", f"{pixel}.jpg", "-pix_fmt", pixel, frames=1)
for pixel in ("gray", "gray16be", "gbrp"):
    ffmpeg("fits", f"{pixel}.fits", "-pix_fmt", pixel, frames=1)


def fits(cards, data):
    head = "".join(card.ljust(80) for card in (*cards, "END"))
    return head.ljust(-(-len(head) // 2880) * 2880).encode() + data.ljust(-(-len(data) // 2880) * 2880, b"\0")


for bitpix in (8, 16, 32, 64, -32, -64):
    size = abs(bitpix) // 8
    cards = ["SIMPLE  =                    T", f"BITPIX  = {bitpix:>20}", "NAXIS   =                    3",
             "NAXIS1  =                    7", "NAXIS2  =                    5", "NAXIS3  =                    4",
             "BZERO   =              32768.0", "BSCALE  =                  1.0", "BAYERPAT= 'RGGB    '",
             "EXPTIME =                 0.01", "GAIN    =                  300", "DATE-OBS= '2026-01-02T03:04:05.678'"]
    keep("fits", f"cube{bitpix}.fits", fits(cards, bytes(range(7 * 5 * 4)) * size))
keep("recipe", "empty.toml", b"")
keep("recipe", "some.toml", b'''version = 1
[capture]
layout = "rggb"
bit_depth = 12
[calibration]
darks = ["dark.ser", [47, 255]]
flats = ["flat.ser"]
reduce_bands = true
[frames]
exclude = [[3, 9]]
[stack]
keep = { percent = 20.0 }
scale = 1.5
[finish]
optics = { aperture_m = 0.2, focal_length_m = 4.0, pixel_um = 2.9 }
[finish.sharpening]
method = "detail-scales"
[finish.tone]
bend = { gamma = 1.5 }
[export]
formats = ["png", "fits"]
caption = "words"
''')
keep("night", "one.toml", b'''version = 1
selected = 0
[[capture]]
path = "/night/ridge.ser"
stamp = { bytes = 7, modified_ms = 1795639200123 }
[capture.recipe]
version = 1
[capture.recipe.stack]
keep = "auto"
[[capture]]
path = [47, 255, 46]
[capture.recipe]
version = 1
[end]
captures = 2
''')
keep("night", "none.toml", b"version = 1\n[end]\ncaptures = 0\n")


def master(kind):
    cards = ["SIMPLE  =                    T", "BITPIX  =                  -32", "NAXIS   =                    2",
             "NAXIS1  =                    9", "NAXIS2  =                    7", "ROWORDER= 'TOP-DOWN'",
             f"MASTER  = '{kind}'", "NFRAMES =                   40", "NLEFTOUT=                    1",
             "CLIPPED =               1.5E-5", "NOISE   =               2.5E-3", "BITDEPTH=                   12",
             "EXPTIME =                 0.01", "GAIN    =                  300", "BAYERPAT= 'RGGB    '"]
    level = 0.02 if "dark" in kind else 0.6
    return fits(cards, b"".join(struct.pack(">f", level * (1 + i % 5 / 50)) for i in range(9 * 7)))


for kind in ("dark", "flat", "dark-flat"):
    keep("master", f"{kind}.fits", master(kind))
for colour, depth in ((0, 8), (8, 12), (100, 8)):
    keep("master", f"{colour}-{depth}.ser", ser(colour, depth, 10, 8, 9, trailer=False))
keep("places", "headings.csv", b"\xef\xbb\xbfname,latitude,longitude,diameter_km\r\n# a list\r\nA,9.62,339.92,96.1\r\n")
keep("places", "quoted.csv", b'"Ridge, ""long""", -1.5 , 20 \n\nB,0,0,\nC,-90,-360,1e3\n')
keep("names", "gaps.txt", b"f_0001.png\nf_0002.png\nf_0004.png\nother.png\n0.png\n")
keep("names", "many.txt", b"a1b01.tif\na1b02.tif\na2b01.tif\n10.fits\n9.fits\n0009.fits\n18446744073709551616.png\n")
keep("preferences", "some.toml", b'light = "red"\ntext_scale = 1.25\nexport_folder = "/night/stills"\n')
keep("video", "answer.json", b'{"programs":[],"streams":[{"codec_name":"h264","width":640,"height":480,'
     b'"pix_fmt":"yuv420p10le","nb_frames":"250","side_data_list":[{"rotation":-90}]}]}')
keep("video", "frames.txt", b"#software: x\n#tb 0: 1/25\n#media_type 0: video\n"
     b"0,          0,          0,        1,    81920, 0x5bbd4a1f\n0,          1,          1,        1,    81920, 0x5bbd4a20\n"
     b"0,          4,          4,        1,    81920, 0xffffffff\n")
