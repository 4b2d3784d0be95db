"""Input, output and orchestration: files, DuckDB, Great Expectations, Prefect, CLI."""

import os

# Linear algebra on one thread: its sums would otherwise differ in the last digits with the
# number of cores, which work on buckets side by side. It binds where numpy is not loaded yet.
for _library in ("OPENBLAS", "OMP", "MKL"):
    os.environ.setdefault(f"{_library}_NUM_THREADS", "1")
