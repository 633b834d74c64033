"""Reference numbers that the tests keep as fixtures, made anew with the installed numpy, scipy
and scikit-image, and held against the kept ones."""

import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np

from common import WORK, said

REPOSITORY = Path(__file__).resolve().parents[2]
# Kept numbers have nine digits; transforms of another version differ in the last bits of a
# double, single-precision ones in the seventh digit.
RELATIVE, OF_LARGEST = 1e-5, 2e-6


def rows(path):
    found = {}
    for line in Path(path).read_text().splitlines():
        if line and not line.startswith("#"):
            name, *numbers = line.split()
            found[name] = np.array(numbers, float)
    return found


scripts = sorted(REPOSITORY.glob("crates/*/tests/fixtures/make_*.py"))
assert scripts, "no fixture scripts were found"
for script in scripts:
    folder = WORK / script.stem
    folder.mkdir()
    shutil.copy(script, folder)
    subprocess.run([sys.executable, folder / script.name], check=True, cwd=folder)
    made = [path for path in folder.iterdir() if path.name != script.name]
    assert made, f"{script.name} made nothing"
    for path in made:
        kept, anew = rows(script.with_name(path.name)), rows(path)
        assert kept.keys() == anew.keys() and kept, path.name
        for name in kept:
            assert kept[name].shape == anew[name].shape, name
            allowed = RELATIVE * np.abs(kept[name]) + OF_LARGEST * np.abs(kept[name]).max()
            worst = np.max(np.abs(kept[name] - anew[name]) - allowed)
            assert worst <= 0, f"{path.name}, {name}: off by more than allowed ({worst:.3g})"
        said(f"{path.name}: {len(kept)} rows agree with the kept ones")
print("fixtures: passed")
