"""The solver's own words, kept away from answers."""

from __future__ import annotations

import contextlib
import ctypes
import os
import sys
from collections.abc import Iterator


@contextlib.contextmanager
def solver_output_aside() -> Iterator[None]:
    """Send what the solver's own code prints to stderr: stdout belongs to the answer."""
    sys.stdout.flush()
    try:
        kept = os.dup(1)
    except OSError:  # no stdout at all
        yield
        return
    try:
        os.dup2(2, 1)
        yield
    finally:
        with contextlib.suppress(OSError, TypeError, AttributeError):
            # The C library holds lines back when stdout is no terminal.
            ctypes.CDLL(None).fflush(None)
        os.dup2(kept, 1)
        os.close(kept)
