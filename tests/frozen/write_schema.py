"""Write the frozen curve file of the present schema: ``python tests/frozen/write_schema.py``.

Run once a schema; the file is then kept as it is, and every later tonelab must read it.
"""

from __future__ import annotations

import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "making"))

from make_measurement import make_measurement  # noqa: E402

from tonelab.curvefile import save  # noqa: E402
from tonelab.curvefile.schema import SCHEMA_VERSION  # noqa: E402

if __name__ == "__main__":
    save(make_measurement(), HERE / f"schema-{SCHEMA_VERSION}.h5")
