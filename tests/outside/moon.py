"""The Moon: what `moon --json` says at 200 random times and sites, held against skyfield with
JPL's ephemeris DE421 and the lunar rotation integrated with it."""

import sys
from datetime import datetime, timezone
from pathlib import Path

import numpy as np

from common import run, said

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "crates/moon/tests/fixtures"))
import make_moon_reference as reference

COUNT, SEED = 200, 77
# 1975 to 2026: leap seconds of later years are not known yet.
FIRST, LAST = 157766400, 1767225600
LIMITS = {"distance_km": 2, "libration lon": .005, "libration lat": .005, "Sun lon": .005,
          "Sun lat": .005, "axis": .005, "phase": .005, "altitude": .005, "azimuth": .005}


def turn(degrees):
    return (degrees + 180) % 360 - 180


random = np.random.default_rng(SEED)
off = []
for _ in range(COUNT):
    unix_s = int(random.integers(FIRST, LAST))
    lat = round(float(np.degrees(np.arcsin(random.uniform(-1, 1)))), 4)
    lon, height_m = round(float(random.uniform(-180, 180)), 4), int(random.integers(0, 4000))
    time = datetime.fromtimestamp(unix_s, timezone.utc).strftime("%Y-%m-%dT%H:%M:%SZ")
    found = run("moon", "--at", time, "--site", f"{lat},{lon},{height_m}", "--json")
    row = reference.row(unix_s, lat, lon, height_m)
    off.append([
        found["distance_km"] - row[0],
        turn(found["sub_observer"]["lon_deg"] - row[1]), found["sub_observer"]["lat_deg"] - row[2],
        turn(found["sub_solar"]["lon_deg"] - row[3]), found["sub_solar"]["lat_deg"] - row[4],
        turn(found["axis_position_angle_deg"] - row[5]),
        found["phase_angle_deg"] - row[7],
        found["altitude_deg"] - row[8],
        turn(found["azimuth_deg"] - row[9]) * np.cos(np.radians(row[8])),
    ])
off = np.array(off)
assert off.shape == (COUNT, len(LIMITS))
for (name, limit), column in zip(LIMITS.items(), off.T):
    said(f"{name}: mean {column.mean():+.4f}, rms {np.sqrt((column ** 2).mean()):.4f}, "
         f"worst {np.abs(column).max():.4f} (limit {limit})")
    assert np.abs(column).max() <= limit, name
print("moon: passed")
