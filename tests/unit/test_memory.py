"""Freed memory goes back to the system: measured on the process, as the system counts it."""

from __future__ import annotations

import subprocess
import sys

import pytest

#: Arrays of 8 MB that are freed in another order than they were made, twice; prints what is left of them [MB].
PROGRAM = """
import sys
import numpy as np
from pipeline.memory import give_back, keep_little

def held():
    with open("/proc/self/statm") as told:
        return int(told.read().split()[1]) * 4096 / 1e6

if sys.argv[1] == "kept little":
    keep_little()
before = held()
for _ in range(2):
    made = [np.ones(1_000_000) for _ in range(20)]
    last = np.ones(1_000_000)
    del made
if sys.argv[1] == "given back":
    give_back()
print(held() - before)
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="only glibc can be told")
@pytest.mark.parametrize("way", ["kept little", "given back"])
def test_freed_arrays_go_back_to_the_system(way: str) -> None:
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, way], capture_output=True, text=True, check=True, timeout=60
    )
    # One array of 8 MB is still alive; all 21 are 168 MB.
    assert float(done.stdout) < 40
