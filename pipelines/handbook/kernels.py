"""The shipped kernels of uses: `python -m pipelines.handbook.kernels` rewrites them.

Run this after changing what a kernel is, or which are used.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

from rightsize.inference.water_use import kept_kernels
from rightsize.inference.water_use.kernel_choice import KINDS

PLACE: Final = Path(kept_kernels.__file__).with_name(kept_kernels.FILE)

if __name__ == "__main__":
    PLACE.write_bytes(kept_kernels.as_file(KINDS))
