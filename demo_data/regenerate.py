"""How `demo_data/larkmoor` was made: `python -m demo_data.regenerate [FOLDER]`.

The catalogue is written out with every number, so that the same bytes come out as long as the
demo itself is the same, whatever happens to the shipped catalogue.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import Final

from pipelines.configuration.load_catalogue import catalogue_yaml, load_catalogue
from pipelines.demo import write_demo

CHECKED_IN: Final = Path(__file__).resolve().parent / "larkmoor"
ACCOUNTS: Final = 12
MONTHS: Final = 5
SEED: Final = 6


def regenerate(folder: Path) -> None:
    """Write the small demo into `folder`, with the meters of the checked-in catalogue."""
    with tempfile.TemporaryDirectory() as scratch:
        catalogue = Path(scratch) / "catalogue.yaml"
        source = CHECKED_IN / "catalogue.yaml"
        text = source.read_text() if source.exists() else catalogue_yaml(load_catalogue())
        catalogue.write_text(text)
        write_demo(
            folder, accounts=ACCOUNTS, months=MONTHS, seed=SEED, catalogue=catalogue,
            is_compressed=True,
        )  # fmt: skip


if __name__ == "__main__":
    regenerate(Path(sys.argv[1]) if len(sys.argv) > 1 else CHECKED_IN)
