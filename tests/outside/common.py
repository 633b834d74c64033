"""What the checks share: running the program, and a reader of SER captures."""

import json
import struct
import subprocess
import sys
from pathlib import Path

import numpy as np

PROGRAM, WORK = sys.argv[1], Path(sys.argv[2])


def run(*arguments):
    """Run the program, which must succeed; its last line of JSON."""
    done = subprocess.run([PROGRAM, *map(str, arguments)], capture_output=True, text=True,
                          stdin=subprocess.DEVNULL)
    assert done.returncode == 0, f"{arguments}: status {done.returncode}\n{done.stderr}"
    return json.loads(done.stdout.splitlines()[-1])


def sample(kind, *arguments):
    """A simulated capture: its path and what is true of it."""
    files = run("sample", "--out", WORK, "--kind", kind, "--seed", 11, "--json", *arguments)
    (made,) = files["captures"]
    return Path(made["capture"]), json.loads(Path(made["truth"]).read_text()), made["truth_picture"]


def said(words):
    print(f"  {words}")


class Ser:
    """A SER file, read by the published table of bytes (SER format description, version 3,
    2014): 178 bytes of header, integers little-endian, then frames, then a time for each."""

    COLOURS = {0: "mono", 8: "rggb", 9: "grbg", 10: "gbrg", 11: "bggr", 100: "rgb", 101: "bgr"}

    def __init__(self, path):
        data = Path(path).read_bytes()
        (self.id, _, colour, self.endian_flag, width, height, self.depth, count) = struct.unpack(
            "<14s7i", data[:42])
        self.layout = self.COLOURS[colour]
        self.observer, self.instrument, self.telescope = (
            data[42 + 40 * k:82 + 40 * k].rstrip(b"\0 ").decode("ascii") for k in range(3))
        self.local, self.utc = struct.unpack("<2q", data[162:178])
        planes = 3 if colour >= 100 else 1
        sample_type = np.dtype("u1") if self.depth <= 8 else np.dtype("<u2")
        size = width * height * planes * sample_type.itemsize
        frames = np.frombuffer(data[178:178 + count * size], sample_type)
        self.frames = frames.reshape((count, height, width) + ((planes,) if planes > 1 else ()))
        self.times = np.frombuffer(data[178 + count * size:], "<i8")
