"""Peak memory of tallying, in a process of its own: SOURCE CAPTURE WORKERS TIMES."""

from __future__ import annotations

import re
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import psutil

from tonelab.media import open_clip
from tonelab.pairing import pair
from tonelab.tallies.run import tally


def peak() -> int:
    """Bytes; as the system counts them."""
    info = psutil.Process().memory_info()
    if hasattr(info, "peak_wset"):
        return int(info.peak_wset)
    status = Path("/proc/self/status")
    if status.is_file():  # what Linux says below counts the parent, from before this program began
        found = re.search(r"VmHWM:\s*(\d+) kB", status.read_text())
        assert found is not None
        return 1024 * int(found[1])
    import resource

    kib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return kib if sys.platform == "darwin" else kib * 1024


if __name__ == "__main__":
    source, capture, workers, times = sys.argv[1:]
    paired = pair(open_clip(source), open_clip(capture))
    capture_frames = np.tile(paired.matches, (int(times), 1))
    print(len(capture_frames))
    tally(replace(paired, matches=capture_frames), workers=int(workers))
    print(peak())
